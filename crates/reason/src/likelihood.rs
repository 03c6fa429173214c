//! How probable the numbers read are, given what they should be.
//!
//! The readings y are Gaussian about the forecast μ with covariance
//! C = Σ_θ (∂μ/∂θ σ_θ)(∂μ/∂θ σ_θ)ᵀ + R: the tolerances of all parts at this
//! very operating point, and the meter. Any one reading may instead be a slip
//! (wrong pin, wrong range), with a small probability and a wide error.

mod covariance;
mod inverse;
mod joint;
mod line;
mod path;
#[cfg(test)]
mod tests;

use deadstage_netlist::Bound;
use nalgebra::DMatrix;

use crate::assume::Ablation;
use crate::model::{Forecast, Scatter};
use crate::observe::{Observation, Scale};
pub(crate) use covariance::cross;
use covariance::{gram, inverse_of};
pub(crate) use inverse::{Good, Inverse};
use joint::JointInverse;
pub(crate) use joint::{Joint, Other};
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

/// From so many readings on the scatter of each is not told: weights cost less by the network's own equations.
const MANY: usize = 48;

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

    /// The factor by which spreads are widened, where many readings are better weighed without telling the scatter of each.
    pub(crate) fn weighed_jointly(&self) -> Option<f64> {
        (self.joint && self.len() >= MANY).then_some(self.widened)
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
    inverse: Inverse,
    ln_det_inverse: f64,
    /// The diagonal of C⁻¹.
    own: Vec<f64>,
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
        let exact: Vec<usize> = (0..total)
            .filter(|&i| evidence.bounds[i] == Bound::Exact)
            .collect();
        let (inverse, ln_det, sigma) = match &forecast.scatter {
            Scatter::Columns(columns) => Self::dense(columns, evidence, extra, &exact)?,
            Scatter::Joint(joint) => {
                let inverse = JointInverse::new(joint, &exact, &evidence.noise, extra)?;
                let ln_det = inverse.ln_det;
                let mut variances = joint.variances();
                for column in extra {
                    let squares = column.iter().map(|c| c * c);
                    variances.iter_mut().zip(squares).for_each(|(v, c)| *v += c);
                }
                let sigma = variances.iter().zip(&evidence.noise);
                let sigma = sigma.map(|(v, noise)| (v + noise).sqrt()).collect();
                (Inverse::Joint(Box::new(inverse)), ln_det, sigma)
            }
        };
        let own = inverse.diagonal();
        if own.iter().any(|own| own.is_nan() || *own <= 0.0) || ln_det.is_nan() {
            return None;
        }
        let ln_own: Vec<f64> = own.iter().map(|own| own.ln()).collect();
        let ln_slip_most = exact
            .iter()
            .zip(ln_own.iter().zip(&own))
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
            half_variance: own.iter().map(|own| 0.5 / own).collect(),
            own,
            ln_own,
            ln_slip_most,
            inverse,
            ln_det_inverse: -ln_det,
            exact,
            sigma,
        })
    }

    /// C⁻¹ of the exact readings entry by entry, ln det C, and every reading's standard deviation.
    fn dense(
        columns: &DMatrix<f64>,
        evidence: &Evidence,
        extra: &[Vec<f64>],
        exact: &[usize],
    ) -> Option<(Inverse, f64, Vec<f64>)> {
        let total = evidence.len();
        let mut covariance = gram(columns, evidence.widened * evidence.widened);
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
        let count = exact.len();
        let chosen = if count == total {
            covariance
        } else {
            DMatrix::from_fn(count, count, |i, j| covariance[(exact[i], exact[j])])
        };
        let (inverse, ln_det) = inverse_of(chosen)?;
        Some((Inverse::Dense(inverse), ln_det, sigma))
    }

    /// The same with C⁻¹ entry by entry, for many to be weighed by.
    pub(crate) fn into_dense(mut self) -> Self {
        if let Inverse::Joint(_) = self.inverse {
            self.inverse = Inverse::Dense(self.inverse.dense(self.exact.len()));
        }
        self
    }

    /// C⁻¹ x of the exact readings, or only of the `good` ones.
    pub(crate) fn times(&self, good: Option<&Good>, x: &[f64]) -> Vec<f64> {
        match good {
            Some(good) => good.times(&self.inverse, x),
            None => self.inverse.times(x),
        }
    }

    /// C⁻¹ times each of four vectors that stand side by side.
    fn times_each(&self, x: &[[f64; 4]]) -> Vec<[f64; 4]> {
        self.inverse.times_each(x)
    }

    /// dᵀ C⁻¹ d of the good readings, by that of all.
    pub(crate) fn square_of(&self, good: &Good, d: &[f64], of_all: f64) -> f64 {
        good.square(&self.inverse, d, of_all)
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
        let residual = self.residual(mean, evidence);
        let mut weighed = self.inverse.times(&residual);
        let mut own = self.own.clone();
        let mut good: Option<Good> = None;
        let mut ln_det_inverse = self.ln_det_inverse;
        let mut displaced = 0.0;
        let mut which = Vec::new();
        loop {
            let worst = (0..own.len())
                .filter(|&k| own[k] > 0.0)
                .map(|k| {
                    let ln_given =
                        -0.5 * (weighed[k] * weighed[k] / own[k] + LN_TWO_PI - own[k].ln());
                    let free = evidence.ln_slip[self.exact[k]] + moves.ln();
                    (free - ln_given - (1.0 - moves).ln(), k)
                })
                .reduce(|a, b| if b.0 > a.0 { b } else { a });
            match worst {
                Some((gain, k)) if gain > 0.0 => {
                    displaced += evidence.ln_slip[self.exact[k]] + moves.ln();
                    ln_det_inverse -= own[k].ln();
                    which.push(self.exact[k]);
                    good.get_or_insert_with(|| Good::all(&self.inverse)).drop(
                        &self.inverse,
                        k,
                        &mut own,
                        &mut weighed,
                    );
                }
                _ => {
                    let square: f64 = residual.iter().zip(&weighed).map(|(r, w)| r * w).sum();
                    let count = (own.len() - which.len()) as f64;
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
    /// not; `None` where there are none.
    pub(crate) fn good(&self, mean: &[f64], evidence: &Evidence) -> Option<Good> {
        let mut weighed = self.weighed(mean, evidence).weighed;
        let mut own = self.own.clone();
        let mut good: Option<Good> = None;
        // One at a time: with the worst out of the way the others are seen for what they are.
        for _ in 0..self.exact.len() / 2 {
            let worst = (0..self.exact.len())
                .filter(|&k| own[k] > 0.0)
                .map(|k| {
                    let ln_given =
                        -0.5 * (weighed[k] * weighed[k] / own[k] + LN_TWO_PI - own[k].ln());
                    let slip = evidence.ln_slip[self.exact[k]] + SLIP.ln();
                    (slip - ln_given, k)
                })
                .reduce(|a, b| if b.0 > a.0 { b } else { a });
            let Some((gain, k)) = worst else { break };
            if gain <= 0.0 {
                break;
            }
            let good = good.get_or_insert_with(|| Good::all(&self.inverse));
            good.drop(&self.inverse, k, &mut own, &mut weighed);
        }
        good
    }

    /// r = y − μ of the exact readings.
    fn residual(&self, mean: &[f64], evidence: &Evidence) -> Vec<f64> {
        self.exact
            .iter()
            .map(|&index| evidence.read[index] - mean[index])
            .collect()
    }

    /// The residual r = y − μ of the exact readings, weighed: C⁻¹ r and ln N(y; μ, C).
    fn weighed(&self, mean: &[f64], evidence: &Evidence) -> Residual {
        let residual = self.residual(mean, evidence);
        let weighed = self.inverse.times(&residual);
        let square = weighed.iter().zip(&residual).map(|(w, r)| w * r).sum();
        Residual {
            weighed,
            gauss: self.ln_gauss(square),
        }
    }

    /// ln N(y; μ, C) where (y − μ)ᵀ C⁻¹ (y − μ) is `square`.
    fn ln_gauss(&self, square: f64) -> f64 {
        -0.5 * (square + self.exact.len() as f64 * LN_TWO_PI - self.ln_det_inverse)
    }

    /// Logarithm of how much likelier an exact reading is as a
    /// slip than as the forecast given all the others.
    fn ln_slip(&self, k: usize, residual: &Residual, evidence: &Evidence) -> f64 {
        let (index, ln_own) = (self.exact[k], self.ln_own[k]);
        let (w, own) = (residual.weighed[k], self.own[k]);
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

/// Marginal standard deviation of every reading.
pub(crate) fn spreads(forecast: &Forecast, evidence: &Evidence) -> Vec<f64> {
    let variances: Vec<f64> = match &forecast.scatter {
        Scatter::Columns(columns) => {
            let squares = columns.column_iter().map(|column| column.norm_squared());
            squares.map(|square| WIDENED * WIDENED * square).collect()
        }
        Scatter::Joint(joint) => joint.variances(),
    };
    let all = variances.iter().zip(&evidence.noise);
    all.map(|(variance, noise)| (variance + noise).sqrt())
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
