//! The evidence of a set of several failures: Laplace's method about the best
//! sizes for the search, and for the sets that lead, sums along every size.

use deadstage_circuit::Scratch;
use nalgebra::{DMatrix, DVector};

use super::{Atom, Node, Scales, Weighed, best_of, ln_counts, spread_of};
use crate::failure::Range;
use crate::likelihood::{Weights, ln_sum};
use crate::model::{Forecast, Held, Starts};
use crate::observe::Observation;
use std::borrow::Cow;

/// Step in `u` by which slopes are taken.
const STEP: f64 = 0.03;

/// Most steps of the climb to the best sizes.
const MOST_STEPS: usize = 8;

/// A step that gains no more than this in the logarithm ends the climb.
const SETTLED: f64 = 0.1;

/// Points solved along each size of a leading set.
const ALONG: usize = 7;

/// Spreads either side of the best that they reach.
const REACH: f64 = 4.5;

/// A better place found along a size, by this much in the logarithm, is worth starting from again.
const BETTER: f64 = 0.3;

/// By how much (in the logarithm) readings may be likelier with a set's own
/// scatter than with that of the same set at other sizes.
const OTHER_SCATTER: f64 = 6.0;

/// Where a set fits best under one law.
struct Peak {
    u: Vec<f64>,
    forecast: Forecast,
    /// What is forecast of the points where the set may count.
    seen: Vec<f64>,
    weights: Weights,
    starts: Starts,
    /// Logarithm of the likelihood, slips allowed.
    value: f64,
}

/// How the readings hold the sizes of a set about its peak.
struct Bend {
    /// Members whose size the readings feel.
    felt: Vec<usize>,
    /// Curvature of the negative log-posterior in them.
    curvature: DMatrix<f64>,
}

/// What a set is held against to see whether a member counts in it.
struct Without {
    mean: Vec<f64>,
    sigma: Vec<f64>,
}

impl Without {
    /// A member must earn its place: without it the readings would differ.
    /// The logarithm of how far they do.
    fn ln_counts(&self, with: &[f64]) -> f64 {
        let largest = self
            .mean
            .iter()
            .zip(with)
            .zip(&self.sigma)
            .map(|((a, b), sigma)| ((a - b) / sigma).abs())
            .fold(0.0, f64::max);
        ln_counts(largest)
    }
}

impl Bend {
    /// Logarithm of the Gaussian volume over that of the ranges.
    fn ln_volume(&self, ranges: &[Range]) -> f64 {
        let widths: f64 = self.felt.iter().map(|&k| ranges[k].width().ln()).sum();
        0.5 * (self.felt.len() as f64 * std::f64::consts::TAU.ln() - self.ln_determinant()) - widths
    }

    fn ln_determinant(&self) -> f64 {
        self.curvature.determinant().max(1e-300).ln()
    }

    /// By member, the spread of its size; zero where it is not felt.
    fn spreads(&self, ranges: &[Range]) -> Vec<f64> {
        let mut spreads = vec![0.0; ranges.len()];
        if let Some(inverse) = self.curvature.clone().try_inverse() {
            for (slot, &k) in self.felt.iter().enumerate() {
                let spread = inverse[(slot, slot)].max(0.0).sqrt();
                spreads[k] = spread.min(0.3 * ranges[k].width());
            }
        }
        spreads
    }

    /// By how much (in the logarithm) the sizes' leaning on one another makes
    /// the volume larger than the product of each with the others held.
    fn ln_leaning(&self) -> f64 {
        let own: f64 = self.curvature.diagonal().iter().map(|c| c.ln()).sum();
        (0.5 * (own - self.ln_determinant())).max(0.0)
    }

    /// Spread of one member's size with the others held; its whole range where it is not felt.
    fn held_spread(&self, k: usize, range: &Range) -> f64 {
        self.felt
            .iter()
            .position(|&felt| felt == k)
            .map_or(range.width(), |slot| {
                self.curvature[(slot, slot)].sqrt().recip()
            })
    }
}

impl Scales<'_> {
    /// Weighs a set of failures by Laplace's method about its best sizes, found
    /// by Gauss–Newton from the best of the `starts`. A set that under the first law stays below
    /// `floor` is not asked of the other; one whose readings stay below `hopeless` there is dropped.
    pub(crate) fn weigh_set(
        &self,
        set: &[usize],
        starts: &[Vec<f64>],
        (floor, hopeless): (f64, f64),
        scratch: &mut Scratch,
    ) -> Option<Weighed> {
        let prior = self.ln_prior(set);
        self.under_every_law(set, starts, prior, scratch, |law, from, scratch| {
            let peak = self.climb(law, set, from, hopeless - prior, scratch)?;
            let bend = self.bend(law, set, &peak, scratch)?;
            let ranges = self.ranges(set);
            let mut ln_evidence = peak.value + bend.ln_volume(&ranges);
            for k in 0..set.len() {
                let without = self.without(law, set, &peak, k, false, scratch)?;
                ln_evidence += without.ln_counts(&peak.seen);
            }
            let found = Weighed {
                set: set.to_vec(),
                ln_weight: 0.0,
                ln_evidence,
                spread: bend.spreads(&ranges),
                best: peak.u,
                law,
            };
            Some((found, ln_evidence + prior < floor))
        })
    }

    /// Weighs a set again that [`weigh_set`](Self::weigh_set) found to lead: the
    /// likelihood is summed along each size with the others held, and the
    /// leaning of the sizes on one another taken from the curvature. Unlike
    /// Laplace's method this knows where a range ends, and follows a size that
    /// the readings hold from one side only.
    pub(crate) fn weigh_set_again(
        &self,
        rough: &Weighed,
        scratch: &mut Scratch,
    ) -> Option<Weighed> {
        let prior = self.ln_prior(&rough.set);
        self.under_every_law(
            &rough.set,
            std::slice::from_ref(&rough.best),
            prior,
            scratch,
            |law, from, scratch| Some((self.along_each(law, &rough.set, from, scratch)?, false)),
        )
    }

    /// Asks every law, until one says that this is enough; each from the best of the `starts` and where the one before it ended.
    fn under_every_law(
        &self,
        set: &[usize],
        starts: &[Vec<f64>],
        prior: f64,
        scratch: &mut Scratch,
        mut ask: impl FnMut(usize, &[Vec<f64>], &mut Scratch) -> Option<(Weighed, bool)>,
    ) -> Option<Weighed> {
        let mut by_law = Vec::new();
        let mut best: Option<Weighed> = None;
        let mut from = starts.to_vec();
        for law in 0..self.model.laws() {
            let Some((found, enough)) = ask(law, &from, scratch) else {
                continue;
            };
            by_law.push(found.ln_evidence);
            from.truncate(starts.len());
            if !from.contains(&found.best) {
                from.push(found.best.clone());
            }
            if best
                .as_ref()
                .is_none_or(|b| found.ln_evidence > b.ln_evidence)
            {
                best = Some(found);
            }
            if enough {
                break;
            }
        }
        let mut best = best?;
        debug_assert_eq!(best.set, set);
        best.ln_evidence = ln_sum(by_law) - (self.model.laws() as f64).ln();
        if !self.known.is_empty() {
            best.ln_evidence += self.ln_known(&best);
        }
        best.ln_weight = best.ln_evidence + prior;
        Some(best)
    }

    fn ranges(&self, set: &[usize]) -> Vec<Range> {
        set.iter().map(|&i| self.failures[i].range).collect()
    }

    /// The forecast of a set at sizes `u`.
    fn forecast_at(
        &self,
        law: usize,
        set: &[usize],
        u: &[f64],
        with_scatter: bool,
        starts: &mut Starts,
        scratch: &mut Scratch,
    ) -> Option<Forecast> {
        let count = self.observations.len();
        let seen = self.seen_at(law, set, u, with_scatter, starts, scratch)?;
        Some(seen.first(count))
    }

    /// The forecast of the readings and, of a failure alone, of every point that
    /// a probe can reach: it counts wherever it shows. The members of a larger
    /// set count by what has been read, or each could hide behind the others.
    fn seen_at(
        &self,
        law: usize,
        set: &[usize],
        u: &[f64],
        with_scatter: bool,
        starts: &mut Starts,
        scratch: &mut Scratch,
    ) -> Option<Forecast> {
        let with_scatter = if with_scatter {
            self.observations.len()
        } else {
            0
        };
        let (held, list) = (self.held(set, u), self.list_of(set));
        self.model
            .forecast(law, &held, list, with_scatter, starts, scratch)
            .ok()
    }

    fn held<'h>(&'h self, set: &[usize], u: &[f64]) -> Vec<Held<'h>> {
        set.iter()
            .zip(u)
            .map(|(&i, &u)| (&self.failures[i], u))
            .collect()
    }

    /// What is looked at to see whether the members of a set count.
    fn list_of(&self, set: &[usize]) -> &[Observation] {
        if set.len() == 1 {
            self.watched
        } else {
            self.observations
        }
    }

    fn peak_at(
        &self,
        law: usize,
        set: &[usize],
        u: Vec<f64>,
        mut starts: Starts,
        scratch: &mut Scratch,
    ) -> Option<Peak> {
        let forecast = self.seen_at(law, set, &u, true, &mut starts, scratch)?;
        self.peak_of(u, forecast, starts)
    }

    fn peak_of(&self, u: Vec<f64>, forecast: Forecast, starts: Starts) -> Option<Peak> {
        let seen = forecast.mean.clone();
        let forecast = forecast.first(self.observations.len());
        let weights = Weights::new(&forecast, self.evidence, &[])?;
        let value = weights.ln_likelihood(&forecast.mean, self.evidence);
        Some(Peak {
            u,
            forecast,
            seen,
            weights,
            starts,
            value,
        })
    }

    /// As [`peak_at`](Self::peak_at), but only where the readings may be likelier than `least` there:
    /// by the scatter of a `neighbour`, which costs nothing to hold them against, they are nearly so.
    fn peak_near(
        &self,
        law: usize,
        set: &[usize],
        u: Vec<f64>,
        neighbour: &Peak,
        least: f64,
        scratch: &mut Scratch,
    ) -> Option<Peak> {
        let mut starts = neighbour.starts.clone();
        let held = self.held(set, &u);
        let mut is_worth = false;
        let worth = |mean: &[f64]| {
            let mean = &mean[..self.observations.len()];
            let weights = &neighbour.weights;
            let value = weights.ln_likelihood(mean, self.evidence);
            let without_slips = weights.ln_without_slips(mean, self.evidence);
            is_worth = value.max(without_slips) > least - OTHER_SCATTER;
            is_worth
        };
        let (list, count) = (self.list_of(set), self.observations.len());
        let forecast = self
            .model
            .forecast_if(law, &held, list, count, worth, &mut starts, scratch)
            .ok()?;
        is_worth
            .then(|| self.peak_of(u, forecast, starts))
            .flatten()
    }

    /// How the forecast moves with a member's size, a unit of `u`.
    fn slope(
        &self,
        law: usize,
        set: &[usize],
        peak: &Peak,
        k: usize,
        scratch: &mut Scratch,
    ) -> Option<Vec<f64>> {
        let range = &self.failures[set[k]].range;
        let size = STEP * range.width().min(1.0);
        let step = if peak.u[k] + size > range.high {
            -size
        } else {
            size
        };
        let mut moved = peak.u.clone();
        moved[k] += step;
        let there = self.forecast_at(law, set, &moved, false, &mut peak.starts.clone(), scratch)?;
        Some(
            there
                .mean
                .iter()
                .zip(&peak.forecast.mean)
                .map(|(b, a)| (b - a) / step)
                .collect(),
        )
    }

    /// Members whose size the readings feel about a peak, of those asked, with the slopes.
    fn felt(
        &self,
        law: usize,
        set: &[usize],
        peak: &Peak,
        asked: &[usize],
        scratch: &mut Scratch,
    ) -> Option<(Vec<usize>, Vec<Vec<f64>>)> {
        let mut felt = Vec::new();
        let mut slopes = Vec::new();
        for &k in asked {
            let slope = self.slope(law, set, peak, k, scratch)?;
            let range = &self.failures[set[k]].range;
            // An open or a short whose exact size no reading feels stays where it was found.
            let reach = range.width().min(4.0);
            let feels = range.sized
                || slope
                    .iter()
                    .zip(&peak.weights.sigma)
                    .any(|(s, sigma)| (s * reach).abs() > 0.3 * sigma);
            if feels {
                felt.push(k);
                slopes.push(slope);
            }
        }
        Some((felt, slopes))
    }

    fn bend(&self, law: usize, set: &[usize], peak: &Peak, scratch: &mut Scratch) -> Option<Bend> {
        let ranges = self.ranges(set);
        let open: Vec<usize> = (0..set.len()).filter(|&k| ranges[k].is_open()).collect();
        let (felt, slopes) = self.felt(law, set, peak, &open, scratch)?;
        let good = peak
            .weights
            .inverse_of_good(&peak.forecast.mean, self.evidence);
        let inverse = good.as_ref().unwrap_or(&peak.weights.inverse);
        let (curvature, _) = self.normal_equations(peak, inverse, &slopes, &ranges, &felt);
        Some(Bend { felt, curvature })
    }

    /// Climbs to the best sizes: by the readings that are no slips, and where
    /// that leads no higher by all of them, for allowing slips can leave the
    /// climb on a plain. The best place on the way is where the set stands. Of
    /// several places to start from, the best is taken. `None` where the readings stay below `least`.
    fn climb(
        &self,
        law: usize,
        set: &[usize],
        from: &[Vec<f64>],
        least: f64,
        scratch: &mut Scratch,
    ) -> Option<Peak> {
        let mut places = from.iter();
        let mut start = places.find_map(|u| {
            let starts = self.healthy[law].starts.clone();
            self.peak_at(law, set, u.clone(), starts, scratch)
        })?;
        for u in places {
            let other = self.peak_near(law, set, u.clone(), &start, start.value, scratch);
            if let Some(other) = other.filter(|o| o.value > start.value) {
                start = other;
            }
        }
        let peak = self.climb_from(law, set, start, scratch)?;
        if peak.value < least {
            return None;
        }
        match self.look_elsewhere(law, set, &peak, scratch) {
            Some(other) => self.climb_from(law, set, other, scratch),
            None => Some(peak),
        }
    }

    /// An open circuit or a short whose size is not felt where it stands may be
    /// felt elsewhere in its range: a better place there, if there is one.
    fn look_elsewhere(
        &self,
        law: usize,
        set: &[usize],
        peak: &Peak,
        scratch: &mut Scratch,
    ) -> Option<Peak> {
        const PLACES: [f64; 4] = [0.03, 0.15, 0.4, 0.7];
        let ranges = self.ranges(set);
        let mut best: Option<Peak> = None;
        for k in (0..set.len()).filter(|&k| ranges[k].is_open() && !ranges[k].sized) {
            for place in PLACES {
                let mut u = peak.u.clone();
                u[k] = ranges[k].low + place * ranges[k].width();
                let least = best.as_ref().map_or(peak.value + BETTER, |b| b.value);
                let there = self.peak_near(law, set, u, peak, least, scratch);
                best = there.filter(|t| t.value > least).or(best);
            }
        }
        best
    }

    fn climb_from(
        &self,
        law: usize,
        set: &[usize],
        start: Peak,
        scratch: &mut Scratch,
    ) -> Option<Peak> {
        let ranges = self.ranges(set);
        let mut free: Vec<usize> = (0..set.len()).filter(|&k| ranges[k].is_open()).collect();
        let mut at = start;
        let mut climbed = at
            .weights
            .ln_without_slips(&at.forecast.mean, self.evidence);
        let mut best: Option<Peak> = None;
        for _ in 0..MOST_STEPS {
            let (felt, slopes) = self.felt(law, set, &at, &free, scratch)?;
            free = felt;
            if free.is_empty() {
                break;
            }
            let good = at.weights.inverse_of_good(&at.forecast.mean, self.evidence);
            let mut next: Option<(Peak, bool)> = None;
            for inverse in good.iter().chain([&at.weights.inverse]) {
                let (curvature, pull) =
                    self.normal_equations(&at, inverse, &slopes, &ranges, &free);
                let Some(step) = curvature.lu().solve(&pull) else {
                    continue;
                };
                let mut scale = 1.0;
                while scale > 0.1 && next.is_none() {
                    let mut moved = at.u.clone();
                    for (slot, &k) in free.iter().enumerate() {
                        let limit = (0.4 * ranges[k].width()).min(2.5);
                        moved[k] = (at.u[k] + (scale * step[slot]).clamp(-limit, limit))
                            .clamp(ranges[k].low, ranges[k].high);
                    }
                    let least = at.value.min(climbed);
                    if let Some(there) = self.peak_near(law, set, moved, &at, least, scratch) {
                        let ln = there
                            .weights
                            .ln_without_slips(&there.forecast.mean, self.evidence);
                        let gained = (ln - climbed).max(there.value - at.value);
                        if gained > 0.0 {
                            climbed = ln;
                            next = Some((there, gained > SETTLED));
                        }
                    }
                    scale *= 0.35;
                }
            }
            let Some((next, improved)) = next else { break };
            let left = std::mem::replace(&mut at, next);
            if best.as_ref().is_none_or(|b| left.value > b.value) {
                best = Some(left);
            }
            if !improved {
                break;
            }
        }
        match best {
            Some(best) if best.value > at.value => Some(best),
            _ => Some(at),
        }
    }

    /// The forecast without one member, the others as at the peak; its spreads too if `scattered`.
    fn without(
        &self,
        law: usize,
        set: &[usize],
        peak: &Peak,
        k: usize,
        scattered: bool,
        scratch: &mut Scratch,
    ) -> Option<Without> {
        if set.len() == 1 {
            let (mean, sigma) = self.healthy[law].witness.iter().copied().unzip();
            return Some(Without { mean, sigma });
        }
        let (mut rest, mut rest_u) = (set.to_vec(), peak.u.clone());
        rest.remove(k);
        rest_u.remove(k);
        let starts = &mut peak.starts.clone();
        let forecast = self.forecast_at(law, &rest, &rest_u, scattered, starts, scratch)?;
        let sigma = if scattered {
            crate::likelihood::spreads(&forecast, self.evidence)
        } else {
            let healthy = &self.healthy[law].weights.sigma;
            let with = &peak.weights.sigma;
            with.iter().zip(healthy).map(|(a, b)| a.min(*b)).collect()
        };
        Some(Without {
            mean: forecast.mean,
            sigma,
        })
    }

    /// The evidence under one law by sums along each size.
    fn along_each(
        &self,
        law: usize,
        set: &[usize],
        from: &[Vec<f64>],
        scratch: &mut Scratch,
    ) -> Option<Weighed> {
        const MOST_ROUNDS: usize = 3;
        let ranges = self.ranges(set);
        let mut peak = self.climb(law, set, from, f64::NEG_INFINITY, scratch)?;
        let mut spread = vec![0.0; set.len()];
        let mut ln_along = 0.0;
        let mut ln_leaning = 0.0;
        for round in 1..=MOST_ROUNDS {
            let bend = self.bend(law, set, &peak, scratch)?;
            ln_leaning = bend.ln_leaning();
            ln_along = 0.0;
            let mut better: Option<(f64, usize, f64)> = None;
            for k in 0..set.len() {
                let without = self.without(law, set, &peak, k, true, scratch)?;
                let ln_counted = without.ln_counts(&peak.seen);
                if !ranges[k].is_open() {
                    ln_along += ln_counted;
                    continue;
                }
                let reach = REACH * bend.held_spread(k, &ranges[k]);
                let low = (peak.u[k] - reach).max(ranges[k].low);
                let high = (peak.u[k] + reach).min(ranges[k].high);
                let atoms = self.sum_about(law, set, &peak, k, &without, (low, high), scratch);
                let top = best_of(&atoms)?;
                ln_along += ln_sum(atoms.iter().map(|a| a.ln_weight)) - peak.value
                    + ((high - low) / ranges[k].width()).ln();
                spread[k] = spread_of(&atoms);
                let value = top.ln_value;
                if value > peak.value + ln_counted + BETTER && better.is_none_or(|b| value > b.0) {
                    better = Some((value, k, top.u));
                }
            }
            let Some((_, k, u)) = better.filter(|_| round < MOST_ROUNDS) else {
                break;
            };
            let mut moved = peak.u.clone();
            moved[k] = u;
            match self.peak_at(law, set, moved, peak.starts.clone(), scratch) {
                Some(next) if next.value > peak.value => peak = next,
                _ => break,
            }
        }
        Some(Weighed {
            set: set.to_vec(),
            ln_weight: 0.0,
            ln_evidence: peak.value + ln_along + ln_leaning,
            best: peak.u,
            spread,
            law,
        })
    }

    /// The likelihood along one member's size between two ends, the others
    /// held, so far as the member counts.
    #[allow(
        clippy::too_many_arguments,
        reason = "a set, its peak, and where to look"
    )]
    fn sum_about(
        &self,
        law: usize,
        set: &[usize],
        peak: &Peak,
        k: usize,
        without: &Without,
        (low, high): (f64, f64),
        scratch: &mut Scratch,
    ) -> Vec<Atom> {
        let spacing = (high - low) / (ALONG - 1) as f64;
        let mut starts = peak.starts.clone();
        let nodes: Vec<Option<Node<'_>>> = (0..ALONG)
            .map(|node| {
                let mut u = peak.u.clone();
                u[k] = low + spacing * node as f64;
                let seen = self.seen_at(law, set, &u, true, &mut starts, scratch)?;
                let ln_visible = without.ln_counts(&seen.mean);
                let forecast = seen.first(self.observations.len());
                let weights = Weights::new(&forecast, self.evidence, &[])?;
                Some(Node {
                    ln_visible,
                    ln_likelihood: weights.ln_likelihood(&forecast.mean, self.evidence),
                    mean: forecast.mean,
                    weights: Cow::Owned(weights),
                })
            })
            .collect();
        let mut atoms = Vec::new();
        self.sum_between(law, low, spacing, &nodes, &mut atoms);
        atoms
    }

    /// Curvature of the negative log-posterior and its pull, in the felt sizes.
    fn normal_equations(
        &self,
        peak: &Peak,
        inverse: &DMatrix<f64>,
        slopes: &[Vec<f64>],
        ranges: &[Range],
        felt: &[usize],
    ) -> (DMatrix<f64>, DVector<f64>) {
        let exact = &peak.weights.exact;
        let count = exact.len();
        let g = DMatrix::from_fn(count, felt.len(), |i, k| slopes[k][exact[i]]);
        let r = DVector::from_fn(count, |i, _| {
            self.evidence.read[exact[i]] - peak.forecast.mean[exact[i]]
        });
        let weighted = inverse * &g;
        let mut curvature = g.tr_mul(&weighted);
        for (slot, &k) in felt.iter().enumerate() {
            // A flat prior of width W counts as the Gaussian of the same height.
            let width = ranges[k].width();
            curvature[(slot, slot)] += std::f64::consts::TAU / (width * width);
        }
        let pull = weighted.tr_mul(&r);
        (curvature, pull)
    }
}
