//! How probable the numbers read are, given what they should be.
//!
//! The readings y are Gaussian about the forecast μ with covariance
//! C = Σ_θ (∂μ/∂θ σ_θ)(∂μ/∂θ σ_θ)ᵀ + R: the tolerances of all parts at this
//! very operating point, and the meter. Any one reading may instead be a slip
//! (wrong pin, wrong range), with a small probability and a wide error.

mod covariance;
mod line;
mod path;
#[cfg(test)]
mod tests;

use deadstage_netlist::Bound;
use nalgebra::{DMatrix, DVector};

use crate::assume::Ablation;
use crate::model::Forecast;
use crate::observe::{Observation, Scale};
pub(crate) use covariance::times;
use covariance::{gram, inverse_of};
pub(crate) use line::Line;
pub(crate) use path::{Cubic, Path, at_place};

/// Probability that any one reading is a slip.
pub(crate) const SLIP: f64 = 0.006;

/// Further spread of every comparison, as a share of the scatter that the
/// tolerances alone give: linear scatter is a little too sure of itself.
const WIDENED: f64 = 1.1;

/// Power of the odds between answers as they are told. Weights are as good as the
/// rates, spreads and laws that they come from, and these err together: a reading's
/// misfit is another's too, and odds of a thousand to one from a model in doubt
/// are not worth a thousand. So the logarithm of all odds is made smaller by one factor,
/// which leaves the order as it is (known as temperature scaling: C. Guo, G. Pleiss, Y. Sun and
/// K. Q. Weinberger, "On calibration of modern neural networks", 2017; from memory).
/// The value is the trial bench's, by units of two seeds that its page does not use.
const CREDENCE: f64 = 0.85;

const LN_TWO_PI: f64 = 1.837_877_066_409_345_3;

/// What was read, ready to be compared.
pub(crate) struct Evidence {
    /// Numbers, as compared.
    pub(crate) read: Vec<f64>,
    /// Variance of the meter.
    noise: Vec<f64>,
    /// Logarithm of the density of a slip.
    ln_slip: Vec<f64>,
    bounds: Vec<Bound>,
    /// Taken on one of several ranges.
    has_ranges: Vec<bool>,
    /// Probability that any one reading is a slip.
    slip: f64,
    /// See [`WIDENED`].
    widened: f64,
    /// Whether what readings have in common counts.
    joint: bool,
    /// See [`CREDENCE`].
    pub(crate) credence: f64,
}

impl Evidence {
    pub(crate) fn new(observations: &[Observation], highest_volts: f64) -> Self {
        // A slip reads another point, another range or nothing at all: its size
        // is as likely in one decade as in the next, down to a lead that has no contact.
        let ln_slip = |o: &Observation| {
            let (span, least) = match (o.scale, o.kind) {
                (Scale::Log, _) => return -15f64.ln(),
                (Scale::Plain, "volts") => (1.2 * highest_volts.max(10.0), o.sigma.max(0.02)),
                (Scale::Plain, _) => {
                    let span = 3.0 * o.read.abs().max(o.sigma * 30.0);
                    (span, 1e-3 * span)
                }
            };
            let decades = (span / least).ln() + 1.0;
            -(2.0 * o.read.abs().max(least) * decades).ln()
        };
        Self {
            read: observations.iter().map(|o| o.compared(o.read)).collect(),
            noise: observations.iter().map(|o| o.sigma * o.sigma).collect(),
            ln_slip: observations.iter().map(ln_slip).collect(),
            bounds: observations.iter().map(|o| o.bound).collect(),
            has_ranges: observations.iter().map(|o| o.kind == "volts").collect(),
            slip: SLIP,
            widened: WIDENED,
            joint: true,
            credence: CREDENCE,
        }
    }

    /// The same, compared without what is to be left out.
    pub(crate) fn without(mut self, ablation: Ablation) -> Self {
        if ablation.slips {
            self.slip = 0.0;
        }
        if ablation.misfit {
            self.widened = 1.0;
            self.credence = 1.0;
        }
        self.joint &= !ablation.covariance;
        self
    }

    pub(crate) fn len(&self) -> usize {
        self.read.len()
    }

    /// Variance of the meter at one reading.
    pub(crate) fn noise(&self, index: usize) -> f64 {
        self.noise[index]
    }

    /// Whether a reading is a number, not only a bound.
    pub(crate) fn is_exact(&self, index: usize) -> bool {
        self.bounds[index] == Bound::Exact
    }
}

/// The covariance of one forecast, inverted.
#[derive(Clone, Debug)]
pub(crate) struct Weights {
    /// C⁻¹ over the exact readings.
    pub(crate) inverse: DMatrix<f64>,
    ln_det_inverse: f64,
    /// ln of the diagonal of C⁻¹.
    ln_own: Vec<f64>,
    /// Half the variance of every exact reading, given the others: ½ of one over that diagonal.
    half_variance: Vec<f64>,
    /// By exact reading, the most that it may be likelier as a slip than as forecast where the others have it (in the logarithm).
    ln_slip_most: Vec<f64>,
    /// Indices of the exact readings.
    pub(crate) exact: Vec<usize>,
    /// Marginal standard deviation of every reading.
    pub(crate) sigma: Vec<f64>,
}

impl Weights {
    /// From a forecast's scatter and the meter, with further columns of
    /// uncertainty (`extra`, one standard deviation each).
    pub(crate) fn new(
        forecast: &Forecast,
        evidence: &Evidence,
        extra: &[Vec<f64>],
    ) -> Option<Self> {
        let total = evidence.len();
        let mut covariance = gram(&forecast.scatter, evidence.widened * evidence.widened);
        for column in extra {
            for i in 0..total {
                for j in 0..total {
                    covariance[(i, j)] += column[i] * column[j];
                }
            }
        }
        if !evidence.joint {
            covariance = DMatrix::from_diagonal(&covariance.diagonal());
        }
        for i in 0..total {
            covariance[(i, i)] += evidence.noise[i];
        }
        let sigma = (0..total).map(|i| covariance[(i, i)].sqrt()).collect();
        let exact: Vec<usize> = (0..total)
            .filter(|&i| evidence.bounds[i] == Bound::Exact)
            .collect();
        let count = exact.len();
        let chosen = if count == total {
            covariance
        } else {
            DMatrix::from_fn(count, count, |i, j| covariance[(exact[i], exact[j])])
        };
        let (inverse, ln_det) = inverse_of(chosen)?;
        let ln_own: Vec<f64> = inverse.diagonal().iter().map(|own| own.ln()).collect();
        let ln_slip_most = exact
            .iter()
            .zip(ln_own.iter().zip(&inverse.diagonal()))
            .map(|(&index, (ln_own, own))| {
                let mut ln_slip = evidence.ln_slip[index];
                if evidence.has_ranges[index] {
                    // No peak of a wrong range is sharper than that of the least step.
                    let variance = evidence.noise[index] + RANGE_STEPS[0] * RANGE_STEPS[0] / own;
                    ln_slip = ln_slip.max(-0.5 * (LN_TWO_PI + variance.ln()));
                }
                ln_slip + 0.5 * (LN_TWO_PI - ln_own)
            })
            .collect();
        Some(Self {
            half_variance: inverse.diagonal().iter().map(|own| 0.5 / own).collect(),
            ln_own,
            ln_slip_most,
            inverse,
            ln_det_inverse: -ln_det,
            exact,
            sigma,
        })
    }

    /// ln p(y | forecast), slips allowed.
    pub(crate) fn ln_likelihood(&self, mean: &[f64], evidence: &Evidence) -> f64 {
        self.ln_with_slips(&self.weighed(mean, evidence), evidence) + self.ln_bounds(mean, evidence)
    }

    /// ln p(y | forecast) of the exact readings, slips allowed, by their weighed residual.
    fn ln_with_slips(&self, weighed: &Residual, evidence: &Evidence) -> f64 {
        let count = self.exact.len() as f64;
        let slip = evidence.slip;
        let ln_odds = (slip / (1.0 - slip)).ln();
        // Σ eˣ about the largest x, the likeliest slip first; what is beneath notice costs no exponential.
        let (mut largest, mut sum) = (0.0, 1.0);
        let mut add = |k: usize, at_most: f64| {
            if ln_odds + at_most > largest - BENEATH_NOTICE {
                let x = ln_odds + self.ln_slip(k, weighed, evidence);
                if x > largest {
                    sum = sum * (largest - x).exp() + 1.0;
                    largest = x;
                } else {
                    sum += (x - largest).exp();
                }
            }
        };
        let at_most = || self.ln_slips_at_most(weighed.weighed.iter().copied());
        let first = at_most()
            .enumerate()
            .reduce(|a, b| if b.1 > a.1 { b } else { a });
        if let Some((first, most)) = first {
            add(first, most);
            let others = at_most().enumerate().filter(|(k, _)| *k != first);
            others.for_each(|(k, at_most)| add(k, at_most));
        }
        weighed.gauss + count * (1.0 - slip).ln() + largest + sum.ln()
    }

    /// As [`ln_likelihood`](Self::ln_likelihood), but −∞ where it is below `least` for certain:
    /// that is seen without an exponential.
    pub(crate) fn ln_if_above(&self, least: f64, mean: &[f64], evidence: &Evidence) -> f64 {
        let weighed = self.weighed(mean, evidence);
        if self.is_below(
            least,
            weighed.gauss,
            weighed.weighed.iter().copied(),
            evidence,
        ) {
            return f64::NEG_INFINITY;
        }
        self.ln_with_slips(&weighed, evidence) + self.ln_bounds(mean, evidence)
    }

    /// Whether [`ln_with_slips`](Self::ln_with_slips) is below `least` for certain, by ln N(y; μ, C) and C⁻¹ r.
    fn is_below(
        &self,
        least: f64,
        gauss: f64,
        weighed: impl Iterator<Item = f64> + Clone,
        evidence: &Evidence,
    ) -> bool {
        if least == f64::NEG_INFINITY {
            return false;
        }
        let ln_odds = (evidence.slip / (1.0 - evidence.slip)).ln();
        let terms = self.ln_slips_at_most(weighed).map(|most| ln_odds + most);
        let largest = terms.clone().fold(0.0, |a, b| if b > a { b } else { a });
        let count = 1 + self.exact.len();
        if gauss + largest + (count as f64).ln() < least {
            return true;
        }
        // Beside the largest of them most are next to nothing.
        let near = |x: f64| x > largest - SMALL;
        let large = usize::from(near(0.0)) + terms.filter(|x| near(*x)).count();
        let small = (count - large) as f64;
        gauss + largest + (large as f64 + small * (-SMALL).exp()).ln() < least
    }

    /// ln p(y | forecast) of exact readings that are just as forecast.
    pub(crate) fn ln_at_best(&self) -> f64 {
        self.ln_gauss(0.0)
    }

    /// The most that ln p(y | forecast) comes to whatever is forecast, slips allowed.
    pub(crate) fn ln_at_most_with_slips(&self, evidence: &Evidence) -> f64 {
        // Without slips it is that of the best forecast; each slip takes a reading out of a Gaussian.
        let ln_odds = (evidence.slip / (1.0 - evidence.slip)).ln();
        let slips = self.ln_slip_most.iter().map(|most| ln_odds + most);
        let largest = slips.fold(0.0, f64::max);
        self.ln_at_best() + largest + (1.0 + self.exact.len() as f64).ln()
    }

    /// ln p(y | forecast), no slips allowed: what a search for the best
    /// parameters climbs, where allowing a slip would leave it on a plain.
    pub(crate) fn ln_without_slips(&self, mean: &[f64], evidence: &Evidence) -> f64 {
        self.weighed(mean, evidence).gauss + self.ln_bounds(mean, evidence)
    }

    /// ln p(y) where each reading, with probability `moves`, is displaced to
    /// anywhere, and the others are as forecast. The likeliest choice of
    /// displaced readings stands for the sum over all; they are named, worst first.
    pub(crate) fn ln_displaced(
        &self,
        mean: &[f64],
        evidence: &Evidence,
        moves: f64,
    ) -> (f64, Vec<usize>) {
        let mut kept: Vec<usize> = (0..self.exact.len()).collect();
        let mut inverse = self.inverse.clone();
        let mut ln_det_inverse = self.ln_det_inverse;
        let mut displaced = 0.0;
        let mut which = Vec::new();
        loop {
            let residual = DVector::from_iterator(
                kept.len(),
                kept.iter()
                    .map(|&k| evidence.read[self.exact[k]] - mean[self.exact[k]]),
            );
            let weighted = &inverse * &residual;
            let worst = (0..kept.len())
                .map(|k| {
                    let own = inverse[(k, k)];
                    let ln_given = -0.5 * (weighted[k] * weighted[k] / own + LN_TWO_PI - own.ln());
                    let free = evidence.ln_slip[self.exact[kept[k]]] + moves.ln();
                    (free - ln_given - (1.0 - moves).ln(), k)
                })
                .reduce(|a, b| if b.0 > a.0 { b } else { a });
            match worst {
                Some((gain, k)) if gain > 0.0 => {
                    displaced += evidence.ln_slip[self.exact[kept[k]]] + moves.ln();
                    let own = drop_reading(&mut inverse, k);
                    inverse = inverse.remove_row(k).remove_column(k);
                    ln_det_inverse -= own.ln();
                    which.push(self.exact[kept[k]]);
                    kept.remove(k);
                }
                _ => {
                    let square = residual.dot(&weighted);
                    let count = kept.len() as f64;
                    let ln = displaced + count * (1.0 - moves).ln()
                        - 0.5 * (square + count * LN_TWO_PI - ln_det_inverse)
                        + self.ln_bounds(mean, evidence);
                    return (ln, which);
                }
            }
        }
    }

    /// Probability of each exact reading being a slip, given this forecast.
    pub(crate) fn slip_odds(&self, mean: &[f64], evidence: &Evidence) -> Vec<(usize, f64)> {
        if evidence.slip <= 0.0 {
            return self.exact.iter().map(|&index| (index, 0.0)).collect();
        }
        let ln_odds = (evidence.slip / (1.0 - evidence.slip)).ln();
        let weighed = self.weighed(mean, evidence);
        let weights: Vec<f64> = (0..self.exact.len())
            .map(|k| ln_odds + self.ln_slip(k, &weighed, evidence))
            .collect();
        let total = weights.iter().fold(0.0, |sum, w| ln_add(sum, *w));
        self.exact
            .iter()
            .zip(weights)
            .map(|(&index, w)| (index, (w - total).exp()))
            .collect()
    }

    /// C⁻¹ of the exact readings without those that are likelier slips than
    /// not, their rows and columns zero; `None` where there are none.
    pub(crate) fn inverse_of_good(
        &self,
        mean: &[f64],
        evidence: &Evidence,
    ) -> Option<DMatrix<f64>> {
        self.good(mean, evidence).map(|good| good.inverse)
    }

    /// The same, with what makes it of C⁻¹.
    pub(crate) fn good(&self, mean: &[f64], evidence: &Evidence) -> Option<Good> {
        let mut inverse = self.inverse.clone();
        let mut dropped = Vec::new();
        // One at a time: with the worst out of the way the others are seen for what they are.
        for _ in 0..self.exact.len() / 2 {
            let residual = DVector::from_iterator(
                self.exact.len(),
                self.exact.iter().map(|&i| evidence.read[i] - mean[i]),
            );
            let weighted = times(&inverse, residual.as_slice());
            let worst = (0..self.exact.len())
                .filter(|&k| inverse[(k, k)] > 0.0)
                .map(|k| {
                    let own = inverse[(k, k)];
                    let ln_given = -0.5 * (weighted[k] * weighted[k] / own + LN_TWO_PI - own.ln());
                    let slip = evidence.ln_slip[self.exact[k]] + SLIP.ln();
                    (slip - ln_given, k)
                })
                .reduce(|a, b| if b.0 > a.0 { b } else { a });
            let Some((gain, k)) = worst else { break };
            if gain <= 0.0 {
                break;
            }
            let row: Vec<f64> = inverse.column(k).iter().copied().collect();
            let own = drop_reading(&mut inverse, k);
            inverse.row_mut(k).fill(0.0);
            inverse.column_mut(k).fill(0.0);
            dropped.push((row, own));
        }
        (!dropped.is_empty()).then_some(Good { inverse, dropped })
    }

    /// The residual r = y − μ of the exact readings, weighed: C⁻¹ r and ln N(y; μ, C).
    fn weighed(&self, mean: &[f64], evidence: &Evidence) -> Residual {
        let residual: Vec<f64> = self
            .exact
            .iter()
            .map(|&index| evidence.read[index] - mean[index])
            .collect();
        let weighed = times(&self.inverse, &residual);
        let square = weighed.iter().zip(&residual).map(|(w, r)| w * r).sum();
        Residual {
            weighed,
            gauss: self.ln_gauss(square),
        }
    }

    /// Columns of C⁻¹.
    fn columns(&self) -> impl Iterator<Item = &[f64]> {
        self.inverse
            .as_slice()
            .chunks_exact(self.exact.len().max(1))
    }

    /// ln N(y; μ, C) where (y − μ)ᵀ C⁻¹ (y − μ) is `square`.
    fn ln_gauss(&self, square: f64) -> f64 {
        -0.5 * (square + self.exact.len() as f64 * LN_TWO_PI - self.ln_det_inverse)
    }

    /// Logarithm of how much likelier an exact reading is as a
    /// slip than as the forecast given all the others.
    fn ln_slip(&self, k: usize, residual: &Residual, evidence: &Evidence) -> f64 {
        let (index, ln_own) = (self.exact[k], self.ln_own[k]);
        let (w, own) = (residual.weighed[k], self.inverse[(k, k)]);
        let off = w * w / own;
        let ln_given_others = -0.5 * (off + LN_TWO_PI - ln_own);
        let mut ln_slip = evidence.ln_slip[index];
        if off > WORTH_A_LOOK && evidence.has_ranges[index] {
            let read = evidence.read[index];
            let meant = read - w / own;
            let range = ln_wrong_range(read, meant, 1.0 / own, evidence.noise[index]);
            ln_slip = ln_add(
                ln_slip + (1.0 - WRONG_RANGE_SHARE).ln(),
                range + WRONG_RANGE_SHARE.ln(),
            );
        }
        ln_slip - ln_given_others
    }

    /// By exact reading, what [`ln_slip`](Self::ln_slip) does not exceed, by C⁻¹ r.
    fn ln_slips_at_most(
        &self,
        weighed: impl Iterator<Item = f64> + Clone,
    ) -> impl Iterator<Item = f64> + Clone {
        let own = self.ln_slip_most.iter().zip(&self.half_variance);
        own.zip(weighed)
            .map(|((most, half), w)| most + half * w * w)
    }

    /// Readings that only bound the value, each by its own spread.
    fn ln_bounds(&self, mean: &[f64], evidence: &Evidence) -> f64 {
        evidence
            .bounds
            .iter()
            .enumerate()
            .map(|(i, bound)| {
                let reach =
                    (mean[i] - evidence.read[i]) / (self.sigma[i] * std::f64::consts::SQRT_2);
                let p = match bound {
                    Bound::Exact => return 0.0,
                    Bound::Above => 0.5 * libm::erfc(-reach),
                    Bound::Below => 0.5 * libm::erfc(reach),
                };
                // A slip can stand against any bound.
                ((1.0 - evidence.slip) * p + 0.5 * evidence.slip).ln()
            })
            .sum()
    }
}

/// Share of a difference's larger term below which it is not told from there.
const LEFT: f64 = 1e-6;

/// The readings that are no slips.
pub(crate) struct Good {
    /// C⁻¹ of these, the rows and columns of the others zero.
    pub(crate) inverse: DMatrix<f64>,
    /// By reading left out, the row and its own entry that it had when it was.
    dropped: Vec<(Vec<f64>, f64)>,
}

impl Good {
    /// dᵀ C⁻¹ d of these, by that of all readings.
    pub(crate) fn square(&self, d: &[f64], of_all: f64) -> f64 {
        let owed = self.dropped.iter().map(|(row, own)| {
            let along: f64 = row.iter().zip(d).map(|(r, d)| r * d).sum();
            along * along / own
        });
        let square = of_all - owed.sum::<f64>();
        if square > LEFT * of_all {
            return square;
        }
        // Of what the others hardly feel rounding has left nothing.
        let weighed = times(&self.inverse, d);
        weighed.iter().zip(d).map(|(w, d)| w * d).sum()
    }
}

/// Takes what the others owe to reading `k` out of C⁻¹ (Schur complement), as
/// if its row and column were gone from C. Gives its own entry as it was.
fn drop_reading(inverse: &mut DMatrix<f64>, k: usize) -> f64 {
    let own = inverse[(k, k)];
    let row = inverse.row(k).transpose();
    *inverse -= &row * row.transpose() / own;
    own
}

/// Marginal standard deviation of every reading.
pub(crate) fn spreads(forecast: &Forecast, evidence: &Evidence) -> Vec<f64> {
    forecast
        .scatter
        .column_iter()
        .zip(&evidence.noise)
        .map(|(column, noise)| (WIDENED * WIDENED * column.norm_squared() + noise).sqrt())
        .collect()
}

/// Beside eˣ, terms below e^(x − this) are left out of a sum.
const BENEATH_NOTICE: f64 = 40.0;

/// Terms of a sum of eˣ this far below the largest count as that far below it, where the sum is only bounded.
const SMALL: f64 = 5.0;

/// A forecast's residual, weighed.
struct Residual {
    /// C⁻¹ r.
    weighed: Vec<f64>,
    /// ln N(y; μ, C).
    gauss: f64,
}

/// Squared spreads beyond which a reading is asked whether it was taken on a wrong range.
const WORTH_A_LOOK: f64 = 6.0;

/// Share of the slips with a voltmeter that are a wrong range (common practice, no source).
const WRONG_RANGE_SHARE: f64 = 0.35;

/// What a scale read on the wrong range is off by: the steps between the ranges of usual meters.
const RANGE_STEPS: [f64; 10] = [0.1, 0.2, 0.25, 0.3, 0.5, 2.0, 10.0 / 3.0, 4.0, 5.0, 10.0];

/// Logarithm of the density of a reading taken on a wrong range, where
/// `meant` (with `variance`) is what the right one would have shown.
fn ln_wrong_range(read: f64, meant: f64, variance: f64, noise: f64) -> f64 {
    let sum: f64 = RANGE_STEPS
        .iter()
        .map(|step| {
            let spread = step * step * variance + noise;
            let z = read - step * meant;
            let off = 0.5 * z * z / spread;
            if off < BENEATH_NOTICE {
                (-off).exp() / spread.sqrt()
            } else {
                0.0
            }
        })
        .sum();
    sum.ln() - (RANGE_STEPS.len() as f64).ln() - 0.5 * LN_TWO_PI
}

/// ln(eᵃ + eᵇ).
pub(crate) fn ln_add(a: f64, b: f64) -> f64 {
    let (high, low) = if a > b { (a, b) } else { (b, a) };
    if high == f64::NEG_INFINITY {
        return high;
    }
    high + (low - high).exp().ln_1p()
}

/// ln Σ eˣ.
pub(crate) fn ln_sum(values: impl IntoIterator<Item = f64>) -> f64 {
    values.into_iter().fold(f64::NEG_INFINITY, ln_add)
}
