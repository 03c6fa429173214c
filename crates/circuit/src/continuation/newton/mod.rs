//! Newton's method in the nodes, from a known point, with sparse factors.
//!
//! Every step solves J d = F with F the current left over at each node, and J in a pattern
//! known beforehand. The first step is made with the known point's factors and an update for what
//! is changed (`update.rs`), every later one with factors of its own. Devices that a step takes far
//! off their tangents are led on alone before the others follow (`local_newton.rs`); those that the first leaves without
//! supply start from how they are dead (`meet_supply_loss.rs`).
//!
//! At the end F is summed up element by element, so that nothing but the last digit of a
//! voltage is lost: what a factor loses costs a step and not a digit of the answer. On the way it is told from
//! the devices that were asked (`residual.rs`). When that is: `converged.rs`. Which are asked again follows from how far their electrodes
//! moved. Resistance in a device's pins: `pins.rs`.

use deadstage_parts::{MAX_PORTS, PortCurrents, PortVolts};

mod convergence;
mod local;
mod residual;
mod supply_loss;

use super::expansion::ExpansionPoint;
use super::update::{ChangedDevice, Update};
use crate::equations::factors::Factors;
use crate::equations::linearisation::{LONGEST_STRAIGHT, Linearisation};
use crate::equations::pattern::{NodalPattern, between};
use crate::equations::pins::{Block, Pinned, along_ports, pins, times_vector};
use crate::equations::stamped::StampedEquations;
use crate::linalg::small::MOST;
use crate::network::Network;
use crate::overlay::Change;
use crate::situation::Values;
use crate::state::{MOST_VOLTS, PortState};
use local::LocalScratch;

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

/// Where the ports move by less than the first, as sizes are measured, nodes may by the second, volts: how high an island
/// of many volts floats on its leaks is known no better.
const UNTIED: (f64, f64) = (1e-9, 1e-3);

/// How often a device behind resisting pins is asked again at the end.
const MOST_ASKED: usize = 3;

/// What may be between where a device was last asked and its socket at the end, volts.
const JOINED: f64 = 2.0 * LONGEST_STRAIGHT;

/// Steps of the devices' voltages below this, as a ratio, are nothing; the other nodes may still have to follow.
const NOTHING: f64 = 1e-13;

/// Steps from a neighbouring point before giving up.
pub(crate) const MOST_STEPS: usize = 40;

/// Shortest fraction of a step tried.
const LEAST_DAMPING: f64 = 1.0 / 1024.0;

/// Where the devices ended.
#[derive(Clone, Debug)]
pub(crate) struct Converged {
    /// Port voltages at the devices themselves, currents and slopes.
    pub(crate) state: PortState,
    /// Node voltages, and behind them the common's.
    pub(crate) unknowns: Vec<f64>,
}

fn less(to: &Block, from: &Block) -> Block {
    std::array::from_fn(|p| std::array::from_fn(|q| to[p][q] - from[p][q]))
}

/// What steps are made with.
#[derive(Clone, Debug, Default)]
pub(crate) struct Solver {
    /// The known point's factors and this, or
    pub(crate) update: Update,
    /// these alone.
    factors: Factors,
    pub(crate) by_update: bool,
}

/// A device on its way.
#[derive(Clone, Debug, Default)]
pub(crate) struct DeviceIterate {
    pub(crate) linearisations: [Linearisation; 2],
    /// Which of the linearisations was made at the present guess.
    pub(crate) now: usize,
    /// Whether the other was made at the guess on trial.
    pub(crate) is_fresh: bool,
    /// By port, how far it was led off its tangent: what the guess on trial has taken into account already.
    pub(crate) led: [f64; MAX_PORTS],
    /// Whether its slopes are others than at the known point.
    pub(crate) is_turned: bool,
}

impl DeviceIterate {
    pub(crate) fn here(&self) -> &Linearisation {
        &self.linearisations[self.now]
    }

    pub(crate) fn other(&mut self) -> &mut Linearisation {
        &mut self.linearisations[1 - self.now]
    }

    /// Where the guess on trial finds it.
    pub(crate) fn last(&self) -> &Linearisation {
        &self.linearisations[self.now ^ usize::from(self.is_fresh)]
    }
}

/// Buffers used again from solution to solution.
#[derive(Clone, Debug, Default)]
pub(crate) struct NewtonScratch {
    /// Of the devices, where a failure changes them.
    pub(crate) values: Values,
    /// Steps taken so far.
    pub(crate) steps: usize,
    pub(crate) stamped: StampedEquations,
    pub(crate) solver: Solver,
    pub(crate) iterates: Vec<DeviceIterate>,
    /// Devices with other slopes than at the known point.
    pub(crate) turned: Vec<usize>,
    /// By port of the network, one over what a volt there is measured against.
    pub(crate) weights: Vec<f64>,
    pub(crate) pinned: Vec<Pinned>,
    pub(crate) x: Vec<f64>,
    pub(crate) trial: Vec<f64>,
    pub(crate) residual: Vec<f64>,
    pub(crate) next: Vec<f64>,
    pub(crate) step: Vec<f64>,
    /// Whether the step solves the equations at `x`, or only comes near.
    pub(crate) is_direct: bool,
    pub(crate) correction: Vec<f64>,
    pub(crate) refined: Vec<f64>,
    /// What the last round of that changed.
    pub(crate) changes: Vec<f64>,
    /// About the size of the correction, told from how far each device left its tangent; infinite where that is not known.
    pub(crate) departure: f64,
    /// Devices that the next step takes far off their tangents.
    pub(crate) strongly_nonlinear: Vec<usize>,
    pub(crate) local: LocalScratch,
}

/// The problem at hand.
pub(crate) struct NewtonProblem<'a> {
    pub(crate) network: &'a Network,
    pub(crate) pattern: &'a NodalPattern,
    pub(crate) expansion: &'a ExpansionPoint,
    pub(crate) overlay: &'a [Change],
    /// What the devices are, with the overlay.
    pub(crate) values: &'a Values,
    /// Steps before giving up.
    pub(crate) most_steps: usize,
    /// How closely the devices are to be met.
    pub(crate) precision: Precision,
}

/// How closely an operating point is wanted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Precision {
    /// Each device is asked where it is: currents balance to 10⁻⁹ of what flows.
    #[default]
    Currents,
    /// Voltages to 10⁻⁹ V and 10⁻⁷, which is more than any meter shows: devices that hardly move are told from their
    /// tangents.
    Readings,
}

impl Precision {
    /// A device whose electrodes moved no more than this since it was last asked is not asked again, volts: against a
    /// grid's tenth of a volt, and a silicon diode's hundredth, what its slopes leave out is nothing. The corner of a
    /// supply that hardly delivers is sharper.
    #[inline]
    fn along_slopes(self) -> f64 {
        match self {
            Self::Currents => 1e-9,
            Self::Readings => 1e-6,
        }
    }
}

/// Where Newton's method gave up.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Stalled {
    /// Steps taken.
    pub(crate) steps: usize,
    /// Port of the network whose voltage would have moved most, if any would.
    pub(crate) port: Option<usize>,
}

impl NewtonProblem<'_> {
    pub(crate) fn ask(&self, device: usize, volts: &PortVolts) -> PortCurrents {
        self.values.device_currents(self.network, device, volts)
    }

    /// Finds where the devices settle.
    ///
    /// `scratch` holds the linear part with the overlay.
    ///
    /// # Errors
    /// Where it stalled.
    pub(crate) fn settle(
        &self,
        start: Option<&PortState>,
        scratch: &mut NewtonScratch,
    ) -> Result<Converged, Stalled> {
        scratch.steps = 0;
        self.iterate(start, scratch).ok_or_else(|| Stalled {
            steps: scratch.steps,
            port: self.farthest_port(scratch),
        })
    }

    /// Finds where the devices settle from an expansion point that is no solution, and perhaps far from one.
    ///
    /// # Errors
    /// Where it stalled.
    pub(crate) fn settle_from_afar(
        &self,
        scratch: &mut NewtonScratch,
    ) -> Result<Converged, Stalled> {
        let stamped = &mut scratch.stamped;
        let (overlay, values) = (self.overlay, self.values);
        self.pattern.lay(
            self.network,
            overlay,
            values,
            &self.expansion.stamped,
            stamped,
        );
        stamped.mark_residual_unknown();
        self.settle(None, scratch)
    }

    /// The port that the step at hand moves most, as sizes are measured.
    fn farthest_port(&self, scratch: &NewtonScratch) -> Option<usize> {
        let ports = self.pattern.port_ends.iter().zip(&scratch.weights);
        let sizes = ports.map(|(&ends, weight)| (between(ends, &scratch.step) * weight).abs());
        let moved = sizes
            .enumerate()
            .filter(|(_, size)| *size > 0.0 || size.is_nan());
        moved
            .max_by(|one, other| one.1.total_cmp(&other.1))
            .map(|(port, _)| port)
    }

    /// Newton's method from `start`. `None`: it stalled.
    fn iterate(&self, start: Option<&PortState>, scratch: &mut NewtonScratch) -> Option<Converged> {
        self.begin(start, scratch)?;
        let mut damping: f64 = 1.0;
        // The nodes have yet to come to where the devices of a start are: a step from
        // there says nothing until it is taken.
        let mut is_apart = start.is_some();
        for steps in 0..self.most_steps {
            scratch.steps = steps;
            let mut before = self.size(&scratch.step, scratch);
            if steps == 0 && !is_apart && self.meet_supply_loss(before, scratch)? {
                is_apart = true;
                before = self.size(&scratch.step, scratch);
            }
            if !before.is_finite() {
                return None;
            }
            if steps == 0 && !is_apart && before > EXPECTED {
                self.expect_strongly_nonlinear(scratch);
            }
            // What is small is summed up exactly at once.
            scratch.is_direct &= before > DIRECT;
            let mut was_led = !scratch.strongly_nonlinear.is_empty();
            let mut after;
            loop {
                scratch.trial.clear();
                let pairs = scratch.x.iter().zip(&scratch.step);
                scratch.trial.extend(pairs.map(|(x, d)| x - damping * d));
                if damping >= 1.0 {
                    self.lead(scratch);
                }
                self.evaluate(damping, scratch);
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
                if damping >= 1.0 && self.is_converged(scratch) {
                    return self.finish(scratch);
                }
                after = self.size(&scratch.correction, scratch);
                if std::mem::take(&mut is_apart) {
                    break;
                }
                let is_less = after <= (1.0 - 0.25 * damping) * before || after < NOTHING;
                if is_less && before >= NOTHING {
                    break;
                }
                if before < ROUNDING && scratch.is_rounding(after) {
                    self.evaluate_exactly(scratch);
                    return self.finish(scratch);
                }
                if is_less {
                    break;
                }
                if damping >= 1.0 && !was_led && self.find_strongly_nonlinear(scratch) {
                    was_led = true;
                    continue;
                }
                scratch.forget_strongly_nonlinear();
                damping *= 0.5;
                if damping < LEAST_DAMPING {
                    return None;
                }
            }
            scratch.forget_strongly_nonlinear();
            if damping >= 1.0 && after > SLOW * before {
                self.find_strongly_nonlinear(scratch);
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
    fn begin(&self, start: Option<&PortState>, scratch: &mut NewtonScratch) -> Option<()> {
        let network = self.network;
        let devices = network.devices.len();
        scratch.x.clone_from(&self.expansion.unknowns);
        scratch
            .iterates
            .resize_with(devices, DeviceIterate::default);
        for (iterate, look) in scratch
            .iterates
            .iter_mut()
            .zip(&self.expansion.linearisations)
        {
            iterate.linearisations[0] = *look;
            iterate.led = [0.0; MAX_PORTS];
            (iterate.now, iterate.is_fresh, iterate.is_turned) = (0, false, false);
        }
        scratch.weights.clear();
        scratch
            .weights
            .extend(self.expansion.state.volts.iter().map(|v| weight(*v)));
        scratch.turned.clear();
        scratch.pinned.clear();
        scratch.forget_strongly_nonlinear();
        if let Some(start) = start {
            for (device, slot) in network.devices.iter().enumerate() {
                let ports = slot.ports.len();
                let there = &start.volts[slot.first_port..slot.first_port + ports];
                let here = &mut scratch.iterates[device].linearisations[0];
                let mut pairs = there.iter().zip(&here.volts);
                if pairs.any(|(a, b)| (a - b).abs() > SAME_START) {
                    here.volts[..ports].copy_from_slice(there);
                    here.forget_departure();
                    here.currents = self.ask(device, &here.volts);
                    scratch.turned_by(device);
                }
            }
        }
        let regulators = (0..devices).filter(|&d| {
            self.values.conditions[d].fired != self.expansion.values.conditions[d].fired
        });
        let changed = self.overlay.iter().filter_map(|change| match change {
            Change::Pin { device, .. } | Change::Device(device, _) => Some(device.0 as usize),
            _ => None,
        });
        for device in changed.chain(regulators) {
            let then = &self.expansion.values;
            let slot = &network.devices[device];
            let pins = pins(self.values, device, slot.first_port, slot.ports.len());
            if pins.is_none()
                && self.values.conditions[device] == then.conditions[device]
                && self.values.present[device] == then.present[device]
            {
                continue;
            }
            let here = &mut scratch.iterates[device].linearisations[0];
            here.forget_departure();
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
        self.add_residual(scratch, &mut left);
        scratch.residual = left;
        self.step_anew(scratch)
    }

    /// Where the known point leaves over nothing but what the changes say, and these are few: what
    /// that is, and the first step by the known point's own factors. `None`: it is not so.
    fn begin_beside(&self, scratch: &mut NewtonScratch) -> Option<()> {
        if !scratch.stamped.is_beside(&self.expansion.stamped) {
            return None;
        }
        let ports = |device: &usize| self.pattern.socket(*device).ports();
        if scratch.turned.iter().map(ports).sum::<usize>() > MOST {
            return None;
        }
        let turned = scratch.turned.iter().map(|&device| {
            let look = scratch.iterates[device].here();
            let then = &self.expansion.linearisations[device].currents;
            let amps = self.drawn(device, look, &scratch.x, scratch);
            let slopes = match scratch.pin(device) {
                Some(pinned) => &pinned.through,
                None => &look.currents.siemens,
            };
            ChangedDevice {
                device,
                slot: &self.network.devices[device],
                siemens: less(slopes, &then.siemens),
                amps: std::array::from_fn(|p| amps[p] - then.amps[p]),
            }
        });
        let turned: Vec<ChangedDevice<'_>> = turned.collect();
        let steps = scratch.stamped.steps(&self.expansion.stamped, &scratch.x);
        scratch
            .solver
            .update
            .lay(self.pattern, self.expansion, steps, turned.iter())?;
        let length = scratch.x.len();
        scratch.residual.clear();
        scratch.residual.resize(length, 0.0);
        scratch.solver.update.add_residual(&mut scratch.residual);
        scratch.solver.update.first_step(length, &mut scratch.step);
        scratch.solver.by_update = true;
        scratch.is_direct = true;
        Some(())
    }

    /// Solves J x = b by what is at hand.
    pub(crate) fn solve(&self, solver: &mut Solver, b: &mut [f64]) {
        if solver.by_update {
            self.expansion.solve(self.pattern, b);
            solver.update.correct(b);
        } else {
            solver.factors.solve(&self.pattern.elimination, b);
        }
    }

    /// Makes the step from `x` by new factors, at the devices' present slopes.
    pub(crate) fn step_anew(&self, scratch: &mut NewtonScratch) -> Option<()> {
        let stamped = &mut scratch.stamped;
        self.expansion
            .sum_stamped(self.network, self.pattern, stamped);
        let solver = &mut scratch.solver;
        let values = solver.factors.begin(stamped);
        for &device in &scratch.turned {
            let slopes = match scratch.pinned.iter().find(|p| p.device == device) {
                Some(pinned) => &pinned.through,
                None => &scratch.iterates[device].here().currents.siemens,
            };
            let then = &self.expansion.linearisations[device].currents.siemens;
            self.pattern.socket(device).turn(slopes, then, values);
        }
        solver
            .factors
            .finish(&self.pattern.elimination, &stamped.extras)?;
        solver.by_update = false;
        scratch.step.clone_from(&scratch.residual);
        self.solve(&mut scratch.solver, &mut scratch.step);
        scratch.is_direct = true;
        Some(())
    }

    /// Goes to where was looked.
    fn accept(&self, scratch: &mut NewtonScratch) -> Option<()> {
        std::mem::swap(&mut scratch.x, &mut scratch.trial);
        std::mem::swap(&mut scratch.residual, &mut scratch.next);
        let mut bent = false;
        for device in 0..scratch.iterates.len() {
            let iterate = &mut scratch.iterates[device];
            if !iterate.is_fresh {
                continue;
            }
            iterate.now = 1 - iterate.now;
            iterate.is_fresh = false;
            let slot = &self.network.devices[device];
            let volts = &iterate.here().volts;
            bent |= volts.iter().any(|v| v.abs() >= MOST_VOLTS);
            let weights = &mut scratch.weights[slot.first_port..][..slot.ports.len()];
            for (w, v) in weights.iter_mut().zip(volts) {
                *w = weight(*v);
            }
            scratch.turned_by(device);
        }
        for pinned in &mut scratch.pinned {
            pinned.turn(&scratch.iterates[pinned.device].here().currents.siemens)?;
            bent = true;
        }
        if bent {
            // These draw by their new slopes now.
            let mut left = std::mem::take(&mut scratch.residual);
            self.add_residual(scratch, &mut left);
            scratch.residual = left;
        }
        Some(())
    }

    /// Takes the last correction, which needs no further look.
    fn finish(&self, scratch: &mut NewtonScratch) -> Option<Converged> {
        let network = self.network;
        for (x, d) in scratch.trial.iter_mut().zip(&scratch.correction) {
            *x -= d;
        }
        let mut state = PortState {
            volts: Vec::with_capacity(network.port_count),
            amps: Vec::with_capacity(network.port_count),
            currents: Vec::with_capacity(network.devices.len()),
        };
        for (device, iterate) in scratch.iterates.iter().enumerate() {
            let socket = self.pattern.socket(device);
            let at = socket.volts(&scratch.trial);
            let ports = socket.ports();
            let (look, off): (Linearisation, PortVolts) = match scratch.pin(device) {
                None => {
                    let look = *iterate.last();
                    (look, std::array::from_fn(|p| at[p] - look.volts[p]))
                }
                Some(pinned) => self.meet_behind_pins(device, pinned, iterate.last(), &at)?,
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
        Some(Converged {
            state,
            unknowns: scratch.trial.clone(),
        })
    }

    /// Where a device with resistance in its pins is, for a socket at these volts: it is asked until it is there.
    fn meet_behind_pins(
        &self,
        device: usize,
        pinned: &Pinned,
        look: &Linearisation,
        socket: &PortVolts,
    ) -> Option<(Linearisation, PortVolts)> {
        let (mut look, mut pinned) = (*look, pinned.clone());
        let mut off = times_vector(&pinned.inverse, &pinned.off(&look, socket));
        for _ in 0..MOST_ASKED {
            if off.iter().all(|d| *d == 0.0) {
                break;
            }
            let volts = std::array::from_fn(|p| look.volts[p] + off[p]);
            look = Linearisation::new(volts, self.ask(device, &volts));
            pinned.turn(&look.currents.siemens)?;
            off = times_vector(&pinned.inverse, &pinned.off(&look, socket));
        }
        Some((look, off))
    }

    /// A step measured at the devices' electrodes against the voltages it changes.
    pub(crate) fn size(&self, step: &[f64], scratch: &NewtonScratch) -> f64 {
        let ports = self.pattern.port_ends.iter().zip(&scratch.weights);
        let sum: f64 = ports
            .map(|(&ends, weight)| (between(ends, step) * weight).powi(2))
            .sum();
        sum.sqrt()
    }
}

impl NewtonScratch {
    /// Whether a correction of this size at the ports, which nothing improves, is rounding.
    fn is_rounding(&self, size: f64) -> bool {
        let most = if size < UNTIED.0 { UNTIED.1 } else { ROUNDING };
        self.correction.iter().all(|d| d.abs() < most)
    }

    /// Leads none of the devices any longer.
    pub(crate) fn forget_strongly_nonlinear(&mut self) {
        for device in self.strongly_nonlinear.drain(..) {
            self.iterates[device].led = [0.0; MAX_PORTS];
        }
    }

    pub(crate) fn turned_by(&mut self, device: usize) {
        let iterate = &mut self.iterates[device];
        if !std::mem::replace(&mut iterate.is_turned, true) {
            self.turned.push(device);
        }
    }

    /// What is known of a device's pins, where they have resistance.
    pub(crate) fn pin(&self, device: usize) -> Option<&Pinned> {
        self.pinned.iter().find(|pinned| pinned.device == device)
    }
}

/// One over what a volt at a port that has so many is measured against.
fn weight(volts: f64) -> f64 {
    1.0 / (1.0 + 0.1 * volts.abs())
}
