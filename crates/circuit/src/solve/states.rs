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
use crate::state::PortState;

/// Two states are the same whose ports all differ by less than this, volts and ratio.
const SAME: (f64, f64) = (1e-4, 1e-4);

/// A device that another's absence changes the current of by less than this share, or by less than so
/// many amperes, does not hold it.
const HELD: (f64, f64) = (0.02, 1e-7);

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
            if let Some(there) = self.steadier(device, &expansion, glow, scratch) {
                expansion = there;
            }
        }
        expansion
    }

    /// A state with fewer loops that run off, come to by taking a device out and putting it back.
    fn steadier(
        &self,
        device: DeviceId,
        from: &ExpansionPoint,
        glow: &Glow,
        scratch: &mut NewtonScratch,
    ) -> Option<ExpansionPoint> {
        let without = self.taken_out(device, from, glow, scratch)?;
        let found = self.put_back_in_time(glow, without, scratch)?;
        let there = self.expand(glow, found).ok()?;
        (self.loops(&there) < self.loops(from)).then_some(there)
    }

    /// The state without a device, where that changes much for another.
    fn taken_out(
        &self,
        device: DeviceId,
        from: &ExpansionPoint,
        glow: &Glow,
        scratch: &mut NewtonScratch,
    ) -> Option<Converged> {
        let out = [Change::Device(device, DeviceChange::Absent)];
        let without = self.locate(from, &out, glow, None, Precision::Readings, scratch);
        let without = without.ok()?;
        self.is_holding(device, from, &without).then_some(without)
    }

    /// Stable states beside a stable one, with regulators as they `glow`: one device is taken out and put back, in each
    /// state that is found so.
    pub(crate) fn states_beside(
        &self,
        expansion: &ExpansionPoint,
        glow: &Glow,
        scratch: &mut NewtonScratch,
    ) -> Vec<ExpansionPoint> {
        let devices = self.regenerative(self.controlled());
        let mut states: Vec<ExpansionPoint> = vec![expansion.clone()];
        let mut looked_at = 0;
        while looked_at < states.len() && states.len() <= MOST_STATES {
            let from = states[looked_at].clone();
            looked_at += 1;
            for device in &devices {
                for there in self.put_back(*device, &from, &devices, glow, scratch) {
                    let is_known = |known: &ExpansionPoint| is_same(&there.state, &known.state);
                    if !states.iter().any(is_known) {
                        states.push(there);
                    }
                }
            }
        }
        states.truncate(1 + MOST_STATES);
        states.remove(0);
        states
    }

    /// Stable states that come of taking a device out of one and putting it back: one, or where those that it held
    /// down now stand even, what each of these comes to when the others have it their way.
    fn put_back(
        &self,
        device: DeviceId,
        from: &ExpansionPoint,
        devices: &[DeviceId],
        glow: &Glow,
        scratch: &mut NewtonScratch,
    ) -> Vec<ExpansionPoint> {
        let Some(without) = self.taken_out(device, from, glow, scratch) else {
            return Vec::new();
        };
        let start = Some(&without.state);
        let back = self.locate(from, &[], glow, start, Precision::Currents, scratch);
        let Some(there) = back.ok().and_then(|found| self.expand(glow, found).ok()) else {
            return Vec::new();
        };
        let is_stable = |state: &ExpansionPoint| self.loops(state) <= self.loops(from);
        if is_stable(&there) {
            return vec![there];
        }
        let steadier = devices.iter().filter_map(|other| {
            let there = self.steadier(*other, &there, glow, scratch)?;
            is_stable(&there).then_some(there)
        });
        steadier.collect()
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

fn is_same(one: &PortState, other: &PortState) -> bool {
    let mut pairs = one.volts.iter().zip(&other.volts);
    pairs.all(|(a, b)| (a - b).abs() <= SAME.0 + SAME.1 * a.abs().max(b.abs()))
}
