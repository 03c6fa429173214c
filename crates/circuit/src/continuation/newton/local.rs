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

use deadstage_parts::{MAX_PORTS, PortCurrents};

use super::{NewtonProblem, NewtonScratch};
use crate::continuation::expansion::KeptColumn;
use crate::equations::pattern::between;
use crate::equations::pins::along_ports;
use crate::linalg::small::{Few, MOST, Square, inverse, times, unit};
use crate::linalg::vector::add_scaled;

/// A device behind this share of the largest correction, or less, is left on its tangent.
const LEAST_SHARE_LED: f64 = 0.3;

/// A step of this size, as sizes are measured, ends it.
const SHORT: f64 = 1e-2;

/// Looks before giving up, and the shortest fraction of a step tried.
const MOST_LOOKS: usize = 60;
const LEAST_DAMPING: f64 = 1.0 / 256.0;

/// Buffers used again.
#[derive(Clone, Debug, Default)]
pub(crate) struct LocalScratch {
    /// How much of a correction is each device's.
    sizes: Vec<(f64, usize)>,
    /// By port, what a current into it does to every node.
    columns: Vec<f64>,
}

/// The network as so many ports of a few devices see it.
struct Seen<'a, const N: usize> {
    problem: &'a NewtonProblem<'a>,
    scratch: &'a NewtonScratch,
    /// By port, one over what a volt is measured against.
    weights: [f64; N],
    /// K.
    ohms: Square<N>,
    /// v₁.
    led: [f64; N],
}

/// The devices at some volts.
struct LocalGuess<const N: usize> {
    volts: [f64; N],
    /// v − v₁ + K δ(v).
    left: [f64; N],
    /// δ(v).
    departures: [f64; N],
    /// S − S₀.
    turned: Square<N>,
}

impl NewtonProblem<'_> {
    /// Finds the device that the first step moves alone; whether there is one.
    pub(crate) fn expect_strongly_nonlinear(&self, scratch: &mut NewtonScratch) -> bool {
        let step = std::mem::take(&mut scratch.step);
        let found = self.find_behind(&step, scratch) && scratch.strongly_nonlinear.len() == 1;
        scratch.step = step;
        if !found {
            scratch.forget_strongly_nonlinear();
        }
        found
    }

    /// Finds the devices behind the correction at hand; whether they are few.
    pub(crate) fn find_strongly_nonlinear(&self, scratch: &mut NewtonScratch) -> bool {
        let correction = std::mem::take(&mut scratch.correction);
        let found = self.find_behind(&correction, scratch);
        scratch.correction = correction;
        found
    }

    fn find_behind(&self, step: &[f64], scratch: &mut NewtonScratch) -> bool {
        scratch.forget_strongly_nonlinear();
        if !scratch.pinned.is_empty() {
            return false;
        }
        let size = |device: usize| -> f64 {
            let slot = &self.network.devices[device];
            let ports = slot.first_port..slot.first_port + slot.ports.len();
            let of =
                |port: usize| between(self.pattern.port_ends[port], step) * scratch.weights[port];
            ports.map(|port| of(port).powi(2)).sum()
        };
        let mut sizes = std::mem::take(&mut scratch.local.sizes);
        sizes.clear();
        sizes.extend((0..scratch.iterates.len()).map(|device| (size(device), device)));
        sizes.sort_by(|one, other| other.0.total_cmp(&one.0));
        let mut ports = 0;
        for &(size, device) in &sizes {
            if size < LEAST_SHARE_LED * LEAST_SHARE_LED * sizes[0].0 {
                break;
            }
            ports += self.network.devices[device].ports.len();
            if ports > MOST {
                // A network that is strongly_nonlinear as a whole is not led by some of its devices.
                scratch.strongly_nonlinear.clear();
                break;
            }
            scratch.strongly_nonlinear.push(device);
        }
        scratch.local.sizes = sizes;
        !scratch.strongly_nonlinear.is_empty()
    }

    /// Moves the guess on trial to where the devices that go strongly_nonlinear settle by themselves, if they do.
    pub(crate) fn lead(&self, scratch: &mut NewtonScratch) {
        if scratch.strongly_nonlinear.is_empty() {
            return;
        }
        let length = scratch.trial.len();
        let mut columns = std::mem::take(&mut scratch.local.columns);
        columns.clear();
        for &device in &scratch.strongly_nonlinear {
            let socket = self.pattern.socket(device);
            let first = self.network.devices[device].first_port;
            for port in 0..socket.ports() {
                let begin = columns.len();
                let ends = socket.ends(port);
                if scratch.solver.by_update {
                    let place = Some(KeptColumn::Port(first + port));
                    self.expansion
                        .append_column(self.pattern, place, ends, &mut columns);
                    scratch.solver.update.correct(&mut columns[begin..]);
                    continue;
                }
                columns.resize(begin + length, 0.0);
                columns[begin + ends[0] as usize] += 1.0;
                columns[begin + ends[1] as usize] -= 1.0;
                self.solve(&mut scratch.solver, &mut columns[begin..]);
            }
        }
        let departures = match columns.len() / length {
            1 => self.lead_ports::<1>(&columns, scratch),
            2 => self.lead_ports::<2>(&columns, scratch),
            3 => self.lead_ports::<3>(&columns, scratch),
            4 => self.lead_ports::<4>(&columns, scratch),
            5 => self.lead_ports::<5>(&columns, scratch),
            _ => self.lead_ports::<MOST>(&columns, scratch),
        };
        if let Some(departures) = departures {
            for (column, departure) in columns.chunks_exact(length).zip(&departures) {
                add_scaled(&mut scratch.trial, -departure, column);
            }
            let mut first = 0;
            for &device in &scratch.strongly_nonlinear {
                let ports = self.pattern.socket(device).ports();
                let iterate = &mut scratch.iterates[device];
                iterate.led = [0.0; MAX_PORTS];
                iterate.led[..ports].copy_from_slice(&departures[first..first + ports]);
                first += ports;
            }
        }
        scratch.local.columns = columns;
    }

    /// What devices of so many ports, which see the network by these columns, settle off their tangents by.
    fn lead_ports<const N: usize>(&self, columns: &[f64], scratch: &NewtonScratch) -> Option<Few> {
        let mut seen = Seen::<N> {
            problem: self,
            scratch,
            weights: [0.0; N],
            ohms: [[0.0; N]; N],
            led: [0.0; N],
        };
        let ports = scratch.strongly_nonlinear.iter().flat_map(|&device| {
            let slot = &self.network.devices[device];
            slot.first_port..slot.first_port + slot.ports.len()
        });
        for (row, port) in ports.enumerate() {
            let ends = self.pattern.port_ends[port];
            let columns = columns.chunks_exact(scratch.trial.len());
            for (ohms, column) in seen.ohms[row].iter_mut().zip(columns) {
                *ohms = between(ends, column);
            }
            seen.led[row] = between(ends, &scratch.trial);
            seen.weights[row] = scratch.weights[port];
        }
        let mut departures = Few::default();
        departures[..N].copy_from_slice(&seen.settle()?);
        Some(departures)
    }
}

impl<const N: usize> Seen<'_, N> {
    /// Newton's method in these ports, from where the devices are on their tangents: their departures.
    fn settle(&self) -> Option<[f64; N]> {
        let mut turned_back = unit::<N>();
        let mut volts = [0.0; N];
        let mut first = 0;
        for &device in &self.scratch.strongly_nonlinear {
            let ports = self.problem.pattern.socket(device).ports();
            let here = &self.scratch.iterates[device].here().volts;
            volts[first..first + ports].copy_from_slice(&here[..ports]);
            first += ports;
        }
        let mut step = std::array::from_fn(|p| volts[p] - self.led[p]);
        let mut damping: f64 = 1.0;
        for _ in 0..MOST_LOOKS {
            let before = self.size(&step);
            let guess = self.evaluate(std::array::from_fn(|p| volts[p] - damping * step[p]));
            let after = self.size(&times(&turned_back, &guess.left));
            let is_less = after <= (1.0 - 0.25 * damping) * before;
            // What is no number is not less.
            if !is_less {
                damping *= 0.5;
                if damping < LEAST_DAMPING {
                    return None;
                }
                continue;
            }
            if after < (1.0 - 0.75 * damping) * before {
                damping = (damping * 4.0).min(1.0);
            }
            volts = guess.volts;
            turned_back = inverse(self.slope(&guess))?.0;
            step = times(&turned_back, &guess.left);
            if self.size(&step) < SHORT {
                // By their slopes there.
                let turned = times(&guess.turned, &step);
                return Some(std::array::from_fn(|p| guess.departures[p] - turned[p]));
            }
        }
        None
    }

    /// Asks the devices.
    fn evaluate(&self, volts: [f64; N]) -> LocalGuess<N> {
        let mut guess = LocalGuess {
            volts,
            left: [0.0; N],
            departures: [0.0; N],
            turned: [[0.0; N]; N],
        };
        let mut first = 0;
        for &device in &self.scratch.strongly_nonlinear {
            let ports = self.problem.pattern.socket(device).ports();
            let here = self.scratch.iterates[device].here();
            let mut at = [0.0; MAX_PORTS];
            at[..ports].copy_from_slice(&volts[first..first + ports]);
            let now: PortCurrents = self.problem.ask(device, &at);
            let then = &here.currents;
            let off = std::array::from_fn(|p| at[p] - here.volts[p]);
            let tangent = along_ports(ports, &then.amps, &then.siemens, &off);
            for (p, (amps, tangent)) in now.amps.iter().zip(&tangent).enumerate().take(ports) {
                guess.departures[first + p] = amps - tangent;
                let slopes = now.siemens[p].iter().zip(&then.siemens[p]);
                let turned = &mut guess.turned[first + p][first..first + ports];
                for (turned, (now, then)) in turned.iter_mut().zip(slopes) {
                    *turned = now - then;
                }
            }
            first += ports;
        }
        let drops = times(&self.ohms, &guess.departures);
        guess.left = std::array::from_fn(|p| volts[p] - self.led[p] + drops[p]);
        guess
    }

    /// 1 + K (S − S₀).
    fn slope(&self, guess: &LocalGuess<N>) -> Square<N> {
        let mut slope = unit::<N>();
        for (row, ohms) in slope.iter_mut().zip(&self.ohms) {
            for (ohms, turned) in ohms.iter().zip(&guess.turned) {
                for (entry, turned) in row.iter_mut().zip(turned) {
                    *entry += ohms * turned;
                }
            }
        }
        slope
    }

    fn size(&self, step: &[f64; N]) -> f64 {
        let pairs = step.iter().zip(&self.weights);
        pairs.map(|(d, w)| (d * w) * (d * w)).sum::<f64>().sqrt()
    }
}
