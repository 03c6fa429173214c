//! A known operating point, the equations about it, and how far its devices bend.

use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, OnceLock};

use deadstage_parts::{MAX_PORTS, PortCurrents, PortVolts};

use crate::equations::factors::Factors;
use crate::equations::linearisation::Linearisation;
use crate::equations::pattern::{NodalPattern, between};
use crate::equations::pins::{Block, along};
use crate::equations::stamped::{Companion, StampedEquations};
use crate::equations::tap::Tap;
use crate::network::Network;
use crate::situation::Values;
use crate::state::PortState;

/// Steps of a port by which it is known how far a device leaves its tangent, volts, rising.
const BEND_STEPS: [f64; 2] = [0.03, 1.0];

/// The step by which it is known how far a device bends close by, volts.
const CLOSE_STEP: f64 = 0.01;

/// A device that by its known bends leaves its tangent by less than this is
/// taken to stay on it: volts at its own ports, and share of its slopes.
const STRAIGHT: (f64, f64) = (5e-5, 5e-3);

/// How many times as far as at the known point a device's currents may reach before it must be looked at how far.
const MUCH_WIDER: f64 = 10.0;

/// How far a device leaves its tangent.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct NonlinearityBound {
    /// In its currents, as [`effect`].
    pub(crate) volts: f64,
    /// In its slopes, as [`turn`].
    pub(crate) turn: f64,
}

impl NonlinearityBound {
    /// The larger of each.
    fn most(self, other: Self) -> Self {
        Self {
            volts: self.volts.max(other.volts),
            turn: self.turn.max(other.turn),
        }
    }
}

/// A known operating point with the equations about it.
#[derive(Clone, Debug)]
pub(crate) struct ExpansionPoint {
    /// Elements and devices as they are there.
    pub(crate) values: Values,
    /// Port voltages, currents and slopes.
    pub(crate) state: PortState,
    /// Node voltages, and behind them the common's.
    pub(crate) unknowns: Vec<f64>,
    /// By device.
    pub(crate) linearisations: Vec<Linearisation>,
    /// The linear part; in its matrix every device with its slopes.
    pub(crate) stamped: StampedEquations,
    factors: Factors,
    /// By device, what is known of how it leaves its tangent; made at first need.
    bends: Vec<OnceLock<NonlinearityBounds>>,
    /// What a current does to every node, by element that it goes through and by port;
    /// made at first need, and none in a network too large to keep them.
    element_columns: Vec<Column>,
    port_columns: Vec<Column>,
    /// By parameter, what a trait does to its device's port currents; made at first need.
    pub(crate) traits: OnceLock<Vec<[f64; MAX_PORTS]>>,
    /// By port, the resistance that it sees; made at first need, and empty in a network too large to keep columns.
    port_ohms: OnceLock<Vec<f64>>,
    /// By device, how it is with every source dead; made at first need, and empty if that can't be solved.
    pub(crate) unfed: OnceLock<Vec<Linearisation>>,
    /// What meters show here whose load had to be solved.
    loads: Arc<Mutex<KnownLoads>>,
}

/// Volts at every node for a current of one ampere.
type Column = OnceLock<Box<[f64]>>;

/// Nodes up to which columns are kept: their memory goes with the square of this.
const MOST_KEPT: usize = 400;

/// Which path a column belongs to.
#[derive(Clone, Copy, Debug)]
pub(crate) enum KeptColumn {
    Element(usize),
    Port(usize),
}

/// How a device leaves its tangent about the known point.
#[derive(Clone, Debug)]
struct NonlinearityBounds {
    /// By port, the most that a current into it moves any of them, ohms.
    reach: [f64; MAX_PORTS],
    /// By port, how far the device leaves the tangent for steps of it.
    steps: [[NonlinearityBound; BEND_STEPS.len()]; MAX_PORTS],
}

/// Meters once asked for, with what they show: by their nodes, and the bits of their ohms.
type KnownLoads = BTreeMap<(usize, usize, u64), Arc<KnownLoad>>;

/// A meter's place and resistance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct MeterLoad {
    pub(crate) from: usize,
    pub(crate) to: usize,
    pub(crate) ohms: f64,
}

/// What a meter shows at a known point.
#[derive(Clone, Debug)]
pub(crate) struct KnownLoad {
    /// Volts without the meter.
    pub(crate) bare: f64,
    /// Resistance that the meter sees, ohms.
    pub(crate) source: f64,
    /// Volts shown.
    pub(crate) shown: f64,
    /// Change of what is shown, with every parameter.
    pub(crate) gradient: Vec<f64>,
}

impl ExpansionPoint {
    /// The equations about these node voltages (in the order of the unknowns, behind them the common's) and port
    /// voltages, which need be no solution. `None`: a pivot is no number other than 0.
    pub(crate) fn at(
        network: &Network,
        pattern: &NodalPattern,
        values: Values,
        companions: &[Companion],
        unknowns: Vec<f64>,
        state: PortState,
    ) -> Option<Self> {
        let kept = |count| {
            let is_kept = pattern.elimination.size() <= MOST_KEPT;
            vec![Column::new(); if is_kept { count } else { 0 }]
        };
        let mut this = Self {
            stamped: pattern.stamped(network, &values, companions),
            values,
            linearisations: state.linearisations(network),
            state,
            unknowns,
            factors: Factors::default(),
            bends: vec![OnceLock::new(); network.devices.len()],
            element_columns: kept(network.elements.len()),
            port_columns: kept(network.port_count),
            traits: OnceLock::new(),
            port_ohms: OnceLock::new(),
            unfed: OnceLock::new(),
            loads: Arc::default(),
        };
        let mut matrix = std::mem::take(&mut this.stamped.matrix);
        this.add_slopes(pattern, &mut matrix);
        this.stamped.matrix = matrix;
        this.factors.begin(&this.stamped);
        this.factors.finish(&pattern.elimination, &[])?;
        Some(this)
    }

    /// Looks how every device bends by a small step of each port.
    pub(crate) fn note_departures(&mut self, network: &Network) {
        for (device, slot) in network.devices.iter().enumerate() {
            if !self.values.present[device] {
                continue;
            }
            let look = &mut self.linearisations[device];
            for port in 0..slot.ports.len() {
                for step in [CLOSE_STEP, -CLOSE_STEP] {
                    let mut off = [0.0; MAX_PORTS];
                    off[port] = step;
                    let volts = std::array::from_fn(|p| look.volts[p] + off[p]);
                    let now = self.values.device_currents(network, device, &volts);
                    let tangent =
                        along::<MAX_PORTS>(&look.currents.amps, &look.currents.siemens, &off);
                    look.note_departure(&now.amps, &tangent, &off);
                }
            }
        }
    }

    /// Brings the entries of `stamped` up to its wires.
    pub(crate) fn sum_stamped(
        &self,
        network: &Network,
        pattern: &NodalPattern,
        stamped: &mut StampedEquations,
    ) {
        pattern.sum_stamped(network, &self.stamped, stamped, |matrix| {
            self.add_slopes(pattern, matrix);
        });
    }

    /// Adds every device's slopes to a matrix that has none.
    fn add_slopes(&self, pattern: &NodalPattern, matrix: &mut [f64]) {
        for (device, look) in self.linearisations.iter().enumerate() {
            let socket = pattern.socket(device);
            socket.turn(&look.currents.siemens, &Block::default(), matrix);
        }
    }

    /// What is known of how a device bends.
    fn bends(
        &self,
        network: &Network,
        pattern: &NodalPattern,
        device: usize,
    ) -> &NonlinearityBounds {
        self.bends[device].get_or_init(|| self.find_bends(network, pattern, device))
    }

    /// For every port of a device, the larger effect of a step up or down.
    fn find_bends(
        &self,
        network: &Network,
        pattern: &NodalPattern,
        device: usize,
    ) -> NonlinearityBounds {
        let slot = &network.devices[device];
        let ports = slot.ports.len();
        let taps: Vec<Tap> = slot
            .ports
            .iter()
            .map(|&port| pattern.tap(port, slot.common))
            .collect();
        let mut block = Block::default();
        for (p, &by) in taps.iter().enumerate() {
            let column = self.column(pattern, by);
            for (row, at) in block.iter_mut().zip(&taps) {
                row[p] = at.of(&column);
            }
        }
        let mut bends = NonlinearityBounds {
            reach: reach(&block),
            steps: [[NonlinearityBound::default(); BEND_STEPS.len()]; MAX_PORTS],
        };
        if !self.values.present[device] {
            return bends;
        }
        let at = self.linearisations[device].volts;
        let bend = |there: &PortVolts| {
            let now = self.values.device_currents(network, device, there);
            let mut out = [0.0; MAX_PORTS];
            self.departures(device, &now, &there[..ports], &mut out);
            NonlinearityBound {
                volts: effect(&bends.reach, &out),
                turn: turn(&bends.reach, &now, &self.linearisations[device].currents),
            }
        };
        bends.steps = std::array::from_fn(|port| {
            BEND_STEPS.map(|step| {
                let [up, down] = [step, -step].map(|step| {
                    let mut there = at;
                    there[port] += step;
                    bend(&there)
                });
                up.most(down)
            })
        });
        bends
    }

    /// Currents of a device less its tangent, for volts at its socket.
    fn departures(&self, device: usize, now: &PortCurrents, socket: &[f64], out: &mut [f64]) {
        let look = &self.linearisations[device];
        for (p, out) in out.iter_mut().enumerate().take(socket.len()) {
            let tangent: f64 = socket
                .iter()
                .enumerate()
                .map(|(q, v)| look.currents.siemens[p][q] * (v - look.volts[q]))
                .sum();
            *out = now.amps[p] - look.currents.amps[p] - tangent;
        }
    }

    /// Whether a device at these volts, its ports' currents reaching as far as
    /// `now_reach` (unless given, not so many times as far as they did), is known to be on its tangent still.
    pub(crate) fn stays(
        &self,
        network: &Network,
        pattern: &NodalPattern,
        device: usize,
        volts: &PortVolts,
        now_reach: Option<&[f64; MAX_PORTS]>,
    ) -> bool {
        let ports = network.devices[device].ports.len();
        let then = &self.linearisations[device].volts;
        let bends = self.bends(network, pattern, device);
        let (mut root, mut turn) = (0.0, 0.0);
        for (port, by_step) in bends.steps.iter().enumerate().take(ports) {
            let size = (volts[port] - then[port]).abs();
            let Some((bend, unit)) = by_step
                .iter()
                .zip(BEND_STEPS)
                .find(|(_, unit)| size <= 1.5 * unit)
            else {
                return false;
            };
            // Departures go with the square of the step, slopes with the step.
            root += bend.volts.sqrt() * size / unit;
            turn += bend.turn * size / unit;
        }
        // The bends are of ports that reached as far as they did.
        let wider = now_reach.map_or(MUCH_WIDER, |now_reach| {
            let pairs = now_reach.iter().zip(&bends.reach).take(ports);
            pairs.map(|(now, then)| now / then).fold(1.0, f64::max)
        });
        root * root * wider < STRAIGHT.0 && turn * wider < STRAIGHT.1
    }

    /// What a meter shows at this point itself; `find` is asked the first time.
    pub(crate) fn loaded(
        &self,
        load: MeterLoad,
        find: impl FnOnce() -> Option<KnownLoad>,
    ) -> Option<Arc<KnownLoad>> {
        let key = (load.from, load.to, load.ohms.to_bits());
        let known = self.loads.lock().ok()?.get(&key).map(Arc::clone);
        if known.is_some() {
            return known;
        }
        let found = Arc::new(find()?);
        let mut list = self.loads.lock().ok()?;
        Some(Arc::clone(list.entry(key).or_insert(found)))
    }

    /// How many pivots of the equations here are below nought: none where no loop of devices feeds back on itself.
    pub(crate) fn negative_pivots(&self, pattern: &NodalPattern) -> usize {
        self.factors.negative_pivots(&pattern.elimination)
    }

    /// Solves the equations here, in place.
    pub(crate) fn solve(&self, pattern: &NodalPattern, b: &mut [f64]) {
        self.factors.solve_bare(&pattern.elimination, b);
    }

    /// Puts behind `columns` what a current from one end of a path to the other does to every node here.
    pub(crate) fn append_column(
        &self,
        pattern: &NodalPattern,
        place: Option<KeptColumn>,
        ends: [u32; 2],
        columns: &mut Vec<f64>,
    ) {
        let kept = match place {
            Some(KeptColumn::Element(index)) => self.element_columns.get(index),
            Some(KeptColumn::Port(index)) => self.port_columns.get(index),
            None => None,
        };
        match kept {
            Some(kept) => columns.extend_from_slice(self.keep(pattern, ends, kept)),
            None => columns.extend(self.column_between(pattern, ends)),
        }
    }

    fn keep<'k>(&self, pattern: &NodalPattern, ends: [u32; 2], kept: &'k Column) -> &'k [f64] {
        kept.get_or_init(|| self.column_between(pattern, ends).into_boxed_slice())
    }

    fn column_between(&self, pattern: &NodalPattern, ends: [u32; 2]) -> Vec<f64> {
        let mut column = vec![0.0; pattern.elimination.size() + 1];
        column[ends[0] as usize] += 1.0;
        column[ends[1] as usize] -= 1.0;
        self.solve(pattern, &mut column);
        column
    }

    /// By port, the resistance that it sees here, its own device at work; empty in a network too large to know.
    pub(crate) fn port_ohms(&self, pattern: &NodalPattern) -> &[f64] {
        self.port_ohms.get_or_init(|| {
            let ports = self.port_columns.iter().zip(&pattern.port_ends);
            let seen =
                ports.map(|(kept, &ends)| between(ends, self.keep(pattern, ends, kept)).abs());
            seen.collect()
        })
    }

    /// What a current through a tap does to every node here.
    pub(crate) fn column(&self, pattern: &NodalPattern, tap: Tap) -> Vec<f64> {
        let mut column = vec![0.0; pattern.elimination.size() + 1];
        tap.add_to(&mut column, 1.0);
        self.solve(pattern, &mut column);
        column
    }
}

/// By port, the most that a current into it moves any port of the device, ohms.
pub(crate) fn reach(block: &Block) -> [f64; MAX_PORTS] {
    std::array::from_fn(|p| block.iter().map(|at| at[p].abs()).fold(0.0, f64::max))
}

/// By how much currents into a device's ports, which `reach` so far, move any of them at most, volts.
pub(crate) fn effect(reach: &[f64; MAX_PORTS], amps: &[f64; MAX_PORTS]) -> f64 {
    amps.iter()
        .zip(reach)
        .map(|(i, ohms)| i.abs() * ohms)
        .fold(0.0, f64::max)
}

/// By how much a device's slopes differ from those `then`, as a share of what its
/// ports, whose currents `reach` so far, see of them.
pub(crate) fn turn(reach: &[f64; MAX_PORTS], now: &PortCurrents, then: &PortCurrents) -> f64 {
    let mut most = 0.0f64;
    for ((ohms, now), then) in reach.iter().zip(&now.siemens).zip(&then.siemens) {
        for (now, then) in now.iter().zip(then) {
            most = most.max((now - then).abs() * ohms / (1.0 + then.abs() * ohms));
        }
    }
    most
}
