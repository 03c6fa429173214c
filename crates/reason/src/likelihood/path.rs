//! The likelihood along a curve of forecasts, μ(t) = c₀ + c₁ t + c₂ t² + c₃ t³.
//!
//! With C⁻¹ (y − c₀) and C⁻¹ c₁ … C⁻¹ c₃ worked out once, the residual at any t weighs
//! their sum by powers of t: a place costs a few operations a reading and not the square of
//! their number.

use super::{Evidence, Residual, Weights};

/// A curve of forecasts: by power of t, the part of every reading.
pub(crate) type Cubic = [Vec<f64>; 4];

/// Where a curve is at t.
pub(crate) fn at_place(curve: &Cubic, t: f64) -> Vec<f64> {
    let [c0, c1, c2, c3] = curve;
    (0..c0.len())
        .map(|i| power_sum(&[c0[i], c1[i], c2[i], c3[i]], t))
        .collect()
}

fn power_sum(terms: &[f64; 4], t: f64) -> f64 {
    terms[0] + t * (terms[1] + t * (terms[2] + t * terms[3]))
}

/// Of fewer places than this each is weighed by itself: four products with C⁻¹ would cost more.
const MANY: usize = 4;

/// A curve of forecasts under one set of weights.
pub(crate) struct Path<'w> {
    weights: &'w Weights,
    evidence: &'w Evidence,
    curve: &'w Cubic,
    terms: Option<Terms>,
}

/// By exact reading, powers of t.
struct Terms {
    /// Of the residual,
    residual: Vec<[f64; 4]>,
    /// and of C⁻¹ times it.
    weighed: Vec<[f64; 4]>,
}

impl<'w> Path<'w> {
    /// A path of which so many `places` will be asked for.
    pub(crate) fn new(
        weights: &'w Weights,
        evidence: &'w Evidence,
        curve: &'w Cubic,
        places: usize,
    ) -> Self {
        Self {
            weights,
            evidence,
            curve,
            terms: (places >= MANY).then(|| Terms::new(weights, evidence, curve)),
        }
    }

    /// ln p(y | μ(t)), slips allowed.
    pub(crate) fn ln_likelihood(&self, t: f64) -> f64 {
        let (weights, evidence) = (self.weights, self.evidence);
        let Some(terms) = &self.terms else {
            return weights.ln_likelihood(&at_place(self.curve, t), evidence);
        };
        let weighed: Vec<f64> = terms.weighed.iter().map(|w| power_sum(w, t)).collect();
        let products = terms.residual.iter().zip(&weighed);
        let square = products.map(|(r, w)| power_sum(r, t) * w).sum();
        let residual = Residual {
            weighed,
            gauss: weights.ln_gauss(square),
        };
        let ln = weights.ln_with_slips(&residual, evidence);
        if weights.exact.len() == evidence.len() {
            return ln;
        }
        ln + weights.ln_bounds(&at_place(self.curve, t), evidence)
    }
}

impl Terms {
    fn new(weights: &Weights, evidence: &Evidence, curve: &Cubic) -> Self {
        let residual: Vec<[f64; 4]> = weights
            .exact
            .iter()
            .map(|&i| {
                let [c0, c1, c2, c3] = curve.each_ref().map(|c| c[i]);
                [evidence.read[i] - c0, -c1, -c2, -c3]
            })
            .collect();
        let weighed = weights.times_each(&residual);
        Self { residual, weighed }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::model::{Forecast, Scatter};
    use deadstage_netlist::Bound;
    use nalgebra::DMatrix;

    /// Against the likelihood of the same forecast weighed by itself.
    #[test]
    fn a_place_on_a_path_is_as_likely_as_its_forecast_alone() {
        let count = 7;
        let wave = |k: usize| (k as f64 * 1.7).sin();
        let evidence = Evidence {
            read: (0..count).map(|i| 100.0 * wave(i)).collect(),
            noise: vec![0.5; count],
            ln_slip: vec![-7.0; count],
            bounds: (0..count)
                .map(|i| if i == 3 { Bound::Above } else { Bound::Exact })
                .collect(),
            has_ranges: vec![true; count],
            slip: super::super::SLIP,
            widened: 1.1,
            joint: true,
            credence: 1.0,
        };
        let curve: Cubic = std::array::from_fn(|power| {
            (0..count)
                .map(|i| {
                    if power == 0 {
                        90.0 * wave(i)
                    } else {
                        9.0 * wave(i + 5 * power)
                    }
                })
                .collect()
        });
        let forecast = Forecast {
            mean: curve[0].clone(),
            scatter: Scatter::Columns(DMatrix::from_fn(5, count, |i, j| 3.0 * wave(3 * i + j))),
        };
        let weights = Weights::new(&forecast, &evidence, &[]).expect("noise on the diagonal");
        for places in [1, 20] {
            let path = Path::new(&weights, &evidence, &curve, places);
            for t in [0.0, 0.2, 0.5, 0.9, 1.0] {
                let alone = weights.ln_likelihood(&at_place(&curve, t), &evidence);
                let there = path.ln_likelihood(t);
                assert!(
                    (there - alone).abs() < 1e-9 * alone.abs(),
                    "{there} {alone}"
                );
            }
        }
    }
}
