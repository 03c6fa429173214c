//! The inner matrix of a low-rank update, and when there is none.
//!
//! A changed element adds d u uᵀ to a matrix whose inverse is known; with k of
//! them the inverse changes through (D⁻¹ + Uᵀ A⁻¹ U)⁻¹, which is made here for
//! every inverse that is updated so.

use crate::dense::{Lu, Matrix};
use crate::linear::Tap;

/// Below this share of what it was, an element's removal is no longer a small update.
const LOST_DIGITS: f64 = 1e-6;

/// The same against the entries of A⁻¹ whose difference it is: a small
/// resistance between nodes of high resistance is known to fewer digits.
const LOST_IN_DIFFERENCE: f64 = 1e-7;

/// A stiff element that sees less than this, siemens, leaves its nodes hanging
/// when it goes; the entry of A⁻¹ that says so is mostly rounding.
const LEAST_STIFF_SIEMENS: f64 = 1e-7;

/// A path may be this many times lighter than the entries of A⁻¹ about it: what it leaves of
/// them is a difference, in which the current through a short is to be known to 10⁻⁹.
const MOST_SHORTED: f64 = 5e7;

/// One changed element.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Step {
    /// Where it acts.
    pub(crate) tap: Tap,
    /// By how much its coefficient changes; not 0.
    pub(crate) change: f64,
    /// Solved for its current.
    pub(crate) stiff: bool,
    /// Size of the entries of A⁻¹ that its own entry is a difference of.
    pub(crate) size: f64,
}

/// (D⁻¹ + Uᵀ A⁻¹ U)⁻¹, with `columns` those of A⁻¹ U. `None`: the update would
/// lose too many digits.
pub(crate) fn core(steps: &[Step], columns: &[Vec<f64>]) -> Option<Matrix> {
    let k = steps.len();
    let mut core = Matrix::zeros(k, k);
    for (i, step) in steps.iter().enumerate() {
        for (j, column) in columns.iter().enumerate() {
            core[(i, j)] = step.tap.of(column);
        }
        let own = core[(i, i)];
        let total = 1.0 / step.change + own;
        let hanging = step.stiff && own.abs() < LEAST_STIFF_SIEMENS;
        let least = (LOST_IN_DIFFERENCE * step.size).max(LOST_DIGITS * own.abs());
        let shorted = !step.stiff && step.change * step.size > MOST_SHORTED;
        if hanging || shorted || total.is_nan() || total.abs() <= least {
            return None;
        }
        core[(i, i)] = total;
    }
    if k == 1 {
        core[(0, 0)] = 1.0 / core[(0, 0)];
    } else if k > 1 {
        let mut lu = Lu::default();
        lu.factor(&core).ok()?;
        let inverse = lu.inverse();
        // Two changes, each harmless, may together leave a node hanging.
        for i in 0..k {
            let lost = (inverse[(i, i)] * core[(i, i)]).abs();
            if lost.is_nan() || lost * LOST_DIGITS >= 1.0 {
                return None;
            }
        }
        core = inverse;
    }
    Some(core)
}
