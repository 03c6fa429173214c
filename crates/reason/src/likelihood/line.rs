//! The likelihood along straight lines of forecasts μ + a d through one of them.
//!
//! With w = C⁻¹ (y − μ) and v = C⁻¹ d worked out once, the residual at any a weighs
//! w − a v, and its square is rᵀw − 2a dᵀw + a² dᵀv: a place costs a few operations a
//! reading and not the square of their number.

use super::{Evidence, Residual, Weights};

/// Forecasts about one, along any direction, under its weights.
pub(crate) struct Line<'w> {
    weights: &'w Weights,
    evidence: &'w Evidence,
    mean: &'w [f64],
    /// C⁻¹ r, and what it makes of the likelihood.
    at: Residual,
    /// rᵀ C⁻¹ r.
    square: f64,
    has_bounds: bool,
}

/// One direction.
pub(crate) struct Direction<'d> {
    shift: &'d [f64],
    /// Of it the exact readings.
    pub(crate) of_exact: Vec<f64>,
    /// C⁻¹ d of the exact readings.
    weighed: Vec<f64>,
    /// dᵀ C⁻¹ r.
    pub(crate) along: f64,
    /// dᵀ C⁻¹ d.
    pub(crate) square: f64,
}

impl<'w> Line<'w> {
    pub(crate) fn new(weights: &'w Weights, evidence: &'w Evidence, mean: &'w [f64]) -> Self {
        let at = weights.weighed(mean, evidence);
        let residuals = weights.exact.iter().map(|&i| evidence.read[i] - mean[i]);
        Self {
            square: residuals.zip(&at.weighed).map(|(r, w)| r * w).sum(),
            at,
            weights,
            evidence,
            mean,
            has_bounds: weights.exact.len() < evidence.len(),
        }
    }

    pub(crate) fn direction<'d>(&self, shift: &'d [f64]) -> Direction<'d> {
        let exact = &self.weights.exact;
        let of_exact: Vec<f64> = exact.iter().map(|&index| shift[index]).collect();
        let weighed = self.weights.times(None, &of_exact);
        let (mut along, mut square) = (0.0, 0.0);
        for ((d, w), v) in of_exact.iter().zip(&self.at.weighed).zip(&weighed) {
            along += d * w;
            square += d * v;
        }
        Direction {
            shift,
            of_exact,
            weighed,
            along,
            square,
        }
    }

    /// ln p(y | μ + a d), slips allowed; −∞ where it is below `least`.
    pub(crate) fn ln_if_above(&self, least: f64, direction: &Direction<'_>, amplitude: f64) -> f64 {
        let weighed = self.at.weighed.iter().zip(&direction.weighed);
        let weighed = weighed.map(|(w, v)| w - amplitude * v);
        let square =
            self.square + amplitude * (amplitude * direction.square - 2.0 * direction.along);
        let gauss = self.weights.ln_gauss(square);
        if self
            .weights
            .is_below(least, gauss, weighed.clone(), self.evidence)
        {
            return f64::NEG_INFINITY;
        }
        let residual = Residual {
            weighed: weighed.collect(),
            gauss,
        };
        let ln = self.weights.ln_with_slips(&residual, self.evidence);
        if !self.has_bounds {
            return ln;
        }
        let mean: Vec<f64> = self
            .mean
            .iter()
            .zip(direction.shift)
            .map(|(m, s)| m + amplitude * s)
            .collect();
        ln + self.weights.ln_bounds(&mean, self.evidence)
    }
}
