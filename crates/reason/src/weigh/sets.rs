//! The evidence of a set of several failures: Laplace's method about the best
//! sizes for the search, and for the sets that lead, sums along every size.

use deadstage_circuit::Scratch;
use nalgebra::DMatrix;

use super::climb::{BETTER, Peak};
use super::follow::Node;
use super::{Atom, Peaks, Scales, Weighed, best_of, ln_counts, spread_of};
use crate::failure::Range;
use crate::likelihood::{Weights, ln_sum};
use std::sync::Arc;

/// Points solved along each size of a leading set.
const ALONG: usize = 7;

/// Spreads either side of the best that they reach.
const REACH: f64 = 4.5;

/// Points nearer than this share of what is between two are one.
const SAME: f64 = 1e-6;

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
                best: peak.u.clone(),
                law,
                peaks: Peaks::one(law, Arc::new(peak)),
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
            |law, from, scratch| {
                let known = rough.peaks.of(law);
                let found = self.along_each(law, &rough.set, from, known, scratch)?;
                Some((found, false))
            },
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
        let mut peaks = Peaks::default();
        for law in self.laws() {
            let Some((found, enough)) = ask(law, &from, scratch) else {
                continue;
            };
            by_law.push(found.ln_evidence);
            peaks.take(law, &found.peaks);
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
        best.peaks = peaks;
        debug_assert_eq!(best.set, set);
        best.ln_evidence = ln_sum(by_law) - (self.model.laws() as f64).ln();
        if !self.known.is_empty() {
            best.ln_evidence += self.ln_known(&best);
        }
        best.ln_weight = best.ln_evidence + prior;
        Some(best)
    }

    fn bend(&self, law: usize, set: &[usize], peak: &Peak, scratch: &mut Scratch) -> Option<Bend> {
        let ranges = self.ranges(set);
        let open: Vec<usize> = (0..set.len()).filter(|&k| ranges[k].is_open()).collect();
        let (felt, slopes) = self.felt(law, set, peak, &open, scratch)?;
        let good = peak.weights.good(&peak.mean, self.evidence);
        let (curvature, _) = self.normal_equations(peak, good.as_ref(), &slopes, &ranges, &felt);
        Some(Bend { felt, curvature })
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
            let healthy = &self.healthy[law];
            return Some(Without {
                mean: healthy.mean.clone(),
                sigma: healthy.sigma.clone(),
            });
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

    /// The evidence under one law by sums along each size, about a `known` peak if there is one.
    fn along_each(
        &self,
        law: usize,
        set: &[usize],
        from: &[Vec<f64>],
        known: Option<Arc<Peak>>,
        scratch: &mut Scratch,
    ) -> Option<Weighed> {
        const MOST_ROUNDS: usize = 3;
        let ranges = self.ranges(set);
        let mut peak = match known {
            Some(known) => match self.best_near(law, set, &known, from, scratch) {
                // Another law has found better sizes.
                Some(other) => Arc::new(self.climb_from(law, set, other, scratch)?),
                None => known,
            },
            None => Arc::new(self.climb(law, set, from, f64::NEG_INFINITY, scratch)?),
        };
        let mut spread = vec![0.0; set.len()];
        let mut ln_along = 0.0;
        let mut ln_leaning = 0.0;
        let mut highest = peak.value;
        for round in 1..=MOST_ROUNDS {
            let bend = self.bend(law, set, &peak, scratch)?;
            ln_leaning = bend.ln_leaning();
            ln_along = 0.0;
            highest = peak.value;
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
                let value = top.ln_value;
                // Where a size does better than the peak, what it gains counts once and not with every size that
                // gains it: a product of sums about a place that is no peak would outdo the best place on any of them.
                let height = peak.value.max(value - ln_counted);
                highest = highest.max(height);
                ln_along += ln_sum(atoms.iter().map(|a| a.ln_weight)) - height
                    + ((high - low) / ranges[k].width()).ln();
                spread[k] = spread_of(&atoms);
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
                Some(next) if next.value > peak.value => peak = Arc::new(next),
                _ => break,
            }
        }
        Some(Weighed {
            set: set.to_vec(),
            ln_weight: 0.0,
            ln_evidence: highest + ln_along + ln_leaning,
            best: peak.u.clone(),
            spread,
            law,
            peaks: Peaks::default(),
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
        let nodes: Vec<Option<Node>> = (0..ALONG)
            .map(|node| {
                let mut u = peak.u.clone();
                u[k] = low + spacing * node as f64;
                // The middle one is mostly known.
                let (seen, weights) = if (u[k] - peak.u[k]).abs() <= SAME * spacing {
                    (peak.seen.clone(), Arc::clone(&peak.weights))
                } else {
                    let seen = self.seen_at(law, set, &u, true, &mut starts, scratch)?;
                    let mean = seen.mean.clone();
                    let forecast = seen.first(self.observations.len());
                    let weights = Weights::new(&forecast, self.evidence, &[])?;
                    (mean, Arc::new(weights))
                };
                let ln_visible = without.ln_counts(&seen);
                let mut mean = seen;
                mean.truncate(self.observations.len());
                Some(Node {
                    ln_visible,
                    ln_likelihood: weights.ln_likelihood(&mean, self.evidence),
                    mean,
                    is_own: true,
                    is_hidden: false,
                    weights,
                })
            })
            .collect();
        let mut atoms = Vec::new();
        self.sum_between(law, low, spacing, &nodes, |_| false, &mut atoms);
        atoms
    }
}
