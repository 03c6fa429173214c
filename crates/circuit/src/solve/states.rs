//! More than one state.
//!
//! Tubes that drive one another in a loop may hold each other: one conducts and keeps the other cut off, or the other
//! way about. Newton's method finds any solution, also the one between, which no unit stays in: there the Jacobian has an
//! eigenvalue below nought. The states to either side of it, and those that no search came by, are found as
//! one would find them on a bench: a tube is taken out, and put back.

use deadstage_parts::Device;

use super::solver::{Glow, Solver};
use super::{Place, Sought};
use crate::continuation::expansion::ExpansionPoint;
use crate::continuation::newton::{Converged, NewtonScratch, Precision};
use crate::network::DeviceId;
use crate::overlay::{Change, DeviceChange};

/// Two states are the same whose ports all differ by less than this, volts and ratio.
const SAME: (f64, f64) = (1e-4, 1e-4);

/// A device that another's absence changes the current of by less than this share, or by less than so
/// many amperes, does not hold it.
const HELD: (f64, f64) = (0.3, 1e-7);

/// Further states that are looked for.
const MOST_STATES: usize = 7;

impl Solver<'_> {
    /// How many loops may run off in a state, by the pivots below nought: where it is odd, so is the number of the
    /// Jacobian's real eigenvalues below nought (its determinant has that sign), and the state does not hold.
    /// None of a state that holds by itself; two of two halves that each stand between their states, and
    /// now and then of a state that holds all the same.
    fn loops(&self, expansion: &ExpansionPoint) -> usize {
        expansion.negative_pivots(&self.pattern)
    }

    /// A state that holds by itself, from one that does not: one device after another is taken out and put back, and
    /// what comes of it is kept where fewer loops are left that run off.
    pub(crate) fn stabilised(
        &self,
        mut expansion: ExpansionPoint,
        glow: &Glow,
        scratch: &mut NewtonScratch,
    ) -> ExpansionPoint {
        for device in self.controlled() {
            if self.loops(&expansion) == 0 {
                break;
            }
            let out = [Change::Device(device, DeviceChange::Absent)];
            let without = self.locate(&expansion, &out, glow, None, Precision::Readings, scratch);
            if let Ok(without) = without
                && self.is_holding(device, &expansion, &without)
                && let Some(found) = self.put_back_in_time(glow, without, scratch)
                && let Ok(there) = self.expand(glow, found)
                && self.loops(&there) < self.loops(&expansion)
            {
                expansion = there;
            }
        }
        expansion
    }

    /// Stable states beside a stable one, with regulators as they `glow`: one device is taken out and put back.
    pub(crate) fn states_beside(
        &self,
        expansion: &ExpansionPoint,
        glow: &Glow,
        scratch: &mut NewtonScratch,
    ) -> Vec<ExpansionPoint> {
        let mut states: Vec<ExpansionPoint> = Vec::new();
        for device in self.controlled() {
            let out = [Change::Device(device, DeviceChange::Absent)];
            let without = self.locate(expansion, &out, glow, None, Precision::Readings, scratch);
            let Ok(without) = without else {
                continue;
            };
            if !self.is_holding(device, expansion, &without) {
                continue;
            }
            let start = Some(&without.state);
            let back = self.locate(expansion, &[], glow, start, Precision::Currents, scratch);
            let Ok(found) = back else {
                continue;
            };
            let is_known = |known: &ExpansionPoint| is_same(&found.state.volts, &known.state.volts);
            if is_known(expansion) || states.iter().any(is_known) {
                continue;
            }
            if let Ok(there) = self.expand(glow, found)
                && self.loops(&there) <= self.loops(expansion)
            {
                states.push(there);
            }
            if states.len() >= MOST_STATES {
                break;
            }
        }
        states
    }

    /// Devices that are there and that something else controls.
    fn controlled(&self) -> Vec<DeviceId> {
        let ids = (0u32..).map(DeviceId).zip(&self.network.devices);
        let has_control = |law: &Device| law.ports() > 1;
        ids.filter(|(id, slot)| self.values.present[id.0 as usize] && has_control(&slot.law))
            .map(|(id, _)| id)
            .collect()
    }

    /// Whether a device's absence changes much for another.
    fn is_holding(
        &self,
        device: DeviceId,
        expansion: &ExpansionPoint,
        without: &Converged,
    ) -> bool {
        let currents = expansion.linearisations.iter().zip(&self.network.devices);
        currents.enumerate().any(|(other, (then, slot))| {
            let (then, now) = (then.currents.amps[0], without.state.amps[slot.first_port]);
            let change = (now - then).abs();
            other != device.0 as usize
                && change > HELD.1
                && change > HELD.0 * then.abs().max(now.abs())
        })
    }

    /// The state that a unit comes to by itself when a device is put back.
    fn put_back_in_time(
        &self,
        glow: &Glow,
        without: Converged,
        scratch: &mut NewtonScratch,
    ) -> Option<Converged> {
        let mut values = self.values.clone();
        self.lay_glow(glow, &mut values);
        let sought = Sought {
            network: self.network,
            pattern: &self.pattern,
            bare: &values,
            overlay: &[],
            values: &values,
        };
        sought.switch_on(&Place::from(without), scratch).ok()
    }
}

fn is_same(one: &[f64], other: &[f64]) -> bool {
    let mut pairs = one.iter().zip(other);
    pairs.all(|(a, b)| (a - b).abs() <= SAME.0 + SAME.1 * a.abs().max(b.abs()))
}
