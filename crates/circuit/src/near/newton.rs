//! Newton's method in the ports of those devices that a failure takes off their tangents.
//!
//! With e(v) = i(v) − i₀ − J₀ (v − v₀) the current of a device less its
//! tangent, the network is x = x_tangent − Σ B' u_p e_p. Most devices of a
//! chassis stay on their tangents, or leave them by so little that their e is
//! a constant after a look or two; Newton's method is left with the others.
//! A resistance R in a pin lies between socket and device: v_socket = v + R i(v).

use deadstage_parts::{MAX_PORTS, PortCurrents};

use super::centre::{Centre, add_scaled, effect, reach, turn};
use super::update::Update;
use crate::base::Base;
use crate::dense::{Lu, Matrix};
use crate::network::DeviceSlot;
use crate::ports::{LEAST_DAMPING, MOST_VOLTS, PortState, size};
use crate::situation::Values;

/// A device whose ports moved less than this since it was last asked is not asked again, volts.
pub(super) const STILL: f64 = 3e-4;

/// A device whose departure from its tangent moves its own ports by more than this, volts, or whose slopes
/// have turned by this share of what its ports see, is solved by Newton's method.
pub(super) const STRONG: (f64, f64) = (2e-2, 5e-3);

/// A change of departure that moves the device's own ports by less than this, volts, is none.
pub(super) const SETTLED_EFFECT: f64 = 2e-5;

/// A last step no larger than this, volts and ratio, need not be looked at: the one after is its square.
pub(super) const SETTLED: (f64, f64) = (1e-5, 1e-7);

/// A device whose ports move less than this in a step follows its slopes, volts:
/// against a grid's tenth of a volt what that leaves out is nothing.
const ALONG_SLOPES: f64 = 1e-5;

/// Without resistance or slopes the equations of the active ports are v = 0 with pivots of one;
/// pivots below this tell of a port that is left hanging, and of digits lost with it.
const LEAST_PIVOT: f64 = 1e-5;

/// Rounds between the two kinds of devices, and steps of one Newton run.
const MOST_ROUNDS: usize = 12;
const MOST_STEPS: usize = 40;

/// Where the devices ended.
#[derive(Clone, Debug)]
pub(super) struct Settled {
    /// Port voltages at the devices themselves, currents and slopes.
    pub(super) state: PortState,
    pub(super) unknowns: Vec<f64>,
    /// What the departures do to the unknowns of the unchanged network.
    pub(super) moved: Vec<f64>,
    pub(super) active: Active,
}

/// The devices that are solved by Newton's method.
#[derive(Clone, Debug, Default)]
pub(super) struct Active {
    pub(super) devices: Vec<usize>,
    /// Their ports among all ports.
    pub(super) ports: Vec<usize>,
    /// B' u for each of these ports.
    pub(super) columns: Vec<Vec<f64>>,
    /// What the ports see of each other through B', ohms.
    pub(super) resistance: Matrix,
    /// Devices, and ports, that a Newton run has been through: the first so many.
    solved: usize,
    solved_ports: usize,
}

/// One guess at the active ports.
#[derive(Clone, Debug, Default)]
struct Guess {
    volts: Vec<f64>,
    departures: Vec<f64>,
    residual: Vec<f64>,
    currents: Vec<PortCurrents>,
}

/// The problem at hand.
pub(super) struct Settling<'a> {
    pub(super) base: &'a Base<'a>,
    pub(super) centre: &'a Centre,
    pub(super) values: &'a Values,
    pub(super) update: &'a Update,
}

/// Resistance matrix of a device's pins, ohms: `[port]` and the common one.
fn pins(values: &Values, device: usize, slot: &DeviceSlot) -> Option<([f64; MAX_PORTS], f64)> {
    let mut own = [0.0; MAX_PORTS];
    let ports = slot.ports.len();
    own[..ports].copy_from_slice(&values.port_ohms[slot.first_port..slot.first_port + ports]);
    let common = values.common_ohms[device];
    (common != 0.0 || own.iter().any(|r| *r != 0.0)).then_some((own, common))
}

/// M = 1 + R J of one device, and N = J − J₀ M.
pub(super) fn blocks(
    values: &Values,
    device: usize,
    slot: &DeviceSlot,
    now: &PortCurrents,
    centre: &PortCurrents,
) -> ([[f64; MAX_PORTS]; MAX_PORTS], [[f64; MAX_PORTS]; MAX_PORTS]) {
    let ports = slot.ports.len();
    let mut m = [[0.0; MAX_PORTS]; MAX_PORTS];
    for (p, row) in m.iter_mut().enumerate().take(ports) {
        row[p] = 1.0;
    }
    if let Some((own, common)) = pins(values, device, slot) {
        let total: [f64; MAX_PORTS] =
            std::array::from_fn(|q| now.siemens[..ports].iter().map(|row| row[q]).sum());
        for (p, row) in m.iter_mut().enumerate().take(ports) {
            for (q, entry) in row.iter_mut().enumerate().take(ports) {
                *entry += own[p] * now.siemens[p][q] + common * total[q];
            }
        }
    }
    let mut n = now.siemens;
    for (row, slopes) in n.iter_mut().zip(&centre.siemens).take(ports) {
        for (slope, through) in slopes.iter().zip(&m).take(ports) {
            for (entry, m) in row.iter_mut().zip(through).take(ports) {
                *entry -= slope * m;
            }
        }
    }
    (m, n)
}

impl Settling<'_> {
    fn slot(&self, device: usize) -> &DeviceSlot {
        &self.base.network.devices[device]
    }

    fn is_changed(&self, device: usize) -> bool {
        let (now, then) = (self.values, &self.centre.values);
        now.present[device] != then.present[device]
            || now.conditions[device] != then.conditions[device]
            || pins(now, device, self.slot(device)).is_some()
    }

    fn currents(&self, device: usize, volts: &[f64]) -> PortCurrents {
        if !self.values.present[device] {
            return PortCurrents::default();
        }
        let mut at = [0.0; MAX_PORTS];
        at[..volts.len()].copy_from_slice(volts);
        self.slot(device)
            .law
            .currents(&at, &self.values.conditions[device])
    }

    /// Finds where the devices settle. `None`: not found this way.
    pub(super) fn settle(
        &self,
        start: Option<&PortState>,
        scratch: &mut NearScratch,
    ) -> Option<Settled> {
        let network = self.base.network;
        let taps = &self.base.linear.port_taps;
        let mut state = self.centre.state.clone();
        let mut departures = vec![0.0; network.port_count];
        let mut reaches: Vec<Option<[f64; MAX_PORTS]>> = vec![None; network.devices.len()];
        let mut asked = vec![false; network.devices.len()];
        let mut is_active = vec![false; network.devices.len()];
        let mut active = Active::default();
        for (device, is_active) in is_active.iter_mut().enumerate() {
            if self.is_changed(device) {
                *is_active = true;
                self.activate(device, &mut active);
                if let Some(start) = start {
                    self.copy_volts(device, start, &mut state);
                }
            }
        }
        let mut unknowns = self.update.tangent.clone();
        let mut moved = vec![0.0; unknowns.len()];
        for round in 0..MOST_ROUNDS {
            let mut settled = true;
            for (device, slot) in network.devices.iter().enumerate() {
                if is_active[device] || !self.values.present[device] {
                    continue;
                }
                let ports = slot.ports.len();
                let range = slot.first_port..slot.first_port + ports;
                let mut volts = [0.0; MAX_PORTS];
                let mut largest = 0.0f64;
                for (v, p) in volts.iter_mut().zip(range.clone()) {
                    *v = taps[p].of(&unknowns);
                    largest = largest.max((*v - state.volts[p]).abs());
                }
                if largest < STILL {
                    continue;
                }
                if largest.is_nan() {
                    return None;
                }
                let reach = *reaches[device].get_or_insert_with(|| {
                    let block = &self.centre.blocks[device];
                    reach(&self.update.block(&taps[range.clone()], block))
                });
                // Never asked yet, and known to stay on its tangent.
                if !asked[device] && self.centre.stays(device, slot, &volts, &reach) {
                    continue;
                }
                asked[device] = true;
                let wild = volts.iter().any(|v| v.abs() > MOST_VOLTS);
                let now = self.currents(device, &volts[..ports]);
                let mut found = [0.0; MAX_PORTS];
                let first = slot.first_port;
                self.centre
                    .departures(first, device, &now, &volts[..ports], &mut found);
                let effect = effect(&reach, &found);
                let turn = turn(&reach, &now, &self.centre.state.currents[device]);
                let change = found
                    .iter()
                    .zip(&departures[range.clone()])
                    .zip(&reach)
                    .map(|((found, known), ohms)| (found - known).abs() * ohms)
                    .fold(0.0, f64::max);
                if wild || effect > STRONG.0 || turn > STRONG.1 {
                    settled = false;
                    is_active[device] = true;
                    self.activate(device, &mut active);
                    match start {
                        Some(start) => self.copy_volts(device, start, &mut state),
                        None if round > 0 && !wild => {
                            state.volts[range].copy_from_slice(&volts[..ports]);
                        }
                        None => self.copy_volts(device, &self.centre.state, &mut state),
                    }
                    continue;
                }
                settled &= change < SETTLED_EFFECT;
                departures[range.clone()].copy_from_slice(&found[..ports]);
                state.volts[range.clone()].copy_from_slice(&volts[..ports]);
                state.amps[range].copy_from_slice(&now.amps[..ports]);
                state.currents[device] = now;
            }
            if settled && (round > 0 || active.devices.is_empty()) {
                self.follow_tangents(&is_active, &unknowns, &departures, &mut state);
                return Some(Settled {
                    state,
                    unknowns,
                    moved,
                    active,
                });
            }
            // What the passive departures do, and then the active ones.
            moved.fill(0.0);
            for (device, slot) in network.devices.iter().enumerate() {
                if !is_active[device] {
                    self.inject(slot, &departures, &mut moved, scratch);
                }
            }
            unknowns.clone_from(&moved);
            self.update.correct(&mut unknowns);
            add_scaled(&mut unknowns, 1.0, &self.update.tangent);
            if !active.devices.is_empty() {
                self.newton(&active, &unknowns, &mut state, &mut departures, scratch)?;
                active.solved = active.devices.len();
                active.solved_ports = active.ports.len();
                for (column, &p) in active.columns.iter().zip(&active.ports) {
                    add_scaled(&mut unknowns, -departures[p], column);
                }
                for &device in &active.devices {
                    self.inject(self.slot(device), &departures, &mut moved, scratch);
                }
            }
        }
        None
    }

    /// Brings the passive devices to where the network has taken them.
    fn follow_tangents(
        &self,
        is_active: &[bool],
        unknowns: &[f64],
        departures: &[f64],
        state: &mut PortState,
    ) {
        let then = &self.centre.state;
        for (device, slot) in self.base.network.devices.iter().enumerate() {
            if is_active[device] {
                continue;
            }
            let range = slot.first_port..slot.first_port + slot.ports.len();
            for p in range.clone() {
                state.volts[p] = self.base.linear.port_taps[p].of(unknowns);
            }
            for (p, slopes) in range.clone().zip(&then.currents[device].siemens) {
                let tangent: f64 = range
                    .clone()
                    .zip(slopes)
                    .map(|(q, slope)| slope * (state.volts[q] - then.volts[q]))
                    .sum();
                state.amps[p] = then.amps[p] + tangent + departures[p];
            }
        }
    }

    fn copy_volts(&self, device: usize, from: &PortState, to: &mut PortState) {
        let slot = self.slot(device);
        let range = slot.first_port..slot.first_port + slot.ports.len();
        to.volts[range.clone()].copy_from_slice(&from.volts[range]);
    }

    /// Adds what a device's departures do to the unknowns of the unchanged network.
    fn inject(
        &self,
        slot: &DeviceSlot,
        departures: &[f64],
        moved: &mut [f64],
        scratch: &mut NearScratch,
    ) {
        let range = slot.first_port..slot.first_port + slot.ports.len();
        let taps = &self.base.linear.port_taps[range.clone()];
        for (&tap, &departure) in taps.iter().zip(&departures[range]) {
            if departure != 0.0 {
                self.centre.column(tap, &mut scratch.column);
                add_scaled(moved, -departure, &scratch.column);
            }
        }
    }

    /// Takes a device among the active ones.
    fn activate(&self, device: usize, active: &mut Active) {
        let slot = self.slot(device);
        let taps = &self.base.linear.port_taps;
        active.devices.push(device);
        let range = slot.first_port..slot.first_port + slot.ports.len();
        for &tap in &taps[range.clone()] {
            let mut column = Vec::new();
            self.centre.column(tap, &mut column);
            self.update.correct(&mut column);
            active.columns.push(column);
        }
        active.ports.extend(range);
        let count = active.ports.len();
        active.resistance.reset(count, count);
        for (j, column) in active.columns.iter().enumerate() {
            for (i, &p) in active.ports.iter().enumerate() {
                active.resistance[(i, j)] = taps[p].of(column);
            }
        }
    }

    /// Currents, departures and residual of a guess, for socket voltages
    /// `open` with no departures.
    ///
    /// Devices that have hardly moved since `before` are not asked again.
    fn look(&self, active: &Active, open: &[f64], guess: &mut Guess, before: Option<&Guess>) {
        let count = active.ports.len();
        guess.departures.resize(count, 0.0);
        guess.residual.resize(count, 0.0);
        guess
            .currents
            .resize(active.devices.len(), PortCurrents::default());
        let mut at = 0;
        for (k, &device) in active.devices.iter().enumerate() {
            let slot = self.slot(device);
            let ports = slot.ports.len();
            let volts = &guess.volts[at..at + ports];
            let now = before
                .and_then(|before| along(before, k, at..at + ports, volts))
                .unwrap_or_else(|| self.currents(device, volts));
            let mut socket = [0.0; MAX_PORTS];
            socket[..ports].copy_from_slice(volts);
            if let Some((own, common)) = pins(self.values, device, slot) {
                let total: f64 = now.amps[..ports].iter().sum();
                for p in 0..ports {
                    socket[p] += own[p] * now.amps[p] + common * total;
                }
            }
            self.centre.departures(
                slot.first_port,
                device,
                &now,
                &socket[..ports],
                &mut guess.departures[at..at + ports],
            );
            for p in 0..ports {
                guess.residual[at + p] = socket[p] - open[at + p];
            }
            guess.currents[k] = now;
            at += ports;
        }
        for i in 0..count {
            let drop: f64 = active
                .resistance
                .row(i)
                .iter()
                .zip(&guess.departures)
                .map(|(k, e)| k * e)
                .sum();
            guess.residual[i] += drop;
        }
    }

    /// d residual / d volts: M + K N.
    pub(super) fn jacobian(&self, active: &Active, currents: &[PortCurrents], out: &mut Matrix) {
        let count = active.ports.len();
        out.reset(count, count);
        let mut at = 0;
        for (&device, now) in active.devices.iter().zip(currents) {
            let slot = self.slot(device);
            let ports = slot.ports.len();
            let (m, n) = blocks(
                self.values,
                device,
                slot,
                now,
                &self.centre.state.currents[device],
            );
            for i in 0..count {
                let k = active.resistance.row(i);
                let out = &mut out.row_mut(i)[at..at + ports];
                for (q, out) in out.iter_mut().enumerate() {
                    for (l, n) in n.iter().enumerate().take(ports) {
                        *out += k[at + l] * n[q];
                    }
                }
                if (at..at + ports).contains(&i) {
                    for (q, out) in out.iter_mut().enumerate() {
                        *out += m[i - at][q];
                    }
                }
            }
            at += ports;
        }
    }

    /// Damped as the whole ports are (see [`crate::ports`]).
    fn newton(
        &self,
        active: &Active,
        unknowns: &[f64],
        state: &mut PortState,
        departures: &mut [f64],
        scratch: &mut NearScratch,
    ) -> Option<()> {
        let taps = &self.base.linear.port_taps;
        let NearScratch {
            jacobian,
            lu,
            open,
            guess,
            trial,
            known,
            correction,
            ..
        } = scratch;
        open.clear();
        open.extend(active.ports.iter().map(|&p| taps[p].of(unknowns)));
        guess.volts.clear();
        guess
            .volts
            .extend(active.ports.iter().map(|&p| state.volts[p]));
        // Those solved before, in an earlier round, start from what is known of them.
        known.volts.clone_from(&guess.volts);
        known.currents.clear();
        known
            .currents
            .extend(active.devices.iter().map(|&d| state.currents[d]));
        if active.solved < active.devices.len() {
            for v in known.volts.iter_mut().skip(active.solved_ports) {
                *v = f64::INFINITY;
            }
        }
        self.look(active, open, guess, Some(known));
        let mut damping: f64 = 1.0;
        let mut settled = false;
        for _ in 0..MOST_STEPS {
            self.jacobian(active, &guess.currents, jacobian);
            lu.factor(jacobian).ok()?;
            if lu.least_pivot() < LEAST_PIVOT {
                return None;
            }
            lu.solve(&mut guess.residual);
            let step = &guess.residual;
            if step.iter().any(|d| !d.is_finite()) {
                return None;
            }
            settled = is_small(step, &guess.volts);
            let before = size(step, &guess.volts);
            loop {
                trial.volts.clear();
                trial.volts.extend(
                    guess
                        .volts
                        .iter()
                        .zip(step)
                        .map(|(v, d)| (v - damping * d).clamp(-MOST_VOLTS, MOST_VOLTS)),
                );
                self.look(active, open, trial, Some(guess));
                if settled {
                    break;
                }
                correction.clone_from(&trial.residual);
                lu.solve(correction);
                let after = size(correction, &guess.volts);
                if after <= (1.0 - 0.25 * damping) * before || after < 1e-13 {
                    if after < (1.0 - 0.75 * damping) * before {
                        damping = (damping * 4.0).min(1.0);
                    }
                    break;
                }
                damping *= 0.5;
                if damping < LEAST_DAMPING {
                    return None;
                }
            }
            std::mem::swap(guess, trial);
            if settled {
                break;
            }
        }
        if !settled || !guess.residual.iter().all(|r| r.is_finite()) {
            return None;
        }
        let mut at = 0;
        for (&device, now) in active.devices.iter().zip(&guess.currents) {
            let slot = self.slot(device);
            for p in 0..slot.ports.len() {
                let port = slot.first_port + p;
                state.volts[port] = guess.volts[at + p];
                state.amps[port] = now.amps[p];
                departures[port] = guess.departures[at + p];
            }
            state.currents[device] = *now;
            at += slot.ports.len();
        }
        Some(())
    }
}

/// Currents of the `k`-th active device by its slopes, if its ports have hardly moved.
fn along(
    before: &Guess,
    k: usize,
    range: std::ops::Range<usize>,
    volts: &[f64],
) -> Option<PortCurrents> {
    let mut now = before.currents[k];
    for (q, (v, then)) in volts.iter().zip(&before.volts[range]).enumerate() {
        let moved = v - then;
        if moved.abs() > ALONG_SLOPES {
            return None;
        }
        for (amps, slopes) in now.amps.iter_mut().zip(&now.siemens) {
            *amps += slopes[q] * moved;
        }
    }
    Some(now)
}

fn is_small(step: &[f64], volts: &[f64]) -> bool {
    step.iter()
        .zip(volts)
        .all(|(d, v)| d.abs() <= SETTLED.0 + SETTLED.1 * v.abs())
}

/// Buffers used again from solution to solution.
#[derive(Clone, Debug, Default)]
pub(crate) struct NearScratch {
    pub(super) column: Vec<f64>,
    pub(super) jacobian: Matrix,
    pub(super) lu: Lu,
    open: Vec<f64>,
    guess: Guess,
    trial: Guess,
    known: Guess,
    correction: Vec<f64>,
}
