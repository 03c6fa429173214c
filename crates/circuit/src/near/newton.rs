//! Newton's method in the nodes, from a known point, with sparse factors.
//!
//! Every step solves J d = F with F the current left over at each node, and J in a pattern
//! known beforehand. The first step is made with the known point's factors and an update for what
//! is changed (`update.rs`), every later one with factors of its own. Devices that a step takes far
//! off their tangents are led on alone before the others follow (`few.rs`); those that the first leaves without
//! supply start from how they are dead (`starve.rs`).
//!
//! At the end F is summed up element by element, so that nothing but the last digit of a
//! voltage is lost: what a factor loses costs a step and not a digit of the answer. On the way it is told from
//! the devices that were asked (`leave.rs`). When that is: `settled.rs`. Which are asked again follows from how far their electrodes
//! moved. Resistance in a device's pins: `pins.rs`.

use deadstage_parts::{MAX_PORTS, PortCurrents, PortVolts};

use super::centre::Centre;
use super::factors::Factors;
use super::few::FewScratch;
use super::frame::{Frame, Laid, between};
use super::look::{LONGEST_STRAIGHT, Look};
use super::pins::{Block, Pinned, along_ports, pins, times_vector};
use super::small::MOST;
use super::update::{Turned, Update};
use crate::base::Base;
use crate::overlay::Change;
use crate::ports::{LEAST_DAMPING, MOST_VOLTS, PortState};
use crate::situation::Values;

/// A device whose electrodes moved less than this since it was last asked is not asked again,
/// volts: against a grid's tenth of a volt what its slopes leave out is nothing.
pub(super) const ALONG_SLOPES: f64 = 1e-6;

/// What a start may differ from the known point before it is one of its own, volts.
const SAME_START: f64 = 1e-9;

/// A first step larger than this, as sizes are measured, may take a device off its tangent far enough to lead it at once.
const EXPECTED: f64 = 0.1;

/// A step of this size, as sizes are measured, may be the last.
const DIRECT: f64 = 0.005;

/// Where a correction is this share of the step before it, or more, the devices behind it are led on alone.
const SLOW: f64 = 0.1;

/// Where a correction is at least the first of these, as sizes are measured, and at most this share of the step before it,
/// it is not worth its sweep: there must be a next step, and it may be a full one.
const UNSETTLED: f64 = 2e-7;
const CONTRACTED: f64 = 0.02;
const LIKELY_LAST: f64 = 1e-6;

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

fn less(to: &Block, from: &Block) -> Block {
    std::array::from_fn(|p| std::array::from_fn(|q| to[p][q] - from[p][q]))
}

/// What steps are made with.
#[derive(Clone, Debug, Default)]
pub(super) struct Solver {
    /// The known point's factors and this, or
    pub(super) update: Update,
    /// these alone.
    factors: Factors,
    pub(super) by_update: bool,
}

/// A device on its way.
#[derive(Clone, Debug, Default)]
pub(super) struct Seat {
    pub(super) looks: [Look; 2],
    /// Which of the looks was made at the present guess.
    pub(super) now: usize,
    /// Whether the other was made at the guess on trial.
    pub(super) is_fresh: bool,
    /// By port, how far it was led off its tangent: what the guess on trial has taken into account already.
    pub(super) led: [f64; MAX_PORTS],
    /// Whether its slopes are others than at the known point.
    pub(super) is_turned: bool,
}

impl Seat {
    pub(super) fn here(&self) -> &Look {
        &self.looks[self.now]
    }

    pub(super) fn other(&mut self) -> &mut Look {
        &mut self.looks[1 - self.now]
    }

    /// Where the guess on trial finds it.
    pub(super) fn last(&self) -> &Look {
        &self.looks[self.now ^ usize::from(self.is_fresh)]
    }
}

/// Buffers used again from solution to solution.
#[derive(Clone, Debug, Default)]
pub(crate) struct NearScratch {
    /// Of the devices, where a failure changes them.
    pub(super) values: Values,
    pub(super) laid: Laid,
    pub(super) solver: Solver,
    pub(super) seats: Vec<Seat>,
    /// Devices with other slopes than at the known point.
    pub(super) turned: Vec<usize>,
    /// By port of the network, one over what a volt there is measured against.
    pub(super) weights: Vec<f64>,
    pub(super) pinned: Vec<Pinned>,
    pub(super) x: Vec<f64>,
    pub(super) trial: Vec<f64>,
    pub(super) residual: Vec<f64>,
    pub(super) next: Vec<f64>,
    pub(super) step: Vec<f64>,
    /// Whether the step solves the equations at `x`, or only comes near.
    pub(super) is_direct: bool,
    pub(super) correction: Vec<f64>,
    pub(super) refined: Vec<f64>,
    /// What the last round of that changed.
    pub(super) changes: Vec<f64>,
    /// About the size of the correction, told from how far each device left its tangent; infinite where that is not known.
    pub(super) departure: f64,
    /// Devices that the next step takes far off their tangents.
    pub(super) astray: Vec<usize>,
    pub(super) few: FewScratch,
}

/// The problem at hand.
pub(super) struct Settling<'a> {
    pub(super) base: &'a Base<'a>,
    pub(super) frame: &'a Frame,
    pub(super) centre: &'a Centre,
    pub(super) overlay: &'a [Change],
    /// What the devices are, with the overlay.
    pub(super) values: &'a Values,
}

impl Settling<'_> {
    pub(super) fn ask(&self, device: usize, volts: &PortVolts) -> PortCurrents {
        if !self.values.present[device] {
            return PortCurrents::default();
        }
        let slot = &self.base.network.devices[device];
        slot.law.currents(volts, &self.values.conditions[device])
    }

    /// Finds where the devices settle. `None`: not found this way.
    ///
    /// `scratch` holds the linear part with the overlay.
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
        for steps in 0..MOST_STEPS {
            let mut before = self.size(&scratch.step, scratch);
            if steps == 0 && !is_apart && self.starve(before, scratch)? {
                is_apart = true;
                before = self.size(&scratch.step, scratch);
            }
            if !before.is_finite() {
                return None;
            }
            if steps == 0 && !is_apart && before > EXPECTED {
                self.expect_astray(scratch);
            }
            // What is small is summed up exactly at once.
            scratch.is_direct &= before > DIRECT;
            let mut was_led = !scratch.astray.is_empty();
            let mut after;
            loop {
                scratch.trial.clear();
                let pairs = scratch.x.iter().zip(&scratch.step);
                scratch.trial.extend(pairs.map(|(x, d)| x - damping * d));
                if damping >= 1.0 {
                    self.lead(scratch);
                }
                self.look(damping, scratch);
                if damping >= 1.0 && (UNSETTLED..CONTRACTED * before).contains(&scratch.departure) {
                    after = scratch.departure;
                    is_apart = false;
                    break;
                }
                if scratch.departure < LIKELY_LAST {
                    self.sum_up(scratch);
                }
                scratch.correction.clone_from(&scratch.next);
                self.solve(&mut scratch.solver, &mut scratch.correction);
                if damping >= 1.0 && self.is_settled(scratch) {
                    return self.finish(scratch);
                }
                after = self.size(&scratch.correction, scratch);
                if std::mem::take(&mut is_apart) {
                    break;
                }
                if after <= (1.0 - 0.25 * damping) * before || after < NOTHING {
                    break;
                }
                if before < ROUNDING && scratch.correction.iter().all(|d| d.abs() < ROUNDING) {
                    self.look_again(scratch);
                    return self.finish(scratch);
                }
                if damping >= 1.0 && !was_led && self.find_astray(scratch) {
                    was_led = true;
                    continue;
                }
                scratch.forget_astray();
                damping *= 0.5;
                if damping < LEAST_DAMPING {
                    return None;
                }
            }
            scratch.forget_astray();
            if damping >= 1.0 && after > SLOW * before {
                self.find_astray(scratch);
            }
            if after < (1.0 - 0.75 * damping) * before {
                damping = (damping * 4.0).min(1.0);
            }
            self.accept(scratch)?;
            self.step_anew(scratch)?;
        }
        None
    }

    /// The known point, or what `start` makes of it, with what the changes leave over, and the step from there.
    fn begin(&self, start: Option<&PortState>, scratch: &mut NearScratch) -> Option<()> {
        let network = self.base.network;
        let devices = network.devices.len();
        scratch.x.clone_from(&self.centre.unknowns);
        scratch.seats.resize_with(devices, Seat::default);
        for (seat, look) in scratch.seats.iter_mut().zip(&self.centre.looks) {
            seat.looks[0] = *look;
            seat.led = [0.0; MAX_PORTS];
            (seat.now, seat.is_fresh, seat.is_turned) = (0, false, false);
        }
        scratch.weights.clear();
        scratch
            .weights
            .extend(self.centre.state.volts.iter().map(|v| weight(*v)));
        scratch.turned.clear();
        scratch.pinned.clear();
        scratch.forget_astray();
        if let Some(start) = start {
            for (device, slot) in network.devices.iter().enumerate() {
                let ports = slot.ports.len();
                let there = &start.volts[slot.first_port..slot.first_port + ports];
                let here = &mut scratch.seats[device].looks[0];
                let mut pairs = there.iter().zip(&here.volts);
                if pairs.any(|(a, b)| (a - b).abs() > SAME_START) {
                    here.volts[..ports].copy_from_slice(there);
                    here.forget_bend();
                    here.currents = self.ask(device, &here.volts);
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
            let pins = pins(self.values, device, slot.first_port, slot.ports.len());
            if pins.is_none()
                && self.values.conditions[device] == then.conditions[device]
                && self.values.present[device] == then.present[device]
            {
                continue;
            }
            let here = &mut scratch.seats[device].looks[0];
            here.forget_bend();
            here.currents = self.ask(device, &here.volts);
            if let Some(pins) = pins
                && scratch.pinned.iter().all(|p| p.device != device)
            {
                let pinned = Pinned::new(device, pins, &here.currents.siemens)?;
                scratch.pinned.push(pinned);
            }
            scratch.turned_by(device);
        }
        if self.begin_beside(scratch).is_some() {
            return Some(());
        }
        let mut left = std::mem::take(&mut scratch.residual);
        self.leave(scratch, &mut left);
        scratch.residual = left;
        self.step_anew(scratch)
    }

    /// Where the known point leaves over nothing but what the changes say, and these are few: what
    /// that is, and the first step by the known point's own factors. `None`: it is not so.
    fn begin_beside(&self, scratch: &mut NearScratch) -> Option<()> {
        if !scratch.laid.is_beside(&self.centre.laid) {
            return None;
        }
        let ports = |device: &usize| self.frame.socket(*device).ports();
        if scratch.turned.iter().map(ports).sum::<usize>() > MOST {
            return None;
        }
        let turned = scratch.turned.iter().map(|&device| {
            let look = scratch.seats[device].here();
            let then = &self.centre.looks[device].currents;
            let amps = self.drawn(device, look, &scratch.x, scratch);
            let slopes = match scratch.pin(device) {
                Some(pinned) => &pinned.through,
                None => &look.currents.siemens,
            };
            Turned {
                device,
                slot: &self.base.network.devices[device],
                siemens: less(slopes, &then.siemens),
                amps: std::array::from_fn(|p| amps[p] - then.amps[p]),
            }
        });
        let turned: Vec<Turned<'_>> = turned.collect();
        let steps = scratch.laid.steps(&self.centre.laid, &scratch.x);
        scratch
            .solver
            .update
            .lay(self.frame, self.centre, steps, turned.iter())?;
        let length = scratch.x.len();
        scratch.residual.clear();
        scratch.residual.resize(length, 0.0);
        scratch.solver.update.leave(&mut scratch.residual);
        scratch.solver.update.first_step(length, &mut scratch.step);
        scratch.solver.by_update = true;
        scratch.is_direct = true;
        Some(())
    }

    /// Solves J x = b by what is at hand.
    pub(super) fn solve(&self, solver: &mut Solver, b: &mut [f64]) {
        if solver.by_update {
            self.centre.solve(self.frame, b);
            solver.update.correct(b);
        } else {
            solver.factors.solve(&self.frame.pattern, b);
        }
    }

    /// Makes the step from `x` by new factors, at the devices' present slopes.
    pub(super) fn step_anew(&self, scratch: &mut NearScratch) -> Option<()> {
        let laid = &mut scratch.laid;
        self.centre.sum_laid(self.base.network, self.frame, laid);
        let solver = &mut scratch.solver;
        let values = solver.factors.begin(laid);
        for &device in &scratch.turned {
            let slopes = match scratch.pinned.iter().find(|p| p.device == device) {
                Some(pinned) => &pinned.through,
                None => &scratch.seats[device].here().currents.siemens,
            };
            let then = &self.centre.looks[device].currents.siemens;
            self.frame.socket(device).turn(slopes, then, values);
        }
        solver.factors.finish(&self.frame.pattern, &laid.extras)?;
        solver.by_update = false;
        scratch.step.clone_from(&scratch.residual);
        self.solve(&mut scratch.solver, &mut scratch.step);
        scratch.is_direct = true;
        Some(())
    }

    /// Goes to where was looked.
    fn accept(&self, scratch: &mut NearScratch) -> Option<()> {
        std::mem::swap(&mut scratch.x, &mut scratch.trial);
        std::mem::swap(&mut scratch.residual, &mut scratch.next);
        let mut bent = false;
        for device in 0..scratch.seats.len() {
            let seat = &mut scratch.seats[device];
            if !seat.is_fresh {
                continue;
            }
            seat.now = 1 - seat.now;
            seat.is_fresh = false;
            let slot = &self.base.network.devices[device];
            let volts = &seat.here().volts;
            bent |= volts.iter().any(|v| v.abs() >= MOST_VOLTS);
            let weights = &mut scratch.weights[slot.first_port..][..slot.ports.len()];
            for (w, v) in weights.iter_mut().zip(volts) {
                *w = weight(*v);
            }
            scratch.turned_by(device);
        }
        for pinned in &mut scratch.pinned {
            pinned.turn(&scratch.seats[pinned.device].here().currents.siemens)?;
            bent = true;
        }
        if bent {
            // These draw by their new slopes now.
            let mut left = std::mem::take(&mut scratch.residual);
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
            volts: Vec::with_capacity(network.port_count),
            amps: Vec::with_capacity(network.port_count),
            currents: Vec::with_capacity(network.devices.len()),
        };
        for (device, seat) in scratch.seats.iter().enumerate() {
            let look = seat.last();
            let socket = self.frame.socket(device);
            let at = socket.volts(&scratch.trial);
            let ports = socket.ports();
            let off: PortVolts = match scratch.pin(device) {
                None => std::array::from_fn(|p| at[p] - look.volts[p]),
                Some(pinned) => times_vector(&pinned.inverse, &pinned.off(look, &at)),
            };
            // What is no number has not joined.
            if self.values.present[device] && !off[..ports].iter().all(|d| d.abs() < JOINED) {
                return None;
            }
            let amps = along_ports(ports, &look.currents.amps, &look.currents.siemens, &off);
            let volts = look.volts.iter().zip(&off).map(|(v, d)| v + d);
            state.volts.extend(volts.take(ports));
            state.amps.extend(amps.iter().take(ports));
            state.currents.push(look.currents);
        }
        Some(Settled {
            state,
            unknowns: scratch.trial.clone(),
        })
    }

    /// A step measured at the devices' electrodes against the voltages it changes.
    pub(super) fn size(&self, step: &[f64], scratch: &NearScratch) -> f64 {
        let ports = self.frame.port_ends.iter().zip(&scratch.weights);
        let sum: f64 = ports
            .map(|(&ends, weight)| (between(ends, step) * weight).powi(2))
            .sum();
        sum.sqrt()
    }
}

impl NearScratch {
    /// Leads none of the devices any longer.
    pub(super) fn forget_astray(&mut self) {
        for device in self.astray.drain(..) {
            self.seats[device].led = [0.0; MAX_PORTS];
        }
    }

    pub(super) fn turned_by(&mut self, device: usize) {
        let seat = &mut self.seats[device];
        if !std::mem::replace(&mut seat.is_turned, true) {
            self.turned.push(device);
        }
    }

    /// What is known of a device's pins, where they have resistance.
    pub(super) fn pin(&self, device: usize) -> Option<&Pinned> {
        self.pinned.iter().find(|pinned| pinned.device == device)
    }
}

/// One over what a volt at a port that has so many is measured against.
fn weight(volts: f64) -> f64 {
    1.0 / (1.0 + 0.1 * volts.abs())
}
