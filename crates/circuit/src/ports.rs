//! Newton's method in the ports of the devices.
//!
//! The linear part seen from the ports is v = v_open − K i; the devices say
//! i(v). What is left to solve is F(v) = v − v_open + K i(v) = 0, three to a
//! dozen equations where the whole network has dozens. Steps are damped by
//! Deuflhard's natural test (P. Deuflhard, *Newton Methods for Nonlinear
//! Problems*, Springer 2004, ch. 3): a step is taken when the next one, by the
//! same factors, would be smaller; the test does not depend on the units of F,
//! which a floating grid with 10¹¹ Ω behind it would otherwise spoil.

use deadstage_parts::{MAX_PORTS, PortCurrents};

use crate::dense::{Lu, Matrix};
use crate::network::Network;
use crate::situation::Values;

/// Iterations before giving up.
const MOST_STEPS: usize = 80;

/// Shortest fraction of a step tried.
pub(crate) const LEAST_DAMPING: f64 = 1.0 / 1024.0;

/// A step this small against the voltage it changes ends the iteration, volts and ratio.
const SETTLED: (f64, f64) = (1e-10, 1e-11);

/// No port is driven past this voltage while iterating: the laws hold within it.
pub(crate) const MOST_VOLTS: f64 = 5000.0;

/// Voltages, currents and slopes at all ports.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PortState {
    /// Volts.
    pub volts: Vec<f64>,
    /// Amperes into the ports.
    pub amps: Vec<f64>,
    /// By device, its currents and slopes.
    pub currents: Vec<PortCurrents>,
}

/// Why the iteration stopped short.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct NotSettled {
    /// Port with the largest step left.
    pub port: usize,
    /// Steps taken.
    pub steps: usize,
}

/// The network as its ports see it.
#[derive(Clone, Debug, Default)]
pub(crate) struct PortNetwork {
    /// Port resistance matrix K, with pin resistances, ohms.
    pub resistance: Matrix,
    /// Port voltages with no device drawing current.
    pub open: Vec<f64>,
}

impl PortState {
    /// Evaluates every device at `volts`.
    pub fn evaluate(&mut self, network: &Network, values: &Values) {
        self.amps.resize(self.volts.len(), 0.0);
        self.currents
            .resize(network.devices.len(), PortCurrents::default());
        for (index, slot) in network.devices.iter().enumerate() {
            let ports = slot.ports.len();
            let range = slot.first_port..slot.first_port + ports;
            if !values.present[index] {
                self.amps[range].fill(0.0);
                self.currents[index] = PortCurrents::default();
                continue;
            }
            let mut volts = [0.0; MAX_PORTS];
            volts[..ports].copy_from_slice(&self.volts[range.clone()]);
            let currents = slot.law.currents(&volts, &values.conditions[index]);
            self.amps[range].copy_from_slice(&currents.amps[..ports]);
            self.currents[index] = currents;
        }
    }
}

/// Multiplies a matrix by the block-diagonal slopes of the devices and adds
/// the unit matrix where asked: `target = unit + matrix · J`.
pub(crate) fn times_slopes(
    network: &Network,
    matrix: &Matrix,
    state: &PortState,
    unit: bool,
    target: &mut Matrix,
) {
    target.reset(matrix.rows(), matrix.columns());
    for row in 0..matrix.rows() {
        let source = matrix.row(row);
        let out = target.row_mut(row);
        for (slot, currents) in network.devices.iter().zip(&state.currents) {
            let ports = slot.ports.len();
            for j in 0..ports {
                let mut sum = 0.0;
                for l in 0..ports {
                    sum += source[slot.first_port + l] * currents.siemens[l][j];
                }
                out[slot.first_port + j] = sum;
            }
        }
        if unit {
            out[row] += 1.0;
        }
    }
}

/// Buffers used again from solution to solution.
#[derive(Clone, Debug, Default)]
pub(crate) struct PortScratch {
    slope: Matrix,
    lu: Lu,
    step: Vec<f64>,
    trial: PortState,
    correction: Vec<f64>,
}

impl PortScratch {
    /// Factors unit + K J at `state`.
    pub(crate) fn factor_at(
        &mut self,
        network: &Network,
        ports: &PortNetwork,
        state: &PortState,
    ) -> bool {
        times_slopes(network, &ports.resistance, state, true, &mut self.slope);
        self.lu.factor(&self.slope).is_ok()
    }
}

fn residual(ports: &PortNetwork, state: &PortState, scale: f64, out: &mut Vec<f64>) {
    out.clear();
    out.extend(state.volts.iter().enumerate().map(|(p, v)| {
        let drop: f64 = ports
            .resistance
            .row(p)
            .iter()
            .zip(&state.amps)
            .map(|(k, i)| k * i)
            .sum();
        v - scale * ports.open[p] + drop
    }));
}

/// A step measured against the voltages it changes.
pub(crate) fn size(step: &[f64], volts: &[f64]) -> f64 {
    step.iter()
        .zip(volts)
        .map(|(d, v)| {
            let relative = d / (1.0 + 0.1 * v.abs());
            relative * relative
        })
        .sum::<f64>()
        .sqrt()
}

/// Finds the port voltages from the start in `state`; sources scaled by `scale`.
///
/// # Errors
/// The port that would not settle.
pub(crate) fn solve(
    network: &Network,
    values: &Values,
    ports: &PortNetwork,
    scale: f64,
    state: &mut PortState,
    scratch: &mut PortScratch,
) -> Result<(), NotSettled> {
    if state.volts.is_empty() {
        return Ok(());
    }
    state.evaluate(network, values);
    let mut damping: f64 = 1.0;
    let mut worst = 0;
    for _ in 0..MOST_STEPS {
        if !scratch.factor_at(network, ports, state) {
            return Err(NotSettled {
                port: worst,
                steps: 0,
            });
        }
        residual(ports, state, scale, &mut scratch.step);
        scratch.lu.solve(&mut scratch.step);
        let mut settled = true;
        let mut largest = 0.0;
        for (port, (d, v)) in scratch.step.iter().zip(&state.volts).enumerate() {
            if !d.is_finite() {
                return Err(NotSettled { port, steps: 0 });
            }
            settled &= d.abs() <= SETTLED.0 + SETTLED.1 * v.abs();
            let relative = d.abs() / (1.0 + v.abs());
            if relative > largest {
                largest = relative;
                worst = port;
            }
        }
        if settled {
            for (v, d) in state.volts.iter_mut().zip(&scratch.step) {
                *v -= d;
            }
            state.evaluate(network, values);
            return Ok(());
        }
        let before = size(&scratch.step, &state.volts);
        loop {
            scratch.trial.volts.clear();
            scratch.trial.volts.extend(
                state
                    .volts
                    .iter()
                    .zip(&scratch.step)
                    .map(|(v, d)| (v - damping * d).clamp(-MOST_VOLTS, MOST_VOLTS)),
            );
            scratch.trial.evaluate(network, values);
            residual(ports, &scratch.trial, scale, &mut scratch.correction);
            scratch.lu.solve(&mut scratch.correction);
            let after = size(&scratch.correction, &state.volts);
            if after <= (1.0 - 0.25 * damping) * before || after < 1e-13 {
                std::mem::swap(state, &mut scratch.trial);
                // A step that did most of what it promised earns a longer one.
                if after < (1.0 - 0.75 * damping) * before {
                    damping = (damping * 4.0).min(1.0);
                }
                break;
            }
            damping *= 0.5;
            if damping < LEAST_DAMPING {
                return Err(NotSettled {
                    port: worst,
                    steps: MOST_STEPS,
                });
            }
        }
    }
    Err(NotSettled {
        port: worst,
        steps: MOST_STEPS,
    })
}

/// Raises the sources from nothing, as one would with a variable transformer.
///
/// # Errors
/// The port that would not settle at the step where the ramp stuck.
pub(crate) fn ramp(
    network: &Network,
    values: &Values,
    ports: &PortNetwork,
    state: &mut PortState,
    scratch: &mut PortScratch,
) -> Result<(), NotSettled> {
    let mut scale = 0.0;
    let mut step = 0.25;
    let mut good = PortState {
        volts: vec![0.0; ports.open.len()],
        ..PortState::default()
    };
    while scale < 1.0 {
        let next: f64 = f64::min(1.0, scale + step);
        let mut attempt = good.clone();
        match solve(network, values, ports, next, &mut attempt, scratch) {
            Ok(()) => {
                good = attempt;
                scale = next;
                step *= 2.0;
            }
            Err(trouble) => {
                step *= 0.25;
                if step < 1e-4 {
                    *state = good;
                    return Err(trouble);
                }
            }
        }
    }
    *state = good;
    Ok(())
}
