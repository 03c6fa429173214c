//! The equations with a few changes, by the known point's own factors.
//!
//! With J the equations at the known point, U the taps of what changed, C what changed
//! between them and K = Uᵀ J⁻¹ U (M. A. Woodbury, *Inverting Modified Matrices*, 1950):
//!
//! ```text
//! (J + U C Uᵀ)⁻¹ b = y − Z (1 + C K)⁻¹ C Uᵀ y,   y = J⁻¹ b,   Z = J⁻¹ U
//! ```
//!
//! A failure changes one element or one device, and what it leaves over at the known point
//! is U f: the first step needs no factors and no sweep, Z being kept.

use super::expansion::{ExpansionPoint, KeptColumn};
use crate::equations::pattern::{NodalPattern, between};
use crate::equations::pins::Block;
use crate::equations::stamped::ConductanceChange;
use crate::linalg::small::{Few, MOST, Small};
use crate::linalg::vector::add_scaled;
use crate::network::DeviceSlot;

/// What cancels to less than this share of itself in 1 + C K has lost too many digits.
const LEAST_LEFT: f64 = 1e-6;

/// Changes to the equations of the known point.
#[derive(Clone, Debug, Default)]
pub(crate) struct Update {
    /// U: ends of the paths.
    ends: Vec<[u32; 2]>,
    /// Z, column by column.
    columns: Vec<f64>,
    /// (1 + C K)⁻¹, and that times C.
    inverse: Small,
    change: Small,
    /// f.
    driven: Few,
}

/// A device in another condition than at the known point.
pub(crate) struct ChangedDevice<'a> {
    pub(crate) device: usize,
    pub(crate) slot: &'a DeviceSlot,
    /// Change of its slopes and of its currents there.
    pub(crate) siemens: Block,
    pub(crate) amps: [f64; deadstage_parts::MAX_PORTS],
}

impl Update {
    /// Works out the update for these changes. `None`: they are too many, or leave too few digits.
    pub(crate) fn lay<'a>(
        &mut self,
        pattern: &NodalPattern,
        expansion: &ExpansionPoint,
        steps: impl Iterator<Item = ConductanceChange>,
        turned: impl Iterator<Item = &'a ChangedDevice<'a>>,
    ) -> Option<()> {
        let length = pattern.elimination.size() + 1;
        self.ends.clear();
        self.columns.clear();
        self.driven = Few::default();
        let mut change = Small::zeros(MOST);
        for step in steps {
            let path = self.ends.len();
            if path == MOST {
                return None;
            }
            let ends = [step.from, step.to];
            let place = step.element.map(KeptColumn::Element);
            expansion.append_column(pattern, place, ends, &mut self.columns);
            self.ends.push(ends);
            self.driven[path] = step.amps;
            change.at[path][path] = step.siemens;
        }
        for turned in turned {
            let (first, ports) = (self.ends.len(), turned.slot.ports.len());
            if first + ports > MOST {
                return None;
            }
            for p in 0..ports {
                let ends = pattern.socket(turned.device).ends(p);
                let place = Some(KeptColumn::Port(turned.slot.first_port + p));
                expansion.append_column(pattern, place, ends, &mut self.columns);
                self.ends.push(ends);
                self.driven[first + p] = turned.amps[p];
                change.at[first + p][first..first + ports]
                    .copy_from_slice(&turned.siemens[p][..ports]);
            }
        }
        change.rows = self.ends.len();
        if change.rows == 1 {
            self.invert_one(change.at[0][0])
        } else {
            self.invert(change, length)
        }
    }

    /// As [`invert`](Self::invert) for one path, which most failures change.
    fn invert_one(&mut self, siemens: f64) -> Option<()> {
        let product = siemens * between(self.ends[0], &self.columns);
        let sum = 1.0 + product;
        (self.inverse.rows, self.change.rows) = (1, 1);
        self.inverse.at[0][0] = 1.0 / sum;
        self.change.at[0][0] = siemens / sum;
        // What is no number is not enough.
        (sum.abs() >= LEAST_LEFT * (1.0 + product.abs())).then_some(())
    }

    fn invert(&mut self, change: Small, length: usize) -> Option<()> {
        let count = change.rows;
        let mut sum = Small::unit(count);
        let mut sizes = [1.0f64; MOST];
        for (j, column) in self.columns.chunks_exact(length).enumerate() {
            for (k, &ends) in self.ends.iter().enumerate() {
                let seen = between(ends, column);
                for (i, size) in sizes.iter_mut().enumerate().take(count) {
                    let product = change.at[i][k] * seen;
                    sum.at[i][j] += product;
                    *size += product.abs();
                }
            }
        }
        // Each row over what it was summed up from, so that the pivots say what is left of that.
        for (row, size) in sum.at.iter_mut().zip(&sizes) {
            for entry in row {
                *entry /= size;
            }
        }
        let (mut inverse, least) = sum.inverse()?;
        for row in &mut inverse.at[..count] {
            for (entry, size) in row.iter_mut().zip(&sizes) {
                *entry /= size;
            }
        }
        self.inverse = inverse;
        self.change = Small::zeros(count);
        for i in 0..count {
            for j in 0..count {
                for k in 0..count {
                    self.change.at[i][j] += inverse.at[i][k] * change.at[k][j];
                }
            }
        }
        // What is no number is not enough.
        (count == 0 || least >= LEAST_LEFT).then_some(())
    }

    /// The step that what the changes leave over at the known point asks for: Z (1 + C K)⁻¹ f.
    pub(crate) fn first_step(&self, length: usize, step: &mut Vec<f64>) {
        step.clear();
        step.resize(length, 0.0);
        let weights = self.inverse.times(&self.driven);
        for (weight, column) in weights.iter().zip(self.columns.chunks_exact(length)) {
            add_scaled(step, *weight, column);
        }
    }

    /// What is left over at every node of the known point.
    pub(crate) fn add_residual(&self, left: &mut [f64]) {
        for (&[from, to], amps) in self.ends.iter().zip(&self.driven) {
            left[from as usize] += amps;
            left[to as usize] -= amps;
        }
    }

    /// Takes the changes into a solution of the known point's equations.
    pub(crate) fn correct(&self, b: &mut [f64]) {
        let mut seen = Few::default();
        for (seen, &ends) in seen.iter_mut().zip(&self.ends) {
            *seen = between(ends, b);
        }
        let weights = self.change.times(&seen);
        for (weight, column) in weights.iter().zip(self.columns.chunks_exact(b.len())) {
            add_scaled(b, -weight, column);
        }
    }
}
