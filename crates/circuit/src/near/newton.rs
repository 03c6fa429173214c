//! Newton's method in the nodes, from a known point, with sparse factors.
//!
//! Every step solves J d = F with F the current left over at each node, summed
//! up element by element so that nothing but the last digit of a voltage is lost,
//! and J in a pattern known beforehand. Which devices are asked for
//! their currents again follows from how far their electrodes moved. As F is
//! exact, what a factor loses costs a step and not a digit of the answer.
//! Resistance in a device's pins: `pins.rs`.

use deadstage_parts::{MAX_PORTS, PortCurrents, PortVolts};

use super::centre::Centre;
use super::factors::Factors;
use super::frame::{Frame, Laid, Socket};
use super::pins::{Block, Pinned, along, pins, times_vector};
use crate::base::Base;
use crate::overlay::Change;
use crate::ports::{LEAST_DAMPING, MOST_VOLTS, PortState};
use crate::situation::Values;

/// A device whose electrodes moved less than this since it was last asked is not asked again,
/// volts: against a grid's tenth of a volt what its slopes leave out is nothing.
const ALONG_SLOPES: f64 = 1e-6;

/// A device whose currents a step takes off their tangents by less than this share of themselves is not
/// asked either, by how they bent over the last step, which must have been so many times as long.
const STRAIGHT_SHARE: f64 = 1e-11;

/// See [`STRAIGHT_SHARE`]; also by how much a device may bend more than it did.
const BEND_CARE: f64 = 20.0;

/// No step longer than this, volts, is trusted to be straight: it is far below the roundness of any law's corners.
const LONGEST_STRAIGHT: f64 = 1e-3;

/// What a start may differ from the known point before it is one of its own, volts.
const SAME_START: f64 = 1e-9;

/// An error that remains, volts and ratio.
const SETTLED: (f64, f64) = (5e-11, 1e-10);

/// Over how many volts the sharpest corner of a law is rounded: a step turns slopes by its share of this.
const ROUNDED_OVER: f64 = 0.025;

/// Slopes that a step turned by more than this share are not those that a correction may be made with.
const MOST_TURNED: f64 = 0.5;

/// What is left of a correction at best, if the factors have lost nearly all digits.
const LEAST_SHARE: f64 = 0.05;

/// A step no larger than this that nothing improves is rounding, volts: a node
/// that hangs on leaks alone is known no better.
const ROUNDING: f64 = 1e-6;

/// What may be between where a device was last asked and its socket at the end, volts.
const JOINED: f64 = 2.0 * LONGEST_STRAIGHT;

/// Steps of the devices' voltages below this, as a ratio, are nothing; the other nodes may still have to follow.
const NOTHING: f64 = 1e-13;

/// Steps before giving up.
const MOST_STEPS: usize = 40;

/// Where the devices ended.
#[derive(Clone, Debug)]
pub(super) struct Settled {
    /// Port voltages at the devices themselves, currents and slopes.
    pub(super) state: PortState,
    /// Node voltages, and behind them the common's.
    pub(super) unknowns: Vec<f64>,
}

/// A device as it was last asked.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Look {
    /// At its electrodes.
    pub(super) volts: PortVolts,
    pub(super) currents: PortCurrents,
    /// By port, how far its current left its tangent, A,
    pub(super) leaves: [f64; MAX_PORTS],
    /// over steps of the ports of so many volts; 0 if it was not seen.
    pub(super) span: PortVolts,
}

impl Look {
    /// Notes how far currents `amps` at these steps leave the tangent `along`.
    pub(super) fn note_bend(
        &mut self,
        amps: &[f64; MAX_PORTS],
        along: &[f64; MAX_PORTS],
        steps: &PortVolts,
    ) {
        for (span, step) in self.span.iter_mut().zip(steps) {
            *span = span.max(step.abs());
        }
        for ((leaves, amps), along) in self.leaves.iter_mut().zip(amps).zip(along) {
            *leaves = leaves.max((amps - along).abs());
        }
    }

    /// Forgets how the device bent.
    fn forget_bend(&mut self) {
        self.span = PortVolts::default();
        self.leaves = [0.0; MAX_PORTS];
    }

    /// Whether these steps leave the tangent by nothing that counts. The share that a port goes
    /// of what it went before is its own: a grid's volt is not a plate's.
    fn is_straight(&self, steps: &PortVolts) -> bool {
        let mut share = 0.0f64;
        for (step, span) in steps.iter().zip(&self.span) {
            if *step != 0.0 {
                // What is no number is not straight.
                let is_short = step.abs() <= LONGEST_STRAIGHT && BEND_CARE * step.abs() <= *span;
                if !is_short {
                    return false;
                }
                share = share.max(step.abs() / span);
            }
        }
        let squared = BEND_CARE * share * share;
        let mut ports = self.leaves.iter().zip(&self.currents.amps);
        ports.all(|(leaves, amps)| leaves * squared <= STRAIGHT_SHARE * amps.abs())
    }
}

/// Adds what changes the slopes of a device `from` to `to`.
pub(super) fn turn(socket: &Socket, to: &Block, from: &Block, matrix: &mut [f64]) {
    let step: Block = std::array::from_fn(|p| std::array::from_fn(|q| to[p][q] - from[p][q]));
    socket.slope(&step, matrix);
}

/// Buffers used again from solution to solution.
#[derive(Clone, Debug, Default)]
pub(crate) struct NearScratch {
    pub(super) values: Values,
    pub(super) laid: Laid,
    factors: Factors,
    looks: Vec<Look>,
    fresh: Vec<Look>,
    is_fresh: Vec<bool>,
    /// Devices with other slopes than at the known point.
    turned: Vec<usize>,
    is_turned: Vec<bool>,
    pinned: Vec<Pinned>,
    x: Vec<f64>,
    trial: Vec<f64>,
    residual: Vec<f64>,
    next: Vec<f64>,
    step: Vec<f64>,
    correction: Vec<f64>,
}

/// The problem at hand.
pub(super) struct Settling<'a> {
    pub(super) base: &'a Base<'a>,
    pub(super) frame: &'a Frame,
    pub(super) centre: &'a Centre,
    pub(super) overlay: &'a [Change],
}

impl Settling<'_> {
    fn ask(&self, values: &Values, device: usize, volts: &PortVolts) -> PortCurrents {
        if !values.present[device] {
            return PortCurrents::default();
        }
        let slot = &self.base.network.devices[device];
        slot.law.currents(volts, &values.conditions[device])
    }

    /// Finds where the devices settle. `None`: not found this way.
    ///
    /// `scratch` holds the values, and the linear part with the overlay.
    pub(super) fn settle(
        &self,
        start: Option<&PortState>,
        scratch: &mut NearScratch,
    ) -> Option<Settled> {
        self.begin(start, scratch)?;
        let mut damping: f64 = 1.0;
        // The nodes have yet to come to where the devices of a start are: a step from
        // there says nothing until it is taken.
        let mut is_apart = start.is_some();
        for _ in 0..MOST_STEPS {
            scratch.factor(self)?;
            scratch.step.clone_from(&scratch.residual);
            scratch
                .factors
                .solve(&self.frame.pattern, &mut scratch.step);
            let before = self.size(&scratch.step, scratch);
            if !before.is_finite() {
                return None;
            }
            loop {
                scratch.trial.clear();
                let pairs = scratch.x.iter().zip(&scratch.step);
                scratch.trial.extend(pairs.map(|(x, d)| x - damping * d));
                self.look(damping, scratch);
                scratch.correction.clone_from(&scratch.next);
                scratch
                    .factors
                    .solve(&self.frame.pattern, &mut scratch.correction);
                if damping >= 1.0 && self.is_settled(scratch) {
                    return self.finish(scratch);
                }
                if std::mem::take(&mut is_apart) {
                    break;
                }
                let after = self.size(&scratch.correction, scratch);
                if after <= (1.0 - 0.25 * damping) * before || after < NOTHING {
                    if after < (1.0 - 0.75 * damping) * before {
                        damping = (damping * 4.0).min(1.0);
                    }
                    break;
                }
                if before < ROUNDING && scratch.correction.iter().all(|d| d.abs() < ROUNDING) {
                    return self.finish(scratch);
                }
                damping *= 0.5;
                if damping < LEAST_DAMPING {
                    return None;
                }
            }
            self.accept(scratch)?;
        }
        None
    }

    /// The known point, or what `start` makes of it, with what the changes leave over.
    fn begin(&self, start: Option<&PortState>, scratch: &mut NearScratch) -> Option<()> {
        let network = self.base.network;
        let devices = network.devices.len();
        scratch.x.clone_from(&self.centre.unknowns);
        scratch.looks.clone_from(&self.centre.looks);
        scratch.fresh.resize(devices, Look::default());
        scratch.is_fresh.clear();
        scratch.is_fresh.resize(devices, false);
        scratch.is_turned.clear();
        scratch.is_turned.resize(devices, false);
        scratch.turned.clear();
        scratch.pinned.clear();
        if let Some(start) = start {
            for (device, slot) in network.devices.iter().enumerate() {
                let ports = slot.ports.len();
                let there = &start.volts[slot.first_port..slot.first_port + ports];
                let here = &mut scratch.looks[device];
                let mut pairs = there.iter().zip(&here.volts);
                if pairs.any(|(a, b)| (a - b).abs() > SAME_START) {
                    here.volts[..ports].copy_from_slice(there);
                    here.forget_bend();
                    here.currents = self.ask(&scratch.values, device, &here.volts);
                    scratch.turned_by(device);
                }
            }
        }
        let regulators = self.base.regulators.iter().copied();
        let changed = self.overlay.iter().filter_map(|change| match change {
            Change::Pin { device, .. } | Change::Device(device, _) => Some(device.0 as usize),
            _ => None,
        });
        for device in changed.chain(regulators) {
            let then = &self.centre.values;
            let slot = &network.devices[device];
            let pins = pins(&scratch.values, device, slot.first_port, slot.ports.len());
            if pins.is_none()
                && scratch.values.conditions[device] == then.conditions[device]
                && scratch.values.present[device] == then.present[device]
            {
                continue;
            }
            let here = &mut scratch.looks[device];
            here.forget_bend();
            here.currents = self.ask(&scratch.values, device, &here.volts);
            if let Some(pins) = pins
                && scratch.pinned.iter().all(|p| p.device != device)
            {
                let pinned = Pinned::new(device, pins, &here.currents.siemens)?;
                scratch.pinned.push(pinned);
            }
            scratch.turned_by(device);
        }
        self.leave_at_start(scratch);
        Some(())
    }

    /// Currents left over at every node at the present guess, devices as they were looked at.
    fn leave_at_start(&self, scratch: &mut NearScratch) {
        let mut left = std::mem::take(&mut scratch.residual);
        left.clear();
        left.resize(scratch.x.len(), 0.0);
        if scratch
            .laid
            .leave_changed(&self.centre.laid, &scratch.x, &mut left)
        {
            // The known point leaves nothing over but for what is changed.
            for &device in &scratch.turned {
                let socket = self.frame.socket(device);
                let mut amps = self.drawn(device, &scratch.looks[device], &scratch.x, scratch);
                for (amps, then) in amps
                    .iter_mut()
                    .zip(&self.centre.looks[device].currents.amps)
                {
                    *amps -= then;
                }
                socket.draw(&amps, &mut left);
            }
        } else {
            self.leave(scratch, &mut left);
        }
        scratch.residual = left;
    }

    /// The same, every wire and every device.
    fn leave(&self, scratch: &NearScratch, left: &mut [f64]) {
        self.leave_wires(&scratch.x, scratch, left);
        for (device, look) in scratch.looks.iter().enumerate() {
            let amps = self.drawn(device, look, &scratch.x, scratch);
            self.frame.socket(device).draw(&amps, left);
        }
    }

    fn leave_wires(&self, x: &[f64], scratch: &NearScratch, left: &mut [f64]) {
        scratch.laid.leave(x, left);
        if let Some(bench) = scratch.values.bench {
            left[self.frame.index(bench.from)] -= bench.amps;
            left[self.frame.index(bench.to)] += bench.amps;
        }
    }

    /// What a device draws at `x` by a look at it, along the slopes that the factors have.
    fn drawn(
        &self,
        device: usize,
        look: &Look,
        x: &[f64],
        scratch: &NearScratch,
    ) -> [f64; MAX_PORTS] {
        let mut off = self.frame.socket(device).volts(x);
        let mut slopes = &scratch.looks[device].currents.siemens;
        match scratch.pin(device) {
            None => {
                for (off, v) in off.iter_mut().zip(&look.volts) {
                    *off -= v;
                }
            }
            Some(pinned) => {
                off = pinned.off(look, &off);
                slopes = &pinned.through;
            }
        }
        along(&look.currents.amps, slopes, &off)
    }

    /// Asks the devices that a step took somewhere else, and sums up what is left over there.
    fn look(&self, damping: f64, scratch: &mut NearScratch) {
        let mut left = std::mem::take(&mut scratch.next);
        left.clear();
        left.resize(scratch.trial.len(), 0.0);
        self.leave_wires(&scratch.trial, scratch, &mut left);
        for device in 0..scratch.looks.len() {
            let socket = self.frame.socket(device);
            let here = &scratch.looks[device];
            let pinned = scratch.pin(device);
            let mut volts = match pinned {
                None => socket.volts(&scratch.trial),
                Some(pinned) => {
                    let (at, by) = (socket.volts(&scratch.x), socket.volts(&scratch.step));
                    let there: PortVolts = std::array::from_fn(|p| at[p] - by[p]);
                    let step = times_vector(&pinned.inverse, &pinned.off(here, &there));
                    std::array::from_fn(|p| here.volts[p] + damping * step[p])
                }
            };
            let off: PortVolts = std::array::from_fn(|p| volts[p] - here.volts[p]);
            // What is no number has moved.
            let far = off.iter().fold(0.0, |far: f64, d| {
                if d.is_nan() {
                    f64::INFINITY
                } else {
                    far.max(d.abs())
                }
            });
            let is_fresh =
                scratch.values.present[device] && far >= ALONG_SLOPES && !here.is_straight(&off);
            if is_fresh {
                let mut is_held = pinned.is_some();
                for v in &mut volts {
                    is_held |= v.abs() > MOST_VOLTS;
                    *v = v.clamp(-MOST_VOLTS, MOST_VOLTS);
                }
                let currents = self.ask(&scratch.values, device, &volts);
                let amps = currents.amps;
                let mut fresh = Look {
                    volts,
                    currents,
                    ..Look::default()
                };
                if !is_held {
                    let tangent = along(&here.currents.amps, &here.currents.siemens, &off);
                    fresh.note_bend(&amps, &tangent, &off);
                }
                scratch.fresh[device] = fresh;
                if is_held {
                    let fresh = &scratch.fresh[device];
                    let amps = self.drawn(device, fresh, &scratch.trial, scratch);
                    socket.draw(&amps, &mut left);
                } else {
                    socket.draw(&amps, &mut left);
                }
            } else if pinned.is_some() {
                let amps = self.drawn(device, here, &scratch.trial, scratch);
                socket.draw(&amps, &mut left);
            } else {
                let currents = &here.currents;
                socket.draw(&along(&currents.amps, &currents.siemens, &off), &mut left);
            }
            scratch.is_fresh[device] = is_fresh;
        }
        if let Some(common) = left.last_mut() {
            *common = 0.0;
        }
        scratch.next = left;
    }

    /// Goes to where was looked.
    fn accept(&self, scratch: &mut NearScratch) -> Option<()> {
        std::mem::swap(&mut scratch.x, &mut scratch.trial);
        std::mem::swap(&mut scratch.residual, &mut scratch.next);
        let mut bent = false;
        for device in 0..scratch.looks.len() {
            if !scratch.is_fresh[device] {
                continue;
            }
            let fresh = &scratch.fresh[device];
            bent |= fresh.volts.iter().any(|v| v.abs() >= MOST_VOLTS);
            scratch.looks[device] = *fresh;
            scratch.is_fresh[device] = false;
            scratch.turned_by(device);
        }
        for pinned in &mut scratch.pinned {
            pinned.turn(&scratch.looks[pinned.device].currents.siemens)?;
            bent = true;
        }
        if bent {
            // These draw by their new slopes now.
            let mut left = std::mem::take(&mut scratch.residual);
            left.fill(0.0);
            self.leave(scratch, &mut left);
            scratch.residual = left;
        }
        Some(())
    }

    /// Takes the last correction, which needs no further look.
    fn finish(&self, scratch: &mut NearScratch) -> Option<Settled> {
        let network = self.base.network;
        for (x, d) in scratch.trial.iter_mut().zip(&scratch.correction) {
            *x -= d;
        }
        let mut state = PortState {
            volts: vec![0.0; network.port_count],
            amps: vec![0.0; network.port_count],
            currents: Vec::with_capacity(network.devices.len()),
        };
        for (device, slot) in network.devices.iter().enumerate() {
            let look = if scratch.is_fresh[device] {
                &scratch.fresh[device]
            } else {
                &scratch.looks[device]
            };
            let socket = self.frame.socket(device).volts(&scratch.trial);
            let ports = slot.ports.len();
            let off: PortVolts = match scratch.pin(device) {
                None => std::array::from_fn(|p| socket[p] - look.volts[p]),
                Some(pinned) => times_vector(&pinned.inverse, &pinned.off(look, &socket)),
            };
            let is_here = scratch.values.present[device];
            for p in 0..ports {
                if is_here && (off[p].abs() >= JOINED || off[p].is_nan()) {
                    return None;
                }
                let along = look.currents.siemens[p].iter().zip(&off);
                state.volts[slot.first_port + p] = look.volts[p] + off[p];
                state.amps[slot.first_port + p] =
                    look.currents.amps[p] + along.map(|(s, d)| s * d).sum::<f64>();
            }
            state.currents.push(look.currents);
        }
        Some(Settled {
            state,
            unknowns: scratch.trial.clone(),
        })
    }

    /// Whether the correction at hand leaves nothing. It was made with slopes that the step
    /// before it has turned by about its share of [`ROUNDED_OVER`], and what is left is that share of it.
    fn is_settled(&self, scratch: &NearScratch) -> bool {
        let mut moved = 0.0f64;
        for (device, is_fresh) in scratch.is_fresh.iter().enumerate() {
            if *is_fresh {
                let volts = &scratch.fresh[device].volts;
                for (a, b) in volts.iter().zip(&scratch.looks[device].volts) {
                    moved = moved.max((a - b).abs());
                }
            }
        }
        let share = moved / ROUNDED_OVER;
        if share > MOST_TURNED {
            return false;
        }
        let share = share.max(LEAST_SHARE);
        let mut pairs = scratch.correction.iter().zip(&scratch.trial);
        pairs.all(|(c, x)| share * c.abs() <= SETTLED.0 + SETTLED.1 * x.abs())
    }

    /// A step measured at the devices' electrodes against the voltages it changes.
    fn size(&self, step: &[f64], scratch: &NearScratch) -> f64 {
        let mut sum = 0.0;
        for (device, look) in scratch.looks.iter().enumerate() {
            let by = self.frame.socket(device).volts(step);
            for (d, v) in by.iter().zip(&look.volts) {
                let relative = d / (1.0 + 0.1 * v.abs());
                sum += relative * relative;
            }
        }
        sum.sqrt()
    }
}

impl NearScratch {
    fn turned_by(&mut self, device: usize) {
        if !self.is_turned[device] {
            self.is_turned[device] = true;
            self.turned.push(device);
        }
    }

    /// What is known of a device's pins, where they have resistance.
    fn pin(&self, device: usize) -> Option<&Pinned> {
        self.pinned.iter().find(|pinned| pinned.device == device)
    }

    /// Factors the equations at the devices' present slopes.
    fn factor(&mut self, settling: &Settling<'_>) -> Option<()> {
        let values = self.factors.begin(&self.laid);
        for &device in &self.turned {
            let slopes = match self.pinned.iter().find(|p| p.device == device) {
                Some(pinned) => &pinned.through,
                None => &self.looks[device].currents.siemens,
            };
            let then = &settling.centre.looks[device].currents.siemens;
            turn(settling.frame.socket(device), slopes, then, values);
        }
        self.factors
            .finish(&settling.frame.pattern, &self.laid.extras)
    }
}
