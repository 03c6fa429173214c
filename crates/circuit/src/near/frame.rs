//! The network's nodal equations, with a place for every entry that an
//! element or a device may change; a path elsewhere is an update ([`Extra`]).
//!
//! Every element is a conductance here, also those of milliohms: what a
//! difference of two voltages leaves of their currents acts across the element
//! alone, where it moves nothing. The unknowns are the node voltages; behind
//! them stands a place for the common node, which is always at nought.

use deadstage_parts::MAX_PORTS;

use crate::linear::{STRAY_LEAK_OHMS, Tap, untied};
use crate::network::{LEAST_OHMS, Network};
use crate::overlay::Change;
use crate::situation::Values;
use crate::sparse::Pattern;

/// A conductance that a change takes away and that is larger than this, siemens, would leave its
/// rounding behind: the matrix is summed up anew.
const LEAST_ROUNDED: f64 = 1e-3;

/// What a node is held by, siemens, that hangs on a path without a place, until that path is added.
const HOLD_SIEMENS: f64 = 1e-3;

/// A conductance between two nodes, perhaps with a source in series.
#[derive(Clone, Copy, Debug)]
pub(super) struct Wire {
    from: u32,
    to: u32,
    siemens: f64,
    emf: f64,
}

/// Where a device is joined to the network.
#[derive(Clone, Debug)]
pub(super) struct Socket {
    ports: usize,
    /// Of its ports, and behind them of its common terminal.
    nodes: [u32; MAX_PORTS + 1],
    /// Of the entries between these.
    places: [[u32; MAX_PORTS + 1]; MAX_PORTS + 1],
}

/// The pattern of a network's equations.
#[derive(Clone, Debug)]
pub(super) struct Frame {
    pub(super) pattern: Pattern,
    sockets: Vec<Socket>,
    /// By port of the network.
    pub(super) port_taps: Vec<Tap>,
    /// By unknown, and behind them, its node.
    nodes: Vec<u32>,
    /// How many of the wires are elements; shunts stand behind them.
    elements: usize,
}

/// A path whose entries have no place: it is added by an update of the factors.
#[derive(Clone, Debug)]
pub(super) struct Extra {
    pub(super) tap: Tap,
    pub(super) siemens: f64,
}

/// The linear part of the equations with a failure laid over it.
#[derive(Clone, Debug, Default)]
pub(super) struct Laid {
    wires: Vec<Wire>,
    /// Nodes that hang on a stray leak.
    strays: Vec<u32>,
    /// Entries, every device with the slopes it has at the known point.
    pub(super) matrix: Vec<f64>,
    pub(super) extras: Vec<Extra>,
    /// Elements that differ from those of the known point; `None` where more than elements does.
    changed: Option<Vec<usize>>,
}

impl Wire {
    /// Current through it, A.
    #[inline]
    fn amps(&self, x: &[f64]) -> f64 {
        (x[self.from as usize] - x[self.to as usize] - self.emf) * self.siemens
    }
}

impl Frame {
    /// `None`: the network is too closely meshed.
    pub(super) fn new(network: &Network) -> Option<Self> {
        let size = network.nodes - 1;
        let unknown = |node: usize| node.checked_sub(1).unwrap_or(size);
        let mut places = Vec::with_capacity(network.elements.len());
        let mut join = |a: usize, b: usize| {
            if a != size && b != size && a != b {
                places.push((a, b));
            }
        };
        for element in &network.elements {
            join(unknown(element.from), unknown(element.to));
        }
        for slot in &network.devices {
            for (k, &port) in slot.ports.iter().enumerate() {
                join(unknown(port), unknown(slot.common));
                for &other in &slot.ports[k + 1..] {
                    join(unknown(port), unknown(other));
                }
            }
        }
        let pattern = Pattern::new(size, &places)?;
        let sockets = network
            .devices
            .iter()
            .map(|slot| {
                let ports = slot.ports.len();
                let mut socket = Socket {
                    ports,
                    nodes: [0; MAX_PORTS + 1],
                    places: [[0; MAX_PORTS + 1]; MAX_PORTS + 1],
                };
                let all = slot.ports.iter().copied().chain([slot.common]);
                for (at, node) in socket.nodes.iter_mut().zip(all) {
                    *at = index(&pattern, node);
                }
                for a in 0..=ports {
                    for b in 0..=ports {
                        let (row, column) = (socket.nodes[a], socket.nodes[b]);
                        socket.places[a][b] = u32::try_from(place(&pattern, row, column)?).ok()?;
                    }
                }
                Some(socket)
            })
            .collect::<Option<_>>()?;
        let mut this = Self {
            pattern,
            sockets,
            port_taps: Vec::new(),
            nodes: vec![0; network.nodes],
            elements: network.elements.len(),
        };
        for (node, name) in (0..network.nodes).zip(0u32..) {
            this.nodes[index(&this.pattern, node) as usize] = name;
        }
        this.port_taps = network
            .devices
            .iter()
            .flat_map(|slot| slot.ports.iter().map(|&port| (port, slot.common)))
            .map(|(port, common)| this.tap(port, common))
            .collect();
        Some(this)
    }

    /// Voltage between two nodes, in the order of the unknowns.
    pub(super) fn tap(&self, from: usize, to: usize) -> Tap {
        let step = |node: usize| Some(self.pattern.step_of(node.checked_sub(1)?));
        Tap::of_unknowns(step(from), step(to))
    }

    /// Where a node stands among the unknowns; the common one behind them.
    pub(super) fn index(&self, node: usize) -> usize {
        index(&self.pattern, node) as usize
    }

    /// Voltages of all nodes in the order of the unknowns, and behind them the common's.
    pub(super) fn in_order(&self, nodes: &[f64]) -> Vec<f64> {
        let mut ordered = vec![0.0; nodes.len() + 1];
        for (unknown, volts) in nodes.iter().enumerate() {
            ordered[self.pattern.step_of(unknown)] = *volts;
        }
        ordered
    }

    /// The linear part with these values; the matrix without any device.
    pub(super) fn laid(&self, network: &Network, values: &Values) -> Laid {
        let elements = network.elements.iter().zip(&values.elements);
        let wires: Vec<Wire> = elements
            .map(|(element, value)| {
                self.wire(element.from, element.to, 1.0 / value.ohms, value.emf)
            })
            .collect();
        let mut laid = Laid {
            strays: self.strays(network, &wires),
            wires,
            ..Laid::default()
        };
        self.sum_up(&mut laid);
        laid
    }

    fn wire(&self, from: usize, to: usize, siemens: f64, emf: f64) -> Wire {
        Wire {
            from: index(&self.pattern, from),
            to: index(&self.pattern, to),
            siemens,
            emf,
        }
    }

    /// One node of each island that no wire ties to the common.
    fn strays(&self, network: &Network, wires: &[Wire]) -> Vec<u32> {
        // By the nodes' own numbers, so that each island has the leak that it has anywhere.
        let node = |index: u32| self.nodes[index as usize] as usize;
        let joined = wires.iter().filter(|wire| wire.siemens > 0.0);
        let joined = joined.map(|wire| (node(wire.from), node(wire.to)));
        let strays = untied(network.nodes, joined);
        let index = |node| index(&self.pattern, node);
        strays.into_iter().map(index).collect()
    }

    /// Adds a conductance to the entries of a matrix; whether it has places for it.
    fn add(&self, wire: &Wire, siemens: f64, matrix: &mut [f64]) -> bool {
        let (from, to) = (wire.from, wire.to);
        let find = |row, column| place(&self.pattern, row, column);
        let (Some(there), Some(back)) = (find(from, to), find(to, from)) else {
            return false;
        };
        for node in [from, to] {
            if let Some(at) = find(node, node) {
                matrix[at] += siemens;
            }
        }
        matrix[there] -= siemens;
        matrix[back] -= siemens;
        true
    }

    /// Sums the matrix up from the wires and the leaks alone.
    fn sum_up(&self, laid: &mut Laid) {
        let Laid {
            wires,
            strays,
            matrix,
            ..
        } = laid;
        matrix.clear();
        matrix.resize(self.pattern.places(), 0.0);
        for wire in wires.iter() {
            self.add(wire, wire.siemens, matrix);
        }
        for &stray in strays.iter() {
            if let Some(at) = place(&self.pattern, stray, stray) {
                matrix[at] += 1.0 / STRAY_LEAK_OHMS;
            }
        }
    }

    /// Lays the changed resistances and sources over `laid`, which holds the known
    /// point's; `slopes` adds those of the devices there.
    pub(super) fn lay(
        &self,
        network: &Network,
        overlay: &[Change],
        laid: &mut Laid,
        slopes: impl FnOnce(&mut [f64]),
    ) {
        let (mut anew, mut reaches_else) = (false, false);
        laid.extras.clear();
        let mut steps = Vec::new();
        let mut changed = laid.changed.take().unwrap_or_default();
        let mut note = |index: usize| {
            if !changed.contains(&index) {
                changed.push(index);
            }
        };
        for change in overlay {
            match *change {
                Change::Ohms(element, ohms) => {
                    let index = element.0 as usize;
                    let wire = &mut laid.wires[index];
                    let siemens = 1.0 / ohms.max(LEAST_OHMS);
                    anew |= siemens < wire.siemens && wire.siemens > LEAST_ROUNDED;
                    reaches_else |= (siemens > 0.0) != (wire.siemens > 0.0);
                    steps.push((index, siemens - wire.siemens));
                    note(index);
                    wire.siemens = siemens;
                }
                Change::Emf(element, volts) => {
                    note(element.0 as usize);
                    laid.wires[element.0 as usize].emf = volts;
                }
                Change::Shunt { from, to, ohms } => {
                    let siemens = 1.0 / ohms.max(LEAST_OHMS);
                    if from != to && siemens > 0.0 {
                        reaches_else = true;
                        let wire = self.wire(from, to, siemens, 0.0);
                        steps.push((laid.wires.len(), siemens));
                        laid.wires.push(wire);
                    }
                }
                Change::Pin { .. } | Change::Device(..) => {}
            }
        }
        laid.changed = (!reaches_else).then_some(changed);
        if reaches_else {
            let strays = self.strays(network, &laid.wires);
            anew |= strays != laid.strays;
            laid.strays = strays;
        }
        if anew {
            self.sum_up(laid);
            slopes(&mut laid.matrix);
        } else {
            for &(index, step) in &steps {
                self.add(&laid.wires[index], step, &mut laid.matrix);
            }
        }
        self.find_extras(network, laid);
    }

    /// The shunts that have no place, and what holds the nodes that would hang without them.
    fn find_extras(&self, network: &Network, laid: &mut Laid) {
        let has_place = |wire: &Wire| place(&self.pattern, wire.from, wire.to).is_some();
        let shunts = &laid.wires[self.elements..];
        for wire in shunts.iter().filter(|wire| !has_place(wire)) {
            laid.extras.push(Extra {
                tap: Tap::of_unknowns(Some(wire.from as usize), Some(wire.to as usize)),
                siemens: wire.siemens,
            });
        }
        if laid.extras.is_empty() {
            return;
        }
        let mut others = laid.wires.clone();
        others.retain(has_place);
        for stray in self.strays(network, &others) {
            if let Some(place) = place(&self.pattern, stray, stray)
                && !laid.strays.contains(&stray)
            {
                // Added here, and taken away again with the shunts.
                laid.matrix[place] += HOLD_SIEMENS;
                laid.extras.push(Extra {
                    tap: Tap::unknown(stray as usize),
                    siemens: -HOLD_SIEMENS,
                });
            }
        }
    }

    /// Socket of a device.
    pub(super) fn socket(&self, device: usize) -> &Socket {
        &self.sockets[device]
    }
}

impl Laid {
    /// Takes over what another has, in the memory at hand.
    pub(super) fn copy(&mut self, other: &Self) {
        self.wires.clone_from(&other.wires);
        self.strays.clone_from(&other.strays);
        self.matrix.clone_from(&other.matrix);
        self.extras.clear();
        let mut changed = self.changed.take().unwrap_or_default();
        changed.clear();
        self.changed = Some(changed);
    }

    /// Forgets that the known point leaves nothing over.
    pub(super) fn distrust(&mut self) {
        self.changed = None;
    }

    /// Adds what the changed wires carry at `x` beyond what they do in `before`;
    /// `false`, and nothing added, where there is more to it than changed elements.
    pub(super) fn leave_changed(&self, before: &Self, x: &[f64], out: &mut [f64]) -> bool {
        let Some(changed) = &self.changed else {
            return false;
        };
        for &index in changed {
            let (now, then) = (&self.wires[index], &before.wires[index]);
            let amps = now.amps(x) - then.amps(x);
            out[now.from as usize] += amps;
            out[now.to as usize] -= amps;
        }
        true
    }

    /// Adds to `out` the currents out of every node through the wires, A x − s. `x`
    /// and `out` have a place for the common node behind the others.
    pub(super) fn leave(&self, x: &[f64], out: &mut [f64]) {
        for wire in &self.wires {
            let amps = wire.amps(x);
            out[wire.from as usize] += amps;
            out[wire.to as usize] -= amps;
        }
        for &stray in &self.strays {
            out[stray as usize] += x[stray as usize] / STRAY_LEAK_OHMS;
        }
    }
}

/// Index of a node among the unknowns; the common's is behind them.
fn index(pattern: &Pattern, node: usize) -> u32 {
    let step = node.checked_sub(1).map(|unknown| pattern.step_of(unknown));
    u32::try_from(step.unwrap_or(pattern.size())).unwrap_or(u32::MAX)
}

/// Place of an entry; that of the common node is nowhere.
fn place(pattern: &Pattern, row: u32, column: u32) -> Option<usize> {
    if row.max(column) as usize == pattern.size() {
        return Some(pattern.nowhere());
    }
    pattern.find(row, column)
}

impl Socket {
    /// Voltages at the socket.
    #[inline]
    pub(super) fn volts(&self, x: &[f64]) -> [f64; MAX_PORTS] {
        let common = x[self.nodes[self.ports] as usize];
        let mut volts = [0.0; MAX_PORTS];
        for (v, &node) in volts.iter_mut().zip(&self.nodes[..self.ports]) {
            *v = x[node as usize] - common;
        }
        volts
    }

    /// Adds currents into the ports to what leaves the nodes.
    #[inline]
    pub(super) fn draw(&self, amps: &[f64; MAX_PORTS], out: &mut [f64]) {
        let mut sum = 0.0;
        for (amps, &node) in amps.iter().zip(&self.nodes[..self.ports]) {
            out[node as usize] += amps;
            sum += amps;
        }
        out[self.nodes[self.ports] as usize] -= sum;
    }

    /// Adds slopes to the entries of a matrix.
    #[inline]
    pub(super) fn slope(&self, slopes: &[[f64; MAX_PORTS]; MAX_PORTS], matrix: &mut [f64]) {
        let ports = self.ports;
        let mut columns = [0.0; MAX_PORTS + 1];
        for (row, places) in slopes.iter().zip(&self.places).take(ports) {
            let mut sum = 0.0;
            for ((slope, &place), column) in row.iter().zip(places).zip(&mut columns).take(ports) {
                matrix[place as usize] += slope;
                sum += slope;
                *column += slope;
            }
            matrix[places[ports] as usize] -= sum;
            columns[ports] -= sum;
        }
        for (column, &place) in columns.iter().zip(&self.places[ports]).take(ports + 1) {
            matrix[place as usize] -= column;
        }
    }
}
