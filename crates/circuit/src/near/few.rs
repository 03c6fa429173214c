//! A few devices that a step takes far off their tangents, led on alone.
//!
//! With every other device on its tangent, the ports of these see the network as
//!
//! ```text
//! v = v₁ − K δ(v)
//! ```
//!
//! with v₁ where the step takes them, K what currents at them do to them by the equations at
//! hand, and δ(v) what their currents leave their tangents by. That is two or three equations a device, and a
//! step of Newton's method in them asks these devices and no other. Where they settle so, all are looked at.

use deadstage_parts::{MAX_PORTS, PortCurrents, PortVolts};

use super::frame::between;
use super::newton::{NearScratch, Settling};
use crate::dense::{Lu, Matrix};

/// Most ports that are led on together.
const MOST_PORTS: usize = 6;

/// A device behind this share of the largest correction, or less, is left on its tangent.
const LEAST_ASTRAY: f64 = 0.1;

/// Steps of this size, as sizes are measured, are short enough.
const SHORT: f64 = 1e-4;

/// Looks before giving up, and the shortest fraction of a step tried.
const MOST_LOOKS: usize = 60;
const LEAST_DAMPING: f64 = 1.0 / 256.0;

/// Buffers used again.
#[derive(Clone, Debug, Default)]
pub(crate) struct Few {
    /// How much of a correction is each device's.
    sizes: Vec<(f64, usize)>,
    /// By port, what a current into it does to every node.
    columns: Vec<f64>,
    ends: Vec<[u32; 2]>,
    weights: Vec<f64>,
    /// K, and 1 + K (S − S₀).
    seen: Matrix,
    slope: Matrix,
    lu: Lu,
    /// v₁, v, and the step from there.
    led: Vec<f64>,
    volts: Vec<f64>,
    step: Vec<f64>,
    /// At the volts on trial: what is left over, δ, and what the slopes differ by.
    trial: Vec<f64>,
    left: Vec<f64>,
    departures: Vec<f64>,
    turned: Vec<PortCurrents>,
}

impl Settling<'_> {
    /// Finds the devices behind the correction at hand; whether they are few.
    pub(super) fn find_astray(&self, scratch: &mut NearScratch) -> bool {
        scratch.astray.clear();
        if !scratch.pinned.is_empty() {
            return false;
        }
        let size = |device: usize| -> f64 {
            let slot = &self.base.network.devices[device];
            let ports = slot.first_port..slot.first_port + slot.ports.len();
            let of = |port: usize| {
                between(self.frame.port_ends[port], &scratch.correction) * scratch.weights[port]
            };
            ports.map(|port| of(port).powi(2)).sum()
        };
        let mut sizes = std::mem::take(&mut scratch.few.sizes);
        sizes.clear();
        sizes.extend((0..scratch.seats.len()).map(|device| (size(device), device)));
        sizes.sort_by(|one, other| other.0.total_cmp(&one.0));
        let mut ports = 0;
        for &(size, device) in &sizes {
            ports += self.base.network.devices[device].ports.len();
            if ports > MOST_PORTS || size < LEAST_ASTRAY * LEAST_ASTRAY * sizes[0].0 {
                break;
            }
            scratch.astray.push(device);
        }
        scratch.few.sizes = sizes;
        !scratch.astray.is_empty()
    }

    /// Moves the guess on trial to where the devices that go astray settle by themselves; whether they do.
    pub(super) fn lead(&self, scratch: &mut NearScratch) -> bool {
        if scratch.astray.is_empty() {
            return false;
        }
        let mut few = std::mem::take(&mut scratch.few);
        let is_led = self.see(&mut few, scratch) && self.settle_few(&mut few, scratch);
        if is_led {
            let length = scratch.trial.len();
            for (column, departure) in few.columns.chunks_exact(length).zip(&few.departures) {
                for (trial, c) in scratch.trial.iter_mut().zip(column) {
                    *trial -= departure * c;
                }
            }
            scratch.is_direct = false;
        }
        scratch.few = few;
        is_led
    }

    /// How the ports see the network from where they are.
    fn see(&self, few: &mut Few, scratch: &mut NearScratch) -> bool {
        let length = scratch.trial.len();
        few.ends.clear();
        few.weights.clear();
        few.columns.clear();
        for &device in &scratch.astray {
            let slot = &self.base.network.devices[device];
            for port in slot.first_port..slot.first_port + slot.ports.len() {
                few.ends.push(self.frame.port_ends[port]);
                few.weights.push(scratch.weights[port]);
            }
        }
        few.columns.resize(few.ends.len() * length, 0.0);
        for (column, [from, to]) in few.columns.chunks_exact_mut(length).zip(&few.ends) {
            column[*from as usize] += 1.0;
            column[*to as usize] -= 1.0;
            self.solve(&mut scratch.solver, column);
        }
        let count = few.ends.len();
        few.seen.reset(count, count);
        for (j, column) in few.columns.chunks_exact(length).enumerate() {
            for (i, &ends) in few.ends.iter().enumerate() {
                few.seen[(i, j)] = between(ends, column);
            }
        }
        few.led.clear();
        few.led
            .extend(few.ends.iter().map(|&ends| between(ends, &scratch.trial)));
        few.led.iter().all(|v| v.is_finite())
    }

    /// Newton's method in these ports.
    fn settle_few(&self, few: &mut Few, scratch: &NearScratch) -> bool {
        few.volts.clear();
        for &device in &scratch.astray {
            let ports = self.base.network.devices[device].ports.len();
            let here = scratch.seats[device].here();
            few.volts.extend_from_slice(&here.volts[..ports]);
        }
        // There they are on their tangents still.
        few.step.clear();
        few.step
            .extend(few.volts.iter().zip(&few.led).map(|(v, led)| v - led));
        let count = few.ends.len();
        few.slope.reset(count, count);
        for i in 0..count {
            few.slope[(i, i)] = 1.0;
        }
        let mut damping: f64 = 1.0;
        if few.lu.factor(&few.slope).is_err() {
            return false;
        }
        for _ in 0..MOST_LOOKS {
            let before = few.size(&few.step);
            few.trial.clear();
            let pairs = few.volts.iter().zip(&few.step);
            few.trial.extend(pairs.map(|(v, d)| v - damping * d));
            self.look_at_few(few, scratch);
            let mut correction = std::mem::take(&mut few.step);
            correction.clone_from(&few.left);
            few.lu.solve(&mut correction);
            let after = few.size(&correction);
            // What is no number is not less.
            if !(after <= (1.0 - 0.25 * damping) * before) {
                // Back to the step, which the trial was made by.
                let pairs = few.volts.iter().zip(&few.trial);
                correction.clear();
                correction.extend(pairs.map(|(v, trial)| (v - trial) / damping));
                few.step = correction;
                damping *= 0.5;
                if damping < LEAST_DAMPING {
                    return false;
                }
                continue;
            }
            if after < (1.0 - 0.75 * damping) * before {
                damping = (damping * 4.0).min(1.0);
            }
            few.volts.clone_from(&few.trial);
            few.turn(self, scratch);
            if few.lu.factor(&few.slope).is_err() {
                return false;
            }
            correction.clone_from(&few.left);
            few.lu.solve(&mut correction);
            few.step = correction;
            if few.size(&few.step) < SHORT {
                return true;
            }
        }
        false
    }

    /// Asks the devices at the volts on trial.
    fn look_at_few(&self, few: &mut Few, scratch: &NearScratch) {
        few.departures.clear();
        few.turned.clear();
        let mut first = 0;
        for &device in &scratch.astray {
            let ports = self.base.network.devices[device].ports.len();
            let here = scratch.seats[device].here();
            let mut volts: PortVolts = [0.0; MAX_PORTS];
            volts[..ports].copy_from_slice(&few.trial[first..first + ports]);
            let now = self.ask(&scratch.values, device, &volts);
            for p in 0..ports {
                let mut departure = now.amps[p] - here.currents.amps[p];
                for q in 0..ports {
                    departure -= here.currents.siemens[p][q] * (volts[q] - here.volts[q]);
                }
                few.departures.push(departure);
            }
            few.turned.push(now);
            first += ports;
        }
        few.left.clear();
        for (i, (v, led)) in few.trial.iter().zip(&few.led).enumerate() {
            let drops = few.seen.row(i).iter().zip(&few.departures);
            let drop: f64 = drops.map(|(k, amps)| k * amps).sum();
            few.left.push(v - led + drop);
        }
    }
}

impl Few {
    /// 1 + K (S − S₀) at the slopes last seen.
    fn turn(&mut self, settling: &Settling<'_>, scratch: &NearScratch) {
        let count = self.ends.len();
        self.slope.reset(count, count);
        let mut first = 0;
        for (&device, now) in scratch.astray.iter().zip(&self.turned) {
            let ports = settling.base.network.devices[device].ports.len();
            let then = &scratch.seats[device].here().currents.siemens;
            for p in 0..ports {
                for q in 0..ports {
                    let step = now.siemens[p][q] - then[p][q];
                    for i in 0..count {
                        self.slope[(i, first + q)] += self.seen[(i, first + p)] * step;
                    }
                }
            }
            first += ports;
        }
        for i in 0..count {
            self.slope[(i, i)] += 1.0;
        }
    }

    fn size(&self, step: &[f64]) -> f64 {
        let pairs = step.iter().zip(&self.weights);
        pairs.map(|(d, weight)| (d * weight).powi(2)).sum::<f64>().sqrt()
    }
}
