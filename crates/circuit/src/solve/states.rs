//! More than one state.
//!
//! Tubes that drive one another in a loop may hold each other: one conducts and keeps the other cut off, or the other
//! way about. Newton's method finds any solution, also the one between, which no unit stays in: there the Jacobian has an
//! eigenvalue below nought. The states to either side of it, and those that no search came by, are found as
//! one would find them on a bench: a tube is taken out, and put back.

use deadstage_parts::Device;
use nalgebra::DMatrix;

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

/// Nodes up to which eigenvalues are worked out, at a cost that goes with the cube; beyond, the sign of the
/// determinant must tell.
const MOST_EIGENVALUES: usize = 250;

/// A real eigenvalue below this, in units of each node's own conductance, grows.
const UNSTABLE: f64 = -1e-7;

/// One of several stable states.
#[derive(Clone, Debug)]
pub(crate) struct State {
    pub(crate) glow: Glow,
    pub(crate) found: Converged,
}

impl Solver<'_> {
    /// Whether a state holds by itself, every node having some capacitance.
    pub(crate) fn is_stable(&self, expansion: &ExpansionPoint) -> bool {
        let negative = expansion.negative_pivots(&self.pattern);
        if negative == 0 {
            return true;
        }
        if negative % 2 == 1 {
            // The determinant is below nought: so is an odd number of real eigenvalues.
            return false;
        }
        let size = self.pattern.elimination.size();
        if size > MOST_EIGENVALUES {
            return true;
        }
        let matrix = self.scaled_jacobian(expansion);
        let eigenvalues = matrix.complex_eigenvalues();
        let mut real = eigenvalues
            .iter()
            .filter(|e| e.im.abs() <= 1e-9 * e.re.abs());
        !real.any(|e| e.re < UNSTABLE)
    }

    /// The Jacobian, each row over its own conductance: how each node runs off if its time constant is one.
    fn scaled_jacobian(&self, expansion: &ExpansionPoint) -> DMatrix<f64> {
        let size = self.pattern.elimination.size();
        let entry = |row: usize, column: usize| {
            let (row, column) = (u32::try_from(row).ok()?, u32::try_from(column).ok()?);
            let place = self.pattern.elimination.find(row, column)?;
            Some(expansion.stamped.matrix[place])
        };
        DMatrix::from_fn(size, size, |row, column| {
            let own = entry(row, row).unwrap_or(1.0).abs();
            entry(row, column).unwrap_or(0.0) / own.max(f64::MIN_POSITIVE)
        })
    }

    /// Stable states beside one that is known, which need not be stable itself, with regulators as they `glow`.
    pub(crate) fn states_beside(
        &self,
        expansion: &ExpansionPoint,
        glow: &Glow,
        scratch: &mut NewtonScratch,
    ) -> Vec<State> {
        let is_stable = self.is_stable(expansion);
        let mut states: Vec<State> = Vec::new();
        for device in self.controlled() {
            let out = [Change::Device(device, DeviceChange::Absent)];
            let without = self.locate(expansion, &out, glow, None, Precision::Readings, scratch);
            let Ok(without) = without else {
                continue;
            };
            if is_stable && !self.is_holding(device, expansion, &without) {
                continue;
            }
            let Some(found) = self.put_back(expansion, glow, is_stable, without, scratch) else {
                continue;
            };
            let volts = &found.state.volts;
            let is_known = is_stable && is_same(volts, &expansion.state.volts)
                || states.iter().any(|s| is_same(volts, &s.found.state.volts));
            if is_known {
                continue;
            }
            let holds = self.expand(glow, found.clone());
            if holds.is_some_and(|there| self.is_stable(&there)) {
                states.push(State {
                    glow: glow.clone(),
                    found,
                });
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

    /// The state that a unit comes to when a device is put back. Where the known state is none that holds, it is
    /// followed in time, which does not end there.
    fn put_back(
        &self,
        expansion: &ExpansionPoint,
        glow: &Glow,
        is_stable: bool,
        without: Converged,
        scratch: &mut NewtonScratch,
    ) -> Option<Converged> {
        if is_stable {
            let start = Some(&without.state);
            return self
                .locate(expansion, &[], glow, start, Precision::Currents, scratch)
                .ok();
        }
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
