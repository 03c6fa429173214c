//! A known operating point, the equations about it, and how far its devices bend.

use std::sync::{Arc, Mutex, OnceLock};

use deadstage_parts::{Device, MAX_PORTS, PortCurrents, PortVolts};

use super::factors::Factors;
use super::frame::{Frame, Laid, between};
use super::look::Look;
use super::newton::{Settled, Settling};
use super::pins::{Block, along};
use crate::base::{Base, Scratch};
use crate::linear::Tap;
use crate::network::{DeviceId, DeviceSlot, ElementId, Network};
use crate::operating::OperatingPoint;
use crate::overlay::{Change, DeviceChange, Overlay};
use crate::ports::PortState;
use crate::situation::Values;

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
pub(super) struct Bend {
    /// In its currents, as [`effect`].
    pub(super) volts: f64,
    /// In its slopes, as [`turn`].
    pub(super) turn: f64,
}

impl Bend {
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
pub(crate) struct Centre {
    /// Elements and devices as they are there.
    pub(crate) values: Values,
    /// Port voltages, currents and slopes.
    pub(crate) state: PortState,
    /// Node voltages, and behind them the common's.
    pub(crate) unknowns: Vec<f64>,
    /// By device.
    pub(super) looks: Vec<Look>,
    /// The linear part; in its matrix every device with its slopes.
    pub(super) laid: Laid,
    factors: Factors,
    /// By device, what is known of how it leaves its tangent; made at first need.
    bends: Vec<OnceLock<Bends>>,
    /// What a current does to every node, by element that it goes through and by port;
    /// made at first need, and none in a network too large to keep them.
    element_columns: Vec<Column>,
    port_columns: Vec<Column>,
    /// By parameter, what a trait does to its device's port currents.
    pub(crate) traits: Vec<[f64; MAX_PORTS]>,
    /// By port, the resistance that it sees; made at first need, and empty in a network too large to keep columns.
    port_ohms: OnceLock<Vec<f64>>,
    /// By device, how it is with every source dead; made at first need, and empty if that can't be solved.
    dead: OnceLock<Vec<Look>>,
    /// What meters show here whose load had to be solved.
    loads: Arc<Mutex<KnownLoads>>,
}

/// Volts at every node for a current of one ampere.
type Column = OnceLock<Box<[f64]>>;

/// Nodes up to which columns are kept: their memory goes with the square of this.
const MOST_KEPT: usize = 400;

/// Which path a column belongs to.
#[derive(Clone, Copy, Debug)]
pub(super) enum Place {
    Element(usize),
    Port(usize),
}

/// How a device leaves its tangent about the known point.
#[derive(Clone, Debug)]
struct Bends {
    /// By port, the most that a current into it moves any of them, ohms.
    reach: [f64; MAX_PORTS],
    /// By port, how far the device leaves the tangent for steps of it.
    steps: [[Bend; BEND_STEPS.len()]; MAX_PORTS],
}

/// Meters once asked for, with what they show.
type KnownLoads = Vec<(Load, Arc<Loaded>)>;

/// A meter's place and resistance.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Load {
    pub(super) from: usize,
    pub(super) to: usize,
    pub(super) ohms: f64,
}

/// What a meter shows at a known point.
#[derive(Clone, Debug)]
pub(super) struct Loaded {
    /// Volts without the meter.
    pub(super) bare: f64,
    /// Resistance that the meter sees, ohms.
    pub(super) source: f64,
    /// Volts shown.
    pub(super) shown: f64,
    /// Change of what is shown, with every parameter.
    pub(super) gradient: Vec<f64>,
}

impl Centre {
    /// The equations about `point`. `None`: they are not to be factored as they come.
    pub(super) fn new(
        base: &Base<'_>,
        frame: &Frame,
        point: &OperatingPoint<'_>,
        scratch: &mut Scratch,
    ) -> Option<Self> {
        let network = base.network;
        let kept = |count| {
            let is_kept = frame.pattern.size() <= MOST_KEPT;
            vec![Column::new(); if is_kept { count } else { 0 }]
        };
        let unknowns = frame.in_order(&point.unknowns()[..frame.pattern.size()]);
        let values = point.values().clone();
        let mut this = Self {
            laid: frame.laid(network, &values),
            values,
            state: point.state().clone(),
            unknowns,
            looks: Vec::new(),
            factors: Factors::default(),
            bends: vec![OnceLock::new(); network.devices.len()],
            element_columns: kept(network.elements.len()),
            port_columns: kept(network.port_count),
            traits: point.traits().to_vec(),
            port_ohms: OnceLock::new(),
            dead: OnceLock::new(),
            loads: Arc::default(),
        };
        this.turn_to_state(network, frame)?;
        // The same point to the last digit of these equations.
        frame.lay(network, &[], &this.laid, &mut scratch.near.laid);
        scratch.near.laid.distrust();
        let settling = Settling {
            base,
            frame,
            centre: &this,
            overlay: &[],
            values: &this.values,
        };
        let Settled { state, unknowns } = settling.settle(None, &mut scratch.near)?;
        this.state = state;
        this.unknowns = unknowns;
        this.laid = frame.laid(network, &this.values);
        this.turn_to_state(network, frame)?;
        this.note_bends(network);
        Some(this)
    }

    /// Looks how every device bends by a small step of each port.
    fn note_bends(&mut self, network: &Network) {
        for (device, slot) in network.devices.iter().enumerate() {
            if !self.values.present[device] {
                continue;
            }
            let look = &mut self.looks[device];
            for port in 0..slot.ports.len() {
                for step in [CLOSE_STEP, -CLOSE_STEP] {
                    let mut off = [0.0; MAX_PORTS];
                    off[port] = step;
                    let volts = std::array::from_fn(|p| look.volts[p] + off[p]);
                    let now = slot.law.currents(&volts, &self.values.conditions[device]);
                    let tangent =
                        along::<MAX_PORTS>(&look.currents.amps, &look.currents.siemens, &off);
                    look.note_bend_to(&now.amps, &tangent, &off);
                }
            }
        }
    }

    /// Takes the devices as they are in the state into the matrix, which has none yet.
    fn turn_to_state(&mut self, network: &Network, frame: &Frame) -> Option<()> {
        self.looks = looks(network, &self.state);
        let mut matrix = std::mem::take(&mut self.laid.matrix);
        self.add_slopes(frame, &mut matrix);
        self.laid.matrix = matrix;
        self.factors.begin(&self.laid);
        self.factors.finish(&frame.pattern, &[])
    }

    /// How a device is in the same network with every source dead, where that is known.
    pub(super) fn dead_look(&self, base: &Base<'_>, device: usize) -> Option<&Look> {
        let find = || {
            let sources = (0u32..).zip(&self.values.elements);
            let sources = sources.filter(|(_, value)| value.emf != 0.0);
            let off = sources.map(|(id, _)| Change::Emf(ElementId(id), 0.0));
            let rectifiers = (0u32..).zip(&base.network.devices);
            let rectifiers =
                rectifiers.filter(|(_, slot)| matches!(slot.law, Device::Rectifier(_)));
            let out = rectifiers.map(|(id, _)| Change::Device(DeviceId(id), DeviceChange::Absent));
            let dead: Overlay = off.chain(out).collect();
            // The caller's buffers are in use.
            let scratch = &mut Scratch::default();
            let point = base.solve_fixed(&dead, None, scratch);
            point.map_or_else(|_| Vec::new(), |point| looks(base.network, point.state()))
        };
        let slot = &base.network.devices[device];
        let is_supply = matches!(slot.law, Device::Rectifier(_));
        let known = self.dead.get_or_init(find).get(device);
        known.filter(|_| !is_supply)
    }

    /// Brings the entries of `laid` up to its wires.
    pub(super) fn sum_laid(&self, network: &Network, frame: &Frame, laid: &mut Laid) {
        frame.sum_laid(network, &self.laid, laid, |matrix| {
            self.add_slopes(frame, matrix);
        });
    }

    /// Adds every device's slopes to a matrix that has none.
    fn add_slopes(&self, frame: &Frame, matrix: &mut [f64]) {
        for (device, look) in self.looks.iter().enumerate() {
            let socket = frame.socket(device);
            socket.turn(&look.currents.siemens, &Block::default(), matrix);
        }
    }

    /// What is known of how a device bends.
    fn bends(&self, frame: &Frame, device: usize, slot: &DeviceSlot) -> &Bends {
        self.bends[device].get_or_init(|| self.find_bends(frame, device, slot))
    }

    /// For every port of a device, the larger effect of a step up or down.
    fn find_bends(&self, frame: &Frame, device: usize, slot: &DeviceSlot) -> Bends {
        let ports = slot.ports.len();
        let taps: Vec<Tap> = slot
            .ports
            .iter()
            .map(|&port| frame.tap(port, slot.common))
            .collect();
        let mut block = Block::default();
        for (p, &by) in taps.iter().enumerate() {
            let column = self.column(frame, by);
            for (row, at) in block.iter_mut().zip(&taps) {
                row[p] = at.of(&column);
            }
        }
        let mut bends = Bends {
            reach: reach(&block),
            steps: [[Bend::default(); BEND_STEPS.len()]; MAX_PORTS],
        };
        if !self.values.present[device] {
            return bends;
        }
        let at = self.looks[device].volts;
        let bend = |there: &PortVolts| {
            let now = slot.law.currents(there, &self.values.conditions[device]);
            let mut out = [0.0; MAX_PORTS];
            self.departures(device, &now, &there[..ports], &mut out);
            Bend {
                volts: effect(&bends.reach, &out),
                turn: turn(&bends.reach, &now, &self.looks[device].currents),
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
        let look = &self.looks[device];
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
    pub(super) fn stays(
        &self,
        frame: &Frame,
        device: usize,
        slot: &DeviceSlot,
        volts: &PortVolts,
        now_reach: Option<&[f64; MAX_PORTS]>,
    ) -> bool {
        let ports = slot.ports.len();
        let then = &self.looks[device].volts;
        let bends = self.bends(frame, device, slot);
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
    pub(super) fn loaded(
        &self,
        load: Load,
        find: impl FnOnce() -> Option<Loaded>,
    ) -> Option<Arc<Loaded>> {
        let known = |list: &[(Load, Arc<Loaded>)]| {
            let found = list.iter().find(|(known, _)| *known == load)?;
            Some(Arc::clone(&found.1))
        };
        if let Some(found) = known(&self.loads.lock().ok()?) {
            return Some(found);
        }
        let found = Arc::new(find()?);
        let mut list = self.loads.lock().ok()?;
        if known(&list).is_none() {
            list.push((load, Arc::clone(&found)));
        }
        Some(found)
    }

    /// Solves the equations here, in place.
    pub(super) fn solve(&self, frame: &Frame, b: &mut [f64]) {
        self.factors.solve_bare(&frame.pattern, b);
    }

    /// Puts behind `columns` what a current from one end of a path to the other does to every node here.
    pub(super) fn append_column(
        &self,
        frame: &Frame,
        place: Option<Place>,
        ends: [u32; 2],
        columns: &mut Vec<f64>,
    ) {
        let kept = match place {
            Some(Place::Element(index)) => self.element_columns.get(index),
            Some(Place::Port(index)) => self.port_columns.get(index),
            None => None,
        };
        match kept {
            Some(kept) => columns.extend_from_slice(self.keep(frame, ends, kept)),
            None => columns.extend(self.column_between(frame, ends)),
        }
    }

    fn keep<'k>(&self, frame: &Frame, ends: [u32; 2], kept: &'k Column) -> &'k [f64] {
        kept.get_or_init(|| self.column_between(frame, ends).into_boxed_slice())
    }

    fn column_between(&self, frame: &Frame, ends: [u32; 2]) -> Vec<f64> {
        let mut column = vec![0.0; frame.pattern.size() + 1];
        column[ends[0] as usize] += 1.0;
        column[ends[1] as usize] -= 1.0;
        self.solve(frame, &mut column);
        column
    }

    /// By port, the resistance that it sees here, its own device at work; empty in a network too large to know.
    pub(super) fn port_ohms(&self, frame: &Frame) -> &[f64] {
        self.port_ohms.get_or_init(|| {
            let ports = self.port_columns.iter().zip(&frame.port_ends);
            let seen = ports.map(|(kept, &ends)| between(ends, self.keep(frame, ends, kept)).abs());
            seen.collect()
        })
    }

    /// What a current through a tap does to every node here.
    pub(super) fn column(&self, frame: &Frame, tap: Tap) -> Vec<f64> {
        let mut column = vec![0.0; frame.pattern.size() + 1];
        tap.add_to(&mut column, 1.0);
        self.solve(frame, &mut column);
        column
    }
}

/// Every device as it is in a state.
fn looks(network: &Network, state: &PortState) -> Vec<Look> {
    let pairs = network.devices.iter().zip(&state.currents);
    pairs
        .map(|(slot, currents)| {
            let mut look = Look::new([0.0; MAX_PORTS], *currents);
            let range = slot.first_port..slot.first_port + slot.ports.len();
            look.volts[..slot.ports.len()].copy_from_slice(&state.volts[range.clone()]);
            look.currents.amps[..slot.ports.len()].copy_from_slice(&state.amps[range]);
            look
        })
        .collect()
}

/// By port, the most that a current into it moves any port of the device, ohms.
pub(super) fn reach(block: &Block) -> [f64; MAX_PORTS] {
    std::array::from_fn(|p| block.iter().map(|at| at[p].abs()).fold(0.0, f64::max))
}

/// By how much currents into a device's ports, which `reach` so far, move any of them at most, volts.
pub(super) fn effect(reach: &[f64; MAX_PORTS], amps: &[f64; MAX_PORTS]) -> f64 {
    amps.iter()
        .zip(reach)
        .map(|(i, ohms)| i.abs() * ohms)
        .fold(0.0, f64::max)
}

/// By how much a device's slopes differ from those `then`, as a share of what its
/// ports, whose currents `reach` so far, see of them.
pub(super) fn turn(reach: &[f64; MAX_PORTS], now: &PortCurrents, then: &PortCurrents) -> f64 {
    let mut most = 0.0f64;
    for ((ohms, now), then) in reach.iter().zip(&now.siemens).zip(&then.siemens) {
        for (now, then) in now.iter().zip(then) {
            most = most.max((now - then).abs() * ohms / (1.0 + then.abs() * ohms));
        }
    }
    most
}

/// `target += factor · source`.
#[inline]
pub(super) fn add_scaled(target: &mut [f64], factor: f64, source: &[f64]) {
    if factor != 0.0 {
        for (t, s) in target.iter_mut().zip(source) {
            *t += factor * s;
        }
    }
}
