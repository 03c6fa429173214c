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

use super::centre::{Centre, Place};
use super::frame::{Frame, Step, between};
use super::pins::Block;
use crate::dense::{Lu, Matrix};
use crate::network::DeviceSlot;

/// Paths that may have changed before new factors are the better way.
const MOST_PATHS: usize = 6;

/// What cancels to less than this share of itself in 1 + C K has lost too many digits.
const LEAST_LEFT: f64 = 1e-6;

/// Changes to the equations of the known point.
#[derive(Clone, Debug, Default)]
pub(super) struct Update {
    /// U: ends of the paths.
    ends: Vec<[u32; 2]>,
    /// Z, column by column.
    columns: Vec<f64>,
    /// C.
    change: Matrix,
    /// 1 + C K, each row over the most that its entries were summed up from.
    sum: Matrix,
    scale: Vec<f64>,
    core: Lu,
    /// f.
    driven: Vec<f64>,
    weights: Vec<f64>,
    seen: Vec<f64>,
}

/// A device in another condition than at the known point.
pub(super) struct Turned<'a> {
    pub(super) device: usize,
    pub(super) slot: &'a DeviceSlot,
    /// Change of its slopes and of its currents there.
    pub(super) siemens: Block,
    pub(super) amps: [f64; deadstage_parts::MAX_PORTS],
}

impl Update {
    /// Works out the update for these changes. `None`: they are too many, or leave too few digits.
    pub(super) fn lay<'a>(
        &mut self,
        frame: &Frame,
        centre: &Centre,
        steps: impl Iterator<Item = Step>,
        turned: impl Iterator<Item = Turned<'a>>,
    ) -> Option<()> {
        let length = frame.pattern.size() + 1;
        self.ends.clear();
        self.columns.clear();
        self.driven.clear();
        self.change.reset(MOST_PATHS, MOST_PATHS);
        for step in steps {
            let path = self.ends.len();
            if path == MOST_PATHS {
                return None;
            }
            let ends = [step.from, step.to];
            let place = step.element.map(Place::Element);
            centre.append_column(frame, place, ends, &mut self.columns);
            self.ends.push(ends);
            self.driven.push(step.amps);
            self.change[(path, path)] = step.siemens;
        }
        for turned in turned {
            let (first, ports) = (self.ends.len(), turned.slot.ports.len());
            if first + ports > MOST_PATHS {
                return None;
            }
            for p in 0..ports {
                let ends = frame.socket(turned.device).ends(p);
                let place = Some(Place::Port(turned.slot.first_port + p));
                centre.append_column(frame, place, ends, &mut self.columns);
                self.ends.push(ends);
                self.driven.push(turned.amps[p]);
                for q in 0..ports {
                    self.change[(first + p, first + q)] = turned.siemens[p][q];
                }
            }
        }
        self.factor(length)
    }

    fn factor(&mut self, length: usize) -> Option<()> {
        let count = self.ends.len();
        self.weights.resize(count, 0.0);
        self.seen.resize(count, 0.0);
        if count == 0 {
            return Some(());
        }
        self.sum.reset(count, count);
        self.scale.clear();
        self.scale.resize(count, 1.0);
        for j in 0..count {
            let column = &self.columns[j * length..][..length];
            for (seen, &ends) in self.seen.iter_mut().zip(&self.ends) {
                *seen = between(ends, column);
            }
            for (i, scale) in self.scale.iter_mut().enumerate() {
                let products = self.change.row(i).iter().zip(&self.seen).map(|(c, k)| c * k);
                let (sum, size) = products.fold((0.0, 0.0), |(sum, size), product: f64| {
                    (sum + product, size + product.abs())
                });
                let one = f64::from(u8::from(i == j));
                self.sum[(i, j)] = one + sum;
                *scale = scale.max(one + size);
            }
        }
        for (i, scale) in self.scale.iter_mut().enumerate() {
            *scale = 1.0 / *scale;
            for entry in self.sum.row_mut(i) {
                *entry *= *scale;
            }
        }
        self.core.factor(&self.sum).ok()?;
        // What is no number is not enough.
        (self.core.least_pivot() >= LEAST_LEFT).then_some(())
    }

    /// The step that what the changes leave over at the known point asks for: Z (1 + C K)⁻¹ f.
    pub(super) fn first_step(&mut self, length: usize, step: &mut Vec<f64>) {
        step.clear();
        step.resize(length, 0.0);
        if self.ends.is_empty() {
            return;
        }
        // Z (f − (1 + C K)⁻¹ C K f) = Z (1 + C K)⁻¹ f.
        self.weights.clear();
        self.weights
            .extend(self.driven.iter().zip(&self.scale).map(|(f, scale)| f * scale));
        self.core.solve(&mut self.weights);
        for (weight, column) in self.weights.iter().zip(self.columns.chunks_exact(length)) {
            for (step, c) in step.iter_mut().zip(column) {
                *step += weight * c;
            }
        }
    }

    /// What is left over at every node of the known point.
    pub(super) fn leave(&self, left: &mut [f64]) {
        for (&[from, to], amps) in self.ends.iter().zip(&self.driven) {
            left[from as usize] += amps;
            left[to as usize] -= amps;
        }
    }

    /// Takes the changes into a solution of the known point's equations.
    pub(super) fn correct(&mut self, b: &mut [f64]) {
        if self.ends.is_empty() {
            return;
        }
        for (seen, &ends) in self.seen.iter_mut().zip(&self.ends) {
            *seen = between(ends, b);
        }
        for (i, weight) in self.weights.iter_mut().enumerate() {
            let row = self.change.row(i).iter().zip(&self.seen);
            *weight = self.scale[i] * row.map(|(c, seen)| c * seen).sum::<f64>();
        }
        self.core.solve(&mut self.weights);
        for (weight, column) in self.weights.iter().zip(self.columns.chunks_exact(b.len())) {
            for (b, c) in b.iter_mut().zip(column) {
                *b -= weight * c;
            }
        }
    }
}
