//! A meter's load on a point found near a known one.
//!
//! The meter is one more shunt. Its load is stamped over the network *linearised at
//! the point itself*, B'', as a failure is over that at the known one:
//!
//! ```text
//! B_L = B'' − c aᵀ / (R + uᵀ c),   c = B'' u,   aᵀ = uᵀ B''
//! ```
//!
//! and only those devices that the load takes off their tangents there need
//! Newton's method: mostly the one whose grid or plate is being read, often none.

use std::cell::OnceCell;

use deadstage_parts::{MAX_PORTS, PortCurrents};

use super::OperatingPoint;
use super::sensitivities::{Origin, SensitivityTerm, add_up, differ_less};
use crate::continuation::expansion::{MeterLoad, effect, reach, turn};
use crate::equations::pins::Block;
use crate::linalg::vector::add_scaled;

use crate::equations::tap::Tap;
use crate::linalg::dense::{Lu, Matrix};
use crate::scratch::Scratch;
use crate::state::MOST_VOLTS;

/// A device whose ports move less than this stays where it is, volts.
const STILL: f64 = 3e-4;

/// A device whose slopes turn by less than this share of what its ports see stays on its tangent.
const LEAST_TURN: f64 = 5e-3;

/// A device of which no current and no slope changes by more than these ratios keeps what tolerances do to it.
const UNMOVED: (f64, f64) = (0.02, 0.02);

/// A departure that moves the device's own ports by less than this, volts, is none.
const SETTLED_EFFECT: f64 = 2e-5;

/// A last step no larger than this, volts and ratio, need not be looked at: the one after is its square.
const SETTLED: (f64, f64) = (1e-5, 1e-7);

/// Rounds in which devices may turn out to be moved after all, and steps of one Newton run.
const MOST_ROUNDS: usize = 4;
const MOST_STEPS: usize = 10;

/// A step that does not shrink to this share of the last one is not followed further from here.
const LEAST_GAIN: f64 = 0.7;

/// A device that the load takes off its tangent.
#[derive(Clone, Debug)]
struct Moved {
    device: usize,
    /// Its first port among those of all moved devices.
    first: usize,
    /// Port voltages with the load on.
    volts: [f64; MAX_PORTS],
    currents: PortCurrents,
}

/// What a meter does to the point it is put to.
#[derive(Clone, Debug)]
pub(crate) struct UnderLoad {
    /// Which meter, where.
    load: MeterLoad,
    /// What it does to the unknowns; `None`: not found this way.
    step: Option<Vec<f64>>,
    /// aᵀ = uᵀ B''.
    row: Vec<f64>,
    /// c = B'' u.
    column: Vec<f64>,
    /// R + uᵀ c.
    total: f64,
    /// What the meter's current alone does to the unknowns.
    linear: Vec<f64>,
    moved: Vec<Moved>,
    /// Taps of the moved devices' ports.
    taps: Vec<Tap>,
    /// B_L u for each of these.
    columns: Vec<Vec<f64>>,
    /// What they see of each other through B_L, ohms.
    resistance: Matrix,
    /// Currents of the moved devices less their tangents.
    departures: Vec<f64>,
}

impl OperatingPoint<'_> {
    /// What a meter shows whose adjoint stands in `scratch`.
    /// `None`: not found this way.
    pub(crate) fn read_under_load(
        &self,
        load: MeterLoad,
        scratch: &Scratch,
        gradient: Option<&mut Vec<f64>>,
    ) -> Option<f64> {
        let mut known = self.adjoints.loads.borrow_mut();
        known.push(UnderLoad::new(self, load, &scratch.adjoint));
        known.last()?.read(self, gradient)
    }

    /// What a meter shows that has been looked at before: `None` if it has not,
    /// or was not to be found.
    pub(crate) fn read_known_load(
        &self,
        load: MeterLoad,
        gradient: Option<&mut Vec<f64>>,
    ) -> Option<f64> {
        let known = self.adjoints.loads.borrow();
        let known = known.iter().find(|known| known.load == load)?;
        known.read(self, gradient)
    }

    /// By port of a device, the most that a current into it moves any of them, with
    /// every device on its tangent at this point, ohms.
    fn reach(&self, device: usize) -> [f64; MAX_PORTS] {
        let all = self
            .adjoints
            .reaches
            .get_or_init(|| vec![OnceCell::new(); self.network().devices.len()]);
        *all[device].get_or_init(|| self.reach_of(device))
    }

    fn reach_of(&self, device: usize) -> [f64; MAX_PORTS] {
        if let Some(block) = self.ohms_of(device) {
            return reach(&block);
        }
        let slot = &self.network().devices[device];
        let taps = &self.pattern.port_taps[slot.first_port..][..slot.ports.len()];
        let mut block = Block::default();
        for (p, &by) in taps.iter().enumerate() {
            for (row, &at) in block.iter_mut().zip(taps) {
                row[p] = self.ohms_between(at, by);
            }
        }
        reach(&block)
    }

    /// Currents of a device less its tangent at the point.
    fn departures(&self, device: usize, now: &PortCurrents, steps: &[f64]) -> [f64; MAX_PORTS] {
        let first = self.network().devices[device].first_port;
        let slopes = self.slopes(device);
        let mut out = [0.0; MAX_PORTS];
        for (p, out) in out.iter_mut().enumerate().take(steps.len()) {
            let tangent: f64 = steps.iter().zip(&slopes[p]).map(|(v, s)| v * s).sum();
            *out = now.amps[p] - self.converged.state.amps[first + p] - tangent;
        }
        out
    }

    /// Whether a device is where it is at the known point, and as it is there.
    fn is_as_known(&self, device: usize) -> bool {
        let slot = &self.network().devices[device];
        let (now, then) = (self.values(), &self.expansion.values);
        let range = slot.first_port..slot.first_port + slot.ports.len();
        let here = self.converged.state.volts[range.clone()].iter();
        let mut moved = here.zip(&self.expansion.state.volts[range]);
        moved.all(|(a, b)| (a - b).abs() < STILL)
            && now.conditions[device] == then.conditions[device]
            && now.present[device] == then.present[device]
    }

    /// The slopes that a device has in B''.
    fn slopes(&self, device: usize) -> &[[f64; MAX_PORTS]; MAX_PORTS] {
        &self.converged.state.currents[device].siemens
    }
}

impl UnderLoad {
    fn new(point: &OperatingPoint<'_>, load: MeterLoad, row: &[f64]) -> Self {
        let tap = point.pattern.tap(load.from, load.to);
        let mut column = Vec::new();
        point.column(tap, &mut column);
        let total = load.ohms + tap.of(row);
        let drawn = tap.of(&point.converged.unknowns) / total;
        let mut this = Self {
            load,
            step: None,
            row: row.to_vec(),
            linear: column.iter().map(|c| -drawn * c).collect(),
            column,
            total,
            moved: Vec::new(),
            taps: Vec::new(),
            columns: Vec::new(),
            resistance: Matrix::default(),
            departures: Vec::new(),
        };
        this.step = this.settle(point);
        this
    }

    /// What the meter shows.
    fn read(&self, point: &OperatingPoint<'_>, gradient: Option<&mut Vec<f64>>) -> Option<f64> {
        let step = self.step.as_deref()?;
        if let Some(gradient) = gradient {
            self.gradient(point, step, gradient)?;
        }
        let tap = point.pattern.tap(self.load.from, self.load.to);
        Some(tap.of(&point.converged.unknowns) + tap.of(step))
    }

    /// What the load does to the unknowns.
    fn settle(&mut self, point: &OperatingPoint<'_>) -> Option<Vec<f64>> {
        let mut step = self.linear.clone();
        for _ in 0..MOST_ROUNDS {
            if !self.find_moved(point, &step)? {
                return Some(step);
            }
            self.newton(point)?;
            step.clone_from(&self.linear);
            for (column, departure) in self.columns.iter().zip(&self.departures) {
                add_scaled(&mut step, -departure, column);
            }
        }
        None
    }

    /// Takes in the devices that this step of the unknowns takes off their tangents; whether there are more now.
    /// `None`: one with resistance in its pins.
    fn find_moved(&mut self, point: &OperatingPoint<'_>, step: &[f64]) -> Option<bool> {
        let network = point.network();
        let mut more = false;
        for (device, slot) in network.devices.iter().enumerate() {
            if !point.values().present[device] || self.moved.iter().any(|m| m.device == device) {
                continue;
            }
            let ports = slot.ports.len();
            let range = slot.first_port..slot.first_port + ports;
            let taps = &point.pattern.port_taps[range.clone()];
            let mut steps = [0.0; MAX_PORTS];
            for (step_here, tap) in steps.iter_mut().zip(taps) {
                *step_here = tap.of(step);
            }
            let largest = steps.iter().fold(0.0f64, |most, s| most.max(s.abs()));
            if largest < STILL {
                continue;
            }
            if point.values().common_ohms[device] != 0.0
                || point.values().port_ohms[range.clone()]
                    .iter()
                    .any(|r| *r != 0.0)
                || largest.is_nan()
            {
                return None;
            }
            let mut volts = [0.0; MAX_PORTS];
            for ((v, at), by) in volts
                .iter_mut()
                .zip(&point.converged.state.volts[range.clone()])
                .zip(&steps)
            {
                *v = (at + by).clamp(-MOST_VOLTS, MOST_VOLTS);
            }
            let stays =
                |reach| (point.expansion).stays(network, point.pattern, device, &volts, reach);
            let is_as_known = point.is_as_known(device);
            if is_as_known && stays(None) {
                continue;
            }
            let reach = point.reach(device);
            if is_as_known && stays(Some(&reach)) {
                continue;
            }
            let currents = point.values().device_currents(network, device, &volts);
            let departures = point.departures(device, &currents, &steps[..ports]);
            let then = PortCurrents {
                siemens: *point.slopes(device),
                ..currents
            };
            let mut before = then;
            before.amps[..ports].copy_from_slice(&point.converged.state.amps[range.clone()]);
            if effect(&reach, &departures) < SETTLED_EFFECT
                && turn(&reach, &currents, &then) < LEAST_TURN
                && differ_less(&currents, &before, UNMOVED)
            {
                continue;
            }
            more = true;
            self.moved.push(Moved {
                device,
                first: self.taps.len(),
                volts,
                currents,
            });
            for &tap in taps {
                let mut column = Vec::new();
                point.column(tap, &mut column);
                let back = tap.of(&self.row) / self.total;
                add_scaled(&mut column, -back, &self.column);
                self.taps.push(tap);
                self.columns.push(column);
            }
        }
        if more {
            let count = self.taps.len();
            self.resistance.reset(count, count);
            for (j, column) in self.columns.iter().enumerate() {
                for (i, tap) in self.taps.iter().enumerate() {
                    self.resistance[(i, j)] = tap.of(column);
                }
            }
        }
        Some(more)
    }

    /// J − J'' of the moved devices, times `by` from the left: a row for each port.
    fn turned(&self, point: &OperatingPoint<'_>, by: &Matrix, out: &mut Matrix) {
        let count = self.taps.len();
        out.reset(count, count);
        for moved in &self.moved {
            let ports = point.network().devices[moved.device].ports.len();
            let slopes = point.slopes(moved.device);
            for i in 0..count {
                for q in 0..ports {
                    let sum: f64 = (0..ports)
                        .map(|l| {
                            let turn = moved.currents.siemens[l][q] - slopes[l][q];
                            by[(i, moved.first + l)] * turn
                        })
                        .sum();
                    out[(i, moved.first + q)] = sum;
                }
            }
        }
    }

    /// Finds where the moved devices settle.
    fn newton(&mut self, point: &OperatingPoint<'_>) -> Option<()> {
        let count = self.taps.len();
        let open: Vec<f64> = self.taps.iter().map(|tap| tap.of(&self.linear)).collect();
        let mut steps = vec![0.0; count];
        for moved in &self.moved {
            let slot = &point.network().devices[moved.device];
            for p in 0..slot.ports.len() {
                steps[moved.first + p] =
                    moved.volts[p] - point.converged.state.volts[slot.first_port + p];
            }
        }
        let mut jacobian = Matrix::default();
        let mut lu = Lu::default();
        let mut last = f64::INFINITY;
        for _ in 0..MOST_STEPS {
            self.departures.clear();
            for moved in &self.moved {
                let ports = point.network().devices[moved.device].ports.len();
                let here = &steps[moved.first..moved.first + ports];
                let found = point.departures(moved.device, &moved.currents, here);
                self.departures.extend_from_slice(&found[..ports]);
            }
            let mut residual: Vec<f64> = (0..count)
                .map(|i| {
                    let drop = self.resistance.row(i).iter().zip(&self.departures);
                    steps[i] - open[i] + drop.map(|(k, e)| k * e).sum::<f64>()
                })
                .collect();
            self.turned(point, &self.resistance, &mut jacobian);
            for i in 0..count {
                jacobian[(i, i)] += 1.0;
            }
            lu.factor(&jacobian).ok()?;
            lu.solve(&mut residual);
            let largest = residual.iter().fold(0.0f64, |most, d| most.max(d.abs()));
            // Gains less than it should, or is no number.
            if largest.is_nan() || largest > LEAST_GAIN * last {
                return None;
            }
            last = largest;
            let converged = residual
                .iter()
                .zip(&steps)
                .all(|(d, v)| d.abs() <= SETTLED.0 + SETTLED.1 * v.abs());
            for (step, d) in steps.iter_mut().zip(&residual) {
                *step -= d;
            }
            for k in 0..self.moved.len() {
                let moved = &self.moved[k];
                let (device, first) = (moved.device, moved.first);
                let slot = &point.network().devices[device];
                let ports = slot.ports.len();
                let mut volts = [0.0; MAX_PORTS];
                for p in 0..ports {
                    volts[p] = point.converged.state.volts[slot.first_port + p] + steps[first + p];
                    if volts[p].abs() > MOST_VOLTS {
                        return None;
                    }
                }
                let mut currents = moved.currents;
                if converged {
                    // What so small a step leaves out is its square.
                    for (p, amps) in currents.amps.iter_mut().enumerate().take(ports) {
                        for q in 0..ports {
                            *amps -= moved.currents.siemens[p][q] * residual[first + q];
                        }
                    }
                    let here = &steps[first..first + ports];
                    let found = point.departures(device, &currents, here);
                    self.departures[first..first + ports].copy_from_slice(&found[..ports]);
                } else {
                    currents = slot
                        .law
                        .currents(&volts, &point.values().conditions[device]);
                }
                self.moved[k].volts = volts;
                self.moved[k].currents = currents;
            }
            if converged {
                return Some(());
            }
        }
        None
    }

    /// Change of what the meter shows with every parameter.
    fn gradient(
        &self,
        point: &OperatingPoint<'_>,
        step: &[f64],
        gradient: &mut Vec<f64>,
    ) -> Option<()> {
        let count = self.taps.len();
        let share = self.load.ohms / self.total;
        let mut adjoint: Vec<f64> = self.row.iter().map(|a| share * a).collect();
        if count > 0 {
            // a_L N (1 + K N)⁻¹, and with it the rows of B_L.
            let mut jacobian = Matrix::default();
            self.turned(point, &self.resistance, &mut jacobian);
            let mut unit = Matrix::zeros(count, count);
            for i in 0..count {
                jacobian[(i, i)] += 1.0;
                unit[(i, i)] = 1.0;
            }
            let mut turn = Matrix::default();
            self.turned(point, &unit, &mut turn);
            let seen: Vec<f64> = self.taps.iter().map(|tap| tap.of(&adjoint)).collect();
            let mut weights: Vec<f64> = (0..count)
                .map(|j| (0..count).map(|i| seen[i] * turn[(i, j)]).sum())
                .collect();
            let mut lu = Lu::default();
            lu.factor(&jacobian).ok()?;
            lu.solve_transposed(&mut weights);
            let mut row = Vec::new();
            for (&tap, weight) in self.taps.iter().zip(weights) {
                point.row(&[(tap, 1.0)], &mut row);
                add_scaled(&mut row, -tap.of(&self.column) / self.total, &self.row);
                add_scaled(&mut adjoint, -weight, &row);
            }
        }
        let by_load = |id: crate::network::ElementId| {
            let value = point.values().elements[id.0 as usize];
            point.element_amps(id) + point.element_tap(id).of(step) / value.ohms
        };
        let mut origin = |device: usize| {
            let moved = self.moved.iter().find(|m| m.device == device)?;
            Some(Origin {
                volts: moved.volts,
                currents: moved.currents,
            })
        };
        let terms: Vec<SensitivityTerm> = point.terms_of(by_load, &mut origin);
        add_up(&terms, &adjoint, 1.0, point.network(), gradient);
        Some(())
    }
}
