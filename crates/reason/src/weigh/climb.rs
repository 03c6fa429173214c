//! The sizes of a set of failures that fit best, found by Gauss–Newton.

use std::sync::{Arc, OnceLock};

use deadstage_circuit::Scratch;
use nalgebra::{DMatrix, DVector};

use super::Scales;
use crate::failure::Range;
use crate::likelihood::{Evidence, Good, Weights};
use crate::model::{Forecast, Held, Starts, Wanted};
use crate::observe::Observation;

/// Step in `u` by which slopes are taken.
const STEP: f64 = 0.03;

/// Most steps of the climb to the best sizes.
const MOST_STEPS: usize = 8;

/// A step that gains no more than this in the logarithm ends the climb.
const SETTLED: f64 = 0.1;

/// A step that gains nothing is tried again at this share of its length.
const SHORTER: f64 = 0.35;

/// A step that promises no more than this (in the logarithm, the readings being straight in the sizes) is not made.
const NO_MORE: f64 = 0.001;

/// A better place found along a size, by this much in the logarithm, is worth starting from again.
pub(super) const BETTER: f64 = 0.3;

/// By how much (in the logarithm) readings may be likelier with a set's own
/// scatter than with that of the same set at other sizes.
const OTHER_SCATTER: f64 = 6.0;

/// Where a set fits best under one law.
#[derive(Debug)]
pub(super) struct Peak {
    pub(super) u: Vec<f64>,
    /// Means of the readings.
    pub(super) mean: Vec<f64>,
    /// What is forecast of the points where the set may count.
    pub(super) seen: Vec<f64>,
    pub(super) weights: Arc<Weights>,
    /// By member, the slopes that were worked out.
    slopes: Vec<OnceLock<Vec<f64>>>,
    pub(super) starts: Starts,
    /// Logarithm of the likelihood by these weights, slips allowed; on a climb by the scatter of its start the weights are the start's.
    pub(super) value: f64,
}

/// By which scatter a climb holds the readings against its places.
#[derive(Clone, Copy, Debug)]
enum Scatter {
    /// Each by its own.
    Own,
    /// All by that of where it starts.
    OfStart,
}

/// What a climb goes by.
#[derive(Clone, Copy, Debug)]
enum Readings {
    /// The readings that are likelier as forecast than as slips.
    Good,
    All,
}

impl Peak {
    /// Logarithm of the likelihood, no slips allowed.
    fn ln_without_slips(&self, evidence: &Evidence) -> f64 {
        self.weights.ln_without_slips(&self.mean, evidence)
    }

    /// Whether any reading is likelier a slip than as forecast.
    fn has_slips(&self, evidence: &Evidence) -> bool {
        self.weights.good(&self.mean, evidence).is_some()
    }
}

/// The likeliest of some places, the last of those that are alike.
fn best_of(places: Vec<Peak>) -> Option<Peak> {
    places
        .into_iter()
        .reduce(|a, b| if b.value >= a.value { b } else { a })
}

impl<'a> Scales<'a> {
    /// A set's failures with their sizes.
    pub(crate) fn held(&self, set: &[usize], u: &[f64]) -> Vec<Held<'a>> {
        set.iter()
            .zip(u)
            .map(|(&i, &u)| (&self.failures[i], u))
            .collect()
    }
}

impl Scales<'_> {
    pub(super) fn ranges(&self, set: &[usize]) -> Vec<Range> {
        set.iter().map(|&i| self.failures[i].range).collect()
    }

    /// The forecast of a set at sizes `u`.
    pub(super) fn forecast_at(
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
    pub(super) fn seen_at(
        &self,
        law: usize,
        set: &[usize],
        u: &[f64],
        with_scatter: bool,
        starts: &mut Starts,
        scratch: &mut Scratch,
    ) -> Option<Forecast> {
        let with_scatter = if with_scatter {
            Wanted::Weights(self.observations.len())
        } else {
            Wanted::Means
        };
        let (held, list) = (self.held(set, u), self.list_of(set));
        self.model
            .forecast(law, &held, list, with_scatter, starts, scratch)
            .ok()
    }

    /// What is looked at to see whether the members of a set count.
    pub(super) fn list_of(&self, set: &[usize]) -> &[Observation] {
        if set.len() == 1 {
            self.watched
        } else {
            self.observations
        }
    }

    pub(super) fn peak_at(
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
        let weights = Arc::new(Weights::new(&forecast, self.evidence, &[])?);
        Some(self.peak_under(u, seen, weights, starts))
    }

    /// The peak by what is forecast of all that is looked at, and the weights to hold that against the readings.
    fn peak_under(
        &self,
        u: Vec<f64>,
        seen: Vec<f64>,
        weights: Arc<Weights>,
        starts: Starts,
    ) -> Peak {
        let mean = seen[..self.observations.len()].to_vec();
        Peak {
            slopes: vec![OnceLock::new(); u.len()],
            u,
            value: weights.ln_likelihood(&mean, self.evidence),
            mean,
            seen,
            weights,
            starts,
        }
    }

    /// The peak at other sizes by the scatter of a `neighbour`.
    fn peak_like(
        &self,
        law: usize,
        set: &[usize],
        u: Vec<f64>,
        neighbour: &Peak,
        scratch: &mut Scratch,
    ) -> Option<Peak> {
        let mut starts = neighbour.starts.clone();
        let seen = self.seen_at(law, set, &u, false, &mut starts, scratch)?;
        let weights = Arc::clone(&neighbour.weights);
        Some(self.peak_under(u, seen.mean, weights, starts))
    }

    /// As [`peak_at`](Self::peak_at), but only where the readings may be likelier than `least` there:
    /// by the scatter of a `neighbour`, which costs nothing to hold them against, they are nearly so.
    pub(super) fn peak_near(
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
            .forecast_if(
                law,
                &held,
                list,
                Wanted::Weights(count),
                None,
                worth,
                &mut starts,
                scratch,
            )
            .ok()?;
        is_worth
            .then(|| self.peak_of(u, forecast, starts))
            .flatten()
    }

    /// How the forecast moves with a member's size, a unit of `u`.
    pub(super) fn slope(
        &self,
        law: usize,
        set: &[usize],
        peak: &Peak,
        k: usize,
        scratch: &mut Scratch,
    ) -> Option<Vec<f64>> {
        if let Some(known) = peak.slopes[k].get() {
            return Some(known.clone());
        }
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
        let slope: Vec<f64> = there
            .mean
            .iter()
            .zip(&peak.mean)
            .map(|(b, a)| (b - a) / step)
            .collect();
        Some(peak.slopes[k].get_or_init(|| slope).clone())
    }

    /// Members whose size the readings feel about a peak, of those asked, with the slopes.
    pub(super) fn felt(
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

    /// Climbs to the best sizes, as [`climb_from`](Self::climb_from) does, from the best of several places,
    /// and looks whether an open or a short does better elsewhere. `None` where the readings stay below `least`.
    pub(super) fn climb(
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
        if let Some(better) = self.best_near(law, set, &start, places.as_slice(), scratch) {
            start = better;
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

    /// The best of some other places, if it is better than a known one.
    pub(super) fn best_near(
        &self,
        law: usize,
        set: &[usize],
        known: &Peak,
        places: &[Vec<f64>],
        scratch: &mut Scratch,
    ) -> Option<Peak> {
        let mut best: Option<Peak> = None;
        for u in places.iter().filter(|u| **u != known.u) {
            let at = best.as_ref().unwrap_or(known);
            let other = self.peak_near(law, set, u.clone(), at, at.value, scratch);
            best = other.filter(|o| o.value > at.value).or(best);
        }
        best
    }

    /// An open circuit or a short whose size is not felt where it stands may be
    /// felt elsewhere in its range: a better place there, if there is one.
    pub(super) fn look_elsewhere(
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

    /// Climbs by the readings that are no slips, and from there by all of them: what only a reading
    /// feels that was taken for a slip stays wherever it began, for allowing slips leaves
    /// the climb on a plain. The best place on the way is where the set stands.
    pub(super) fn climb_from(
        &self,
        law: usize,
        set: &[usize],
        start: Peak,
        scratch: &mut Scratch,
    ) -> Option<Peak> {
        let own = Scatter::Own;
        let path = self.climb_by(law, set, start, Readings::Good, own, scratch)?;
        let top = best_of(path)?;
        if !top.has_slips(self.evidence) {
            return Some(top);
        }
        // Mostly this leads nowhere: that shows by one and the same scatter.
        let least = top.value - OTHER_SCATTER;
        let path = self.climb_by(law, set, top, Readings::All, Scatter::OfStart, scratch)?;
        let mut path = path.into_iter();
        let top = path.next()?;
        if !path.any(|place| place.value > least) {
            return Some(top);
        }
        best_of(self.climb_by(law, set, top, Readings::All, own, scratch)?)
    }

    /// The places that a climb comes through, from its start on.
    fn climb_by(
        &self,
        law: usize,
        set: &[usize],
        start: Peak,
        readings: Readings,
        scatter: Scatter,
        scratch: &mut Scratch,
    ) -> Option<Vec<Peak>> {
        let ranges = self.ranges(set);
        let mut free: Vec<usize> = (0..set.len()).filter(|&k| ranges[k].is_open()).collect();
        let mut at = start;
        let mut path = Vec::new();
        for _ in 0..MOST_STEPS {
            let (felt, slopes) = self.felt(law, set, &at, &free, scratch)?;
            free = felt;
            if free.is_empty() {
                break;
            }
            let of_good = match readings {
                Readings::Good => at.weights.good(&at.mean, self.evidence),
                Readings::All => None,
            };
            let height = |peak: &Peak| {
                let without = peak.ln_without_slips(self.evidence);
                match readings {
                    Readings::Good => (peak.value, of_good.is_none().then_some(without)),
                    Readings::All => (without, None),
                }
            };
            let from = height(&at);
            let good = of_good.as_ref();
            let (curvature, pull) = self.normal_equations(&at, good, &slopes, &ranges, &free);
            let Some(step) = curvature.clone().lu().solve(&pull) else {
                break;
            };
            let mut next: Option<(Peak, f64)> = None;
            let mut scale = 1.0;
            while scale > 0.1 && next.is_none() {
                let mut moved = at.u.clone();
                for (slot, &k) in free.iter().enumerate() {
                    let limit = (0.4 * ranges[k].width()).min(2.5);
                    moved[k] = (at.u[k] + (scale * step[slot]).clamp(-limit, limit))
                        .clamp(ranges[k].low, ranges[k].high);
                }
                let made =
                    DVector::from_iterator(free.len(), free.iter().map(|&k| moved[k] - at.u[k]));
                if pull.dot(&made) - 0.5 * made.dot(&(&curvature * &made)) <= NO_MORE {
                    // Cut short at a limit a step may lead elsewhere than a shorter one.
                    scale *= SHORTER;
                    continue;
                }
                let least = from.0.min(from.1.unwrap_or(from.0));
                let there = match scatter {
                    Scatter::Own => self.peak_near(law, set, moved, &at, least, scratch),
                    Scatter::OfStart => self.peak_like(law, set, moved, &at, scratch),
                };
                if let Some(there) = there {
                    let to = height(&there);
                    let without = to.1.zip(from.1).map(|(to, from)| to - from);
                    let gained = (to.0 - from.0).max(without.unwrap_or(f64::NEG_INFINITY));
                    next = (gained > 0.0).then_some((there, gained));
                }
                scale *= SHORTER;
            }
            let Some((next, gained)) = next else { break };
            path.push(std::mem::replace(&mut at, next));
            if gained <= SETTLED {
                break;
            }
        }
        path.push(at);
        Some(path)
    }

    /// Curvature of the negative log-posterior and its pull, in the felt sizes, by all readings or the good ones.
    pub(super) fn normal_equations(
        &self,
        peak: &Peak,
        good: Option<&Good>,
        slopes: &[Vec<f64>],
        ranges: &[Range],
        felt: &[usize],
    ) -> (DMatrix<f64>, DVector<f64>) {
        let exact = &peak.weights.exact;
        let count = exact.len();
        let g = DMatrix::from_fn(count, felt.len(), |i, k| slopes[k][exact[i]]);
        let r = DVector::from_fn(count, |i, _| {
            self.evidence.read[exact[i]] - peak.mean[exact[i]]
        });
        let weighted: Vec<f64> = g
            .column_iter()
            .flat_map(|column| peak.weights.times(good, column.clone_owned().as_slice()))
            .collect();
        let weighted = DMatrix::from_vec(count, felt.len(), weighted);
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
