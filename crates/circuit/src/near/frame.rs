//! The network's nodal equations, with a place for every entry that an
//! element or a device may change; a path elsewhere is an update ([`Extra`]).
//!
//! Every element is a conductance here, also those of milliohms: what a
//! difference of two voltages leaves of their currents acts across the element
//! alone, where it moves nothing. The unknowns are the node voltages; behind
//! them stands a place for the common node, which is always at nought.

use deadstage_parts::MAX_PORTS;

use super::pins::Block;
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
    /// The same, by the places of the unknowns.
    pub(super) port_ends: Vec<[u32; 2]>,
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
    /// Elements that differ from those of the known point.
    changed: Vec<usize>,
    /// Whether the known point's entries and no update stand in `matrix` and `extras` still.
    is_unsummed: bool,
    /// Whether it may be that the known point leaves over more than the changes say.
    is_distrusted: bool,
}

/// A path that is not as it is at the known point, and what that drives there.
#[derive(Clone, Copy, Debug)]
pub(super) struct Step {
    pub(super) from: u32,
    pub(super) to: u32,
    /// Which element; `None` for a path that the known point has not.
    pub(super) element: Option<usize>,
    /// Change of its conductance.
    pub(super) siemens: f64,
    /// Change of its current at the known point.
    pub(super) amps: f64,
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
            port_ends: Vec::new(),
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
        let ends = |socket: &Socket| {
            (0..socket.ports)
                .map(|p| socket.ends(p))
                .collect::<Vec<_>>()
        };
        this.port_ends = this.sockets.iter().flat_map(ends).collect();
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

    /// Lays the changed resistances and sources over the wires of `laid`, which holds
    /// those of the known point, `before`. The entries are left as they are there.
    pub(super) fn lay(
        &self,
        network: &Network,
        overlay: &[Change],
        before: &Laid,
        laid: &mut Laid,
    ) {
        laid.take_wires(before);
        let mut reaches_else = false;
        for change in overlay {
            match *change {
                Change::Ohms(element, ohms) => {
                    let index = element.0 as usize;
                    let wire = &mut laid.wires[index];
                    let siemens = 1.0 / ohms.max(LEAST_OHMS);
                    reaches_else |= (siemens > 0.0) != (wire.siemens > 0.0);
                    wire.siemens = siemens;
                    laid.note_changed(index);
                }
                Change::Emf(element, volts) => {
                    let index = element.0 as usize;
                    laid.wires[index].emf = volts;
                    laid.note_changed(index);
                }
                Change::Shunt { from, to, ohms } => {
                    let siemens = 1.0 / ohms.max(LEAST_OHMS);
                    if from != to && siemens > 0.0 {
                        reaches_else = true;
                        laid.wires.push(self.wire(from, to, siemens, 0.0));
                    }
                }
                Change::Pin { .. } | Change::Device(..) => {}
            }
        }
        if reaches_else {
            laid.strays = self.strays(network, &laid.wires);
        }
    }

    /// Brings the entries up to the wires as they are laid, where they are not yet;
    /// `slopes` adds those of the devices at the known point.
    pub(super) fn sum_laid(
        &self,
        network: &Network,
        before: &Laid,
        laid: &mut Laid,
        slopes: impl FnOnce(&mut [f64]),
    ) {
        if !std::mem::take(&mut laid.is_unsummed) {
            return;
        }
        let is_rounded = |&index: &usize| {
            let then = before.wires[index].siemens;
            laid.wires[index].siemens < then && then > LEAST_ROUNDED
        };
        if !laid.hangs_alike(before) || laid.changed.iter().any(is_rounded) {
            self.sum_up(laid);
            slopes(&mut laid.matrix);
        } else {
            laid.matrix.clone_from(&before.matrix);
            for &index in &laid.changed {
                let wire = laid.wires[index];
                let step = wire.siemens - before.wires[index].siemens;
                self.add(&wire, step, &mut laid.matrix);
            }
            for shunt in &laid.wires[self.elements..] {
                self.add(shunt, shunt.siemens, &mut laid.matrix);
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
    /// Takes over the wires of another, in the memory at hand, and none of its entries.
    fn take_wires(&mut self, other: &Self) {
        self.wires.clone_from(&other.wires);
        self.strays.clone_from(&other.strays);
        self.extras.clear();
        self.changed.clear();
        self.is_unsummed = true;
        self.is_distrusted = false;
    }

    fn note_changed(&mut self, index: usize) {
        if !self.changed.contains(&index) {
            self.changed.push(index);
        }
    }

    /// Forgets that the known point leaves nothing over.
    pub(super) fn distrust(&mut self) {
        self.is_distrusted = true;
    }

    /// Whether the same nodes hang on a leak.
    fn hangs_alike(&self, before: &Self) -> bool {
        // Mostly none: and a comparison of nothing at all costs some processors dearly
        // (a masked load from nowhere).
        let is_none = self.strays.is_empty() && before.strays.is_empty();
        is_none || self.strays == before.strays
    }

    /// Whether what the known point leaves over is what [`steps`](Self::steps) and the devices say.
    pub(super) fn is_beside(&self, before: &Self) -> bool {
        !self.is_distrusted && self.hangs_alike(before)
    }

    /// The paths that differ from those `before`, and what they drive at `x`.
    pub(super) fn steps<'l>(
        &'l self,
        before: &'l Self,
        x: &'l [f64],
    ) -> impl Iterator<Item = Step> + 'l {
        let elements = self.changed.iter().map(move |&index| {
            let (now, then) = (&self.wires[index], &before.wires[index]);
            Step {
                from: now.from,
                to: now.to,
                element: Some(index),
                siemens: now.siemens - then.siemens,
                amps: now.amps(x) - then.amps(x),
            }
        });
        let shunts = self.wires[before.wires.len()..]
            .iter()
            .map(move |wire| Step {
                from: wire.from,
                to: wire.to,
                element: None,
                siemens: wire.siemens,
                amps: wire.amps(x),
            });
        elements.chain(shunts)
    }

    /// Adds to `out` the currents out of every node through the wires, A x − s. `x`
    /// and `out` have a place for the common node behind the others.
    pub(super) fn leave(&self, x: &[f64], out: &mut [f64]) {
        let out = &mut out[..x.len()];
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

/// Voltage between two unknowns.
#[inline]
pub(super) fn between([from, to]: [u32; 2], x: &[f64]) -> f64 {
    x[from as usize] - x[to as usize]
}

impl Socket {
    /// How many ports.
    #[inline]
    pub(super) fn ports(&self) -> usize {
        self.ports
    }

    /// Voltages at the socket.
    #[inline]
    pub(super) fn volts(&self, x: &[f64]) -> [f64; MAX_PORTS] {
        match self.ports {
            1 => self.volts_of::<1>(x),
            2 => self.volts_of::<2>(x),
            3 => self.volts_of::<3>(x),
            _ => self.volts_of::<MAX_PORTS>(x),
        }
    }

    /// Voltages at the socket of a device of so many ports.
    #[inline]
    pub(super) fn volts_of<const N: usize>(&self, x: &[f64]) -> [f64; MAX_PORTS] {
        let common = x[self.nodes[N] as usize];
        let mut volts = [0.0; MAX_PORTS];
        for (v, &node) in volts.iter_mut().zip(&self.nodes[..N]) {
            *v = x[node as usize] - common;
        }
        volts
    }

    /// Ends of the path through a port.
    pub(super) fn ends(&self, port: usize) -> [u32; 2] {
        [self.nodes[port], self.nodes[self.ports]]
    }

    /// Adds currents into the ports to what leaves the nodes.
    #[inline]
    pub(super) fn draw(&self, amps: &[f64; MAX_PORTS], out: &mut [f64]) {
        match self.ports {
            1 => self.draw_of::<1>(amps, out),
            2 => self.draw_of::<2>(amps, out),
            3 => self.draw_of::<3>(amps, out),
            _ => self.draw_of::<MAX_PORTS>(amps, out),
        }
    }

    /// The same for a device of so many ports.
    #[inline]
    pub(super) fn draw_of<const N: usize>(&self, amps: &[f64; MAX_PORTS], out: &mut [f64]) {
        let mut sum = 0.0;
        for (amps, &node) in amps.iter().zip(&self.nodes[..N]) {
            out[node as usize] += amps;
            sum += amps;
        }
        out[self.nodes[N] as usize] -= sum;
    }

    /// By port, what a current into another does to it, by the entries of an inverse.
    pub(super) fn ohms(&self, inverse: &[f64]) -> Block {
        let entry = |row: usize, column: usize| inverse[self.places[row][column] as usize];
        let common = self.ports;
        let mut block = Block::default();
        for (p, row) in block.iter_mut().enumerate().take(self.ports) {
            for (q, ohms) in row.iter_mut().enumerate().take(self.ports) {
                *ohms = entry(p, q) - entry(p, common) - entry(common, q) + entry(common, common);
            }
        }
        block
    }

    /// Adds what changes slopes `from` to `to` to the entries of a matrix.
    pub(super) fn turn(&self, to: &Block, from: &Block, matrix: &mut [f64]) {
        match self.ports {
            1 => self.turn_of::<1>(to, from, matrix),
            2 => self.turn_of::<2>(to, from, matrix),
            3 => self.turn_of::<3>(to, from, matrix),
            _ => self.turn_of::<MAX_PORTS>(to, from, matrix),
        }
    }

    #[inline]
    fn turn_of<const N: usize>(&self, to: &Block, from: &Block, matrix: &mut [f64]) {
        let mut columns = [0.0; MAX_PORTS + 1];
        for p in 0..N {
            let mut sum = 0.0;
            for q in 0..N {
                let step = to[p][q] - from[p][q];
                matrix[self.places[p][q] as usize] += step;
                sum += step;
                columns[q] += step;
            }
            matrix[self.places[p][N] as usize] -= sum;
            columns[N] -= sum;
        }
        for (column, &place) in columns.iter().zip(&self.places[N]).take(N + 1) {
            matrix[place as usize] -= column;
        }
    }
}
