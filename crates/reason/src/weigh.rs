//! The evidence of one set of failures: the probability of the readings with
//! the failures' parameters integrated out, under both tube laws.

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::ops::Range as Laws;

use deadstage_circuit::Scratch;
use deadstage_netlist::PartId;

use crate::casualties;
use crate::evidence_parts::Known;
use crate::failure::Failure;
use crate::likelihood::{Evidence, Weights, ln_sum};
use crate::model::{Forecast, Held, Model, Starts};
use crate::observe::Observation;
use deadstage_parts::Mode;

/// Step of `u` for the finer sum between two solved nodes.
const FINE_STEP: f64 = 0.06;

/// Failures that move no reading by about this many spreads do not count as failures.
const VISIBLE_SPREADS: f64 = 2.5;

/// A point of the parameter range with its share of the posterior.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Atom {
    /// Parameter.
    pub(crate) u: f64,
    /// Law.
    pub(crate) law: usize,
    /// Logarithm of prior density times likelihood, summed over the atom's stretch.
    pub(crate) ln_weight: f64,
}

/// A set of failures with what the readings say of it.
#[derive(Clone, Debug)]
pub(crate) struct Weighed {
    /// Indices of the failures, ascending.
    pub(crate) set: Vec<usize>,
    /// Logarithm of prior odds times evidence.
    pub(crate) ln_weight: f64,
    /// Logarithm of the evidence alone.
    pub(crate) ln_evidence: f64,
    /// Best parameters, in the order of `set`.
    pub(crate) best: Vec<f64>,
    /// Spread of the parameters about the best, in the order of `set`.
    pub(crate) spread: Vec<f64>,
    /// Law under which the best was found.
    pub(crate) law: usize,
}

/// By point of the range, the shifts of the forecasts against the healthy unit.
pub(crate) type Shifts = Vec<(f64, Vec<f64>)>;

/// A solved point of a failure's range.
struct Node<'h> {
    mean: Vec<f64>,
    weights: Cow<'h, Weights>,
    ln_visible: f64,
    ln_likelihood: f64,
}

/// Shifts of less than this many spreads leave the scatter as it was: such a
/// failure hardly counts as one whatever its likelihood.
const HARDLY_SEEN: f64 = 0.3;

/// Nodes this far (in the logarithm) below the best are not followed finely.
const HOPELESS: f64 = 40.0;

/// Everything that weighing needs.
pub(crate) struct Scales<'a> {
    pub(crate) model: &'a Model<'a>,
    pub(crate) failures: &'a [Failure],
    pub(crate) observations: &'a [Observation],
    pub(crate) evidence: &'a Evidence,
    /// The observations, and behind them probes that are only looked at to see whether a failure shows anywhere.
    pub(crate) watched: &'a [Observation],
    /// What is known of parts by other means than readings.
    pub(crate) known: Known<'a>,
    /// By failure (where worked out), the parts it drives past their rating and how many times.
    pub(crate) overloads: BTreeMap<usize, Vec<(PartId, f64)>>,
    pub(crate) healthy: Vec<Healthy>,
}

/// The healthy unit under one law.
#[derive(Clone, Debug)]
pub(crate) struct Healthy {
    pub(crate) forecast: Forecast,
    pub(crate) starts: Starts,
    /// Mean and one standard deviation at every witness.
    pub(crate) witness: Vec<(f64, f64)>,
    pub(crate) ln_likelihood: f64,
    pub(crate) weights: Weights,
}

impl Scales<'_> {
    /// Solves and judges the healthy unit under every law.
    pub(crate) fn weigh_healthy(&mut self, scratch: &mut Scratch) -> Option<()> {
        self.healthy.clear();
        for law in 0..self.model.laws() {
            let mut starts = Starts::new();
            let all = self.watched.len();
            let seen = self
                .model
                .forecast(law, &[], self.watched, all, &mut starts, scratch)
                .ok()?;
            let witness = seen
                .mean
                .iter()
                .enumerate()
                .map(|(i, m)| {
                    (
                        *m,
                        seen.scatter.column(i).norm().hypot(self.watched[i].sigma),
                    )
                })
                .collect();
            let forecast = seen.first(self.observations.len());
            let weights = Weights::new(&forecast, self.evidence, &[])?;
            let ln_likelihood = weights.ln_likelihood(&forecast.mean, self.evidence);
            self.healthy.push(Healthy {
                forecast,
                starts,
                witness,
                ln_likelihood,
                weights,
            });
        }
        Some(())
    }

    /// Logarithm of the evidence that nothing has failed.
    pub(crate) fn ln_healthy(&self) -> f64 {
        let laws = self.healthy.len() as f64;
        ln_sum(self.healthy.iter().map(|h| h.ln_likelihood)) - laws.ln()
    }

    /// Most spreads by which a failure shows at any point that a probe can reach.
    fn shows(&self, law: usize, mean: &[f64]) -> f64 {
        mean.iter()
            .zip(&self.healthy[law].witness)
            .map(|(m, (healthy, sigma))| ((m - healthy) / sigma).abs())
            .fold(0.0, f64::max)
    }

    #[cfg(test)]
    /// Weighs one failure alone, its parameter followed along its range.
    /// Beside the answer, the shifts it gives under the first law.
    pub(crate) fn weigh_single(
        &self,
        index: usize,
        scratch: &mut Scratch,
    ) -> (Option<Weighed>, Shifts) {
        let (atoms, shifts) = self.follow(&self.failures[index], 0..self.model.laws(), scratch);
        (self.gather(index, atoms), shifts)
    }

    /// Logarithm of the evidence of a failure that is in no list, under the first law.
    pub(crate) fn ln_evidence_of(&self, failure: &Failure, scratch: &mut Scratch) -> f64 {
        let (atoms, _) = self.follow(failure, 0..1, scratch);
        ln_sum(atoms.iter().map(|a| a.ln_weight))
    }

    /// Follows a failure's parameter along its range under these laws; the
    /// shifts are those of the first.
    pub(crate) fn follow(
        &self,
        failure: &Failure,
        laws: Laws<usize>,
        scratch: &mut Scratch,
    ) -> (Vec<Atom>, Shifts) {
        let range = failure.range;
        let count = self.observations.len();
        let mut atoms = Vec::new();
        let mut shifts = Shifts::new();
        for law in laws {
            let healthy = &self.healthy[law];
            let mut starts = healthy.starts.clone();
            let nodes: Vec<Option<Node<'_>>> = (0..range.nodes)
                .map(|node| {
                    let held = [(failure, range.node(node))];
                    let mut spreads = 0.0;
                    let worth = |mean: &[f64]| {
                        spreads = self.shows(law, mean);
                        spreads > HARDLY_SEEN
                    };
                    let forecast = self
                        .model
                        .forecast_if(law, &held, self.watched, count, worth, &mut starts, scratch)
                        .ok()?;
                    let ln_visible = ln_counts(spreads);
                    let forecast = forecast.first(count);
                    if law == 0 {
                        let shift = forecast
                            .mean
                            .iter()
                            .zip(&healthy.forecast.mean)
                            .map(|(a, b)| a - b)
                            .collect();
                        shifts.push((range.node(node), shift));
                    }
                    // What hardly shows scatters as the healthy unit does.
                    let weights = if spreads > HARDLY_SEEN {
                        Cow::Owned(Weights::new(&forecast, self.evidence, &[])?)
                    } else {
                        Cow::Borrowed(&healthy.weights)
                    };
                    let ln_likelihood = weights.ln_likelihood(&forecast.mean, self.evidence);
                    Some(Node {
                        mean: forecast.mean,
                        weights,
                        ln_visible,
                        ln_likelihood,
                    })
                })
                .collect();
            self.sum_along(law, range, &nodes, &mut atoms);
        }
        (atoms, shifts)
    }

    /// The answer for one failure from its atoms.
    pub(crate) fn gather(&self, index: usize, mut atoms: Vec<Atom>) -> Option<Weighed> {
        let failure = &self.failures[index];
        if !self.known.is_empty() {
            for atom in &mut atoms {
                atom.ln_weight += self.known.ln_odds_shift(failure, atom.u, &[]);
            }
        }
        let laws = self.model.laws() as f64;
        let ln_evidence = ln_sum(atoms.iter().map(|a| a.ln_weight)) - laws.ln();
        if !ln_evidence.is_finite() {
            return None;
        }
        let top = atoms
            .iter()
            .copied()
            .reduce(|a, b| if b.ln_weight > a.ln_weight { b } else { a })?;
        let (mut mean, mut square, mut total) = (0.0, 0.0, 0.0);
        for atom in &atoms {
            let p = (atom.ln_weight - top.ln_weight).exp();
            total += p;
            mean += p * atom.u;
            square += p * atom.u * atom.u;
        }
        mean /= total;
        let spread = (square / total - mean * mean).max(0.0).sqrt();
        Some(Weighed {
            set: vec![index],
            ln_weight: ln_evidence + failure.ln_odds,
            ln_evidence,
            best: vec![top.u],
            spread: vec![spread.max(if failure.range.is_open() { 0.02 } else { 0.0 })],
            law: top.law,
        })
    }

    /// Between solved nodes the forecast is interpolated by cubics and the
    /// likelihood summed in fine steps, with the covariance of the nearer node.
    fn sum_along(
        &self,
        law: usize,
        range: crate::failure::Range,
        nodes: &[Option<Node<'_>>],
        atoms: &mut Vec<Atom>,
    ) {
        if !range.is_open() {
            if let Some(Some(node)) = nodes.first() {
                atoms.push(Atom {
                    u: range.low,
                    law,
                    ln_weight: node.ln_likelihood + node.ln_visible,
                });
            }
            return;
        }
        let spacing = range.spacing();
        let steps = (spacing / FINE_STEP).ceil().clamp(2.0, 40.0) as usize;
        let ln_share = -(((nodes.len() - 1) * steps) as f64).ln();
        let at = |k: usize| nodes.get(k).and_then(Option::as_ref);
        let best = nodes
            .iter()
            .flatten()
            .map(|n| n.ln_likelihood)
            .fold(f64::NEG_INFINITY, f64::max);
        for left in 0..nodes.len() - 1 {
            let (Some(a), Some(b)) = (&nodes[left], &nodes[left + 1]) else {
                continue;
            };
            // Where both ends are hopeless beside the best node and the curve
            // between them can't cross the readings, one step will do.
            let hopeless = a.ln_likelihood.max(b.ln_likelihood) < best - HOPELESS
                && !straddles(&a.mean, &b.mean, &self.evidence.read);
            let steps_here = if hopeless { 1 } else { steps };
            let before = left
                .checked_sub(1)
                .and_then(at)
                .map_or(&a.mean, |n| &n.mean);
            let after = at(left + 2).map_or(&b.mean, |n| &n.mean);
            let one_sided = (left == 0, left + 2 >= nodes.len());
            for step in 0..steps_here {
                let t = (step as f64 + 0.5) / steps_here as f64;
                let mean: Vec<f64> = (0..a.mean.len())
                    .map(|i| cubic(before[i], a.mean[i], b.mean[i], after[i], one_sided, t))
                    .collect();
                let nearer = if t < 0.5 { a } else { b };
                let ln_visible = (1.0 - t) * a.ln_visible + t * b.ln_visible;
                let ln_stretch = (steps as f64 / steps_here as f64).ln();
                atoms.push(Atom {
                    u: range.node(left) + t * spacing,
                    law,
                    ln_weight: nearer.weights.ln_likelihood(&mean, self.evidence)
                        + ln_visible
                        + ln_share
                        + ln_stretch,
                });
            }
        }
    }

    /// Weighs a set of two failures or more by Laplace's method about its best
    /// parameters, found by Gauss–Newton from `start`. A set that under the
    /// first law stays below `floor` is not asked of the other.
    pub(crate) fn weigh_set(
        &self,
        set: &[usize],
        start: &[f64],
        floor: f64,
        scratch: &mut Scratch,
    ) -> Option<Weighed> {
        let prior = self.ln_prior(set);
        let mut by_law = Vec::new();
        let mut best: Option<Weighed> = None;
        let mut from = start.to_vec();
        for law in 0..self.model.laws() {
            let Some(found) = self.weigh_set_under(law, set, &from, scratch) else {
                continue;
            };
            by_law.push(found.ln_evidence);
            from.clone_from(&found.best);
            if best
                .as_ref()
                .is_none_or(|b| found.ln_evidence > b.ln_evidence)
            {
                best = Some(found);
            }
            if law == 0 && best.as_ref().is_some_and(|b| b.ln_evidence + prior < floor) {
                break;
            }
        }
        let mut best = best?;
        best.ln_evidence = ln_sum(by_law) - (self.model.laws() as f64).ln();
        if !self.known.is_empty() {
            best.ln_evidence += self.ln_known(&best);
        }
        best.ln_weight = best.ln_evidence + prior;
        Some(best)
    }

    /// Logarithm of the prior odds of a set: its members', and where one drives
    /// another's part past its rating, the odds that this made it fail.
    pub(crate) fn ln_prior(&self, set: &[usize]) -> f64 {
        set.iter()
            .map(|&index| {
                let failure = &self.failures[index];
                let worst = set
                    .iter()
                    .filter_map(|cause| self.overloads.get(cause))
                    .flatten()
                    .filter(|(part, _)| *part == failure.part)
                    .map(|(_, ratio)| *ratio)
                    .fold(0.0, f64::max);
                failure.ln_odds.max(ln_casualty(failure, worst))
            })
            .sum()
    }

    /// Logarithm of what is known by other means, under a set against the healthy unit.
    fn ln_known(&self, answer: &Weighed) -> f64 {
        let held: Vec<Held<'_>> = answer
            .set
            .iter()
            .zip(&answer.best)
            .map(|(&i, &u)| (&self.failures[i], u))
            .collect();
        let overloaded: Vec<(PartId, f64)> = answer
            .set
            .iter()
            .filter_map(|i| self.overloads.get(i))
            .flatten()
            .copied()
            .collect();
        self.known.ln_set_shift(&held, &overloaded) - self.known.ln_healthy_shift()
    }

    /// Works out which parts these answers drive past their rating.
    pub(crate) fn find_overloads(&mut self, answers: &[Weighed]) {
        let Some(situation) = casualties::running(self.model) else {
            return;
        };
        let mut scratch = Scratch::default();
        for answer in answers {
            if let ([index], [u]) = (answer.set.as_slice(), answer.best.as_slice()) {
                let held = [(&self.failures[*index], *u)];
                let starts = &self.healthy[answer.law].starts;
                let found = casualties::overloads(
                    self.model,
                    answer.law,
                    situation,
                    &held,
                    starts,
                    &mut scratch,
                );
                self.overloads.insert(*index, found);
            }
        }
    }

    /// The forecast of a set at parameters `u`.
    fn forecast_at(
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
        let held: Vec<Held<'_>> = set
            .iter()
            .zip(u)
            .map(|(&i, &u)| (&self.failures[i], u))
            .collect();
        self.model
            .forecast(law, &held, self.observations, with_scatter, starts, scratch)
            .ok()
    }

    fn weigh_set_under(
        &self,
        law: usize,
        set: &[usize],
        start: &[f64],
        scratch: &mut Scratch,
    ) -> Option<Weighed> {
        const STEP: f64 = 0.03;
        const MOST_STEPS: usize = 8;
        let ranges: Vec<crate::failure::Range> =
            set.iter().map(|&i| self.failures[i].range).collect();
        let mut free: Vec<usize> = (0..set.len()).filter(|&k| ranges[k].is_open()).collect();
        let mut u = start.to_vec();
        let mut starts = self.healthy[law].starts.clone();
        let mut at = self.forecast_at(law, set, &u, true, &mut starts, scratch)?;
        let mut weights = Weights::new(&at, self.evidence, &[])?;
        let mut climbed = weights.ln_without_slips(&at.mean, self.evidence);
        let mut value = weights.ln_likelihood(&at.mean, self.evidence);
        let mut peak = (value, u.clone(), at.clone(), weights.clone());
        let mut slopes: Vec<Vec<f64>> = Vec::new();
        for _ in 0..MOST_STEPS {
            if free.is_empty() {
                break;
            }
            slopes = free
                .iter()
                .map(|&k| {
                    let mut moved = u.clone();
                    let step = if u[k] + STEP * ranges[k].width().min(1.0) > ranges[k].high {
                        -STEP
                    } else {
                        STEP
                    } * ranges[k].width().min(1.0);
                    moved[k] += step;
                    let forecast =
                        self.forecast_at(law, set, &moved, false, &mut starts.clone(), scratch)?;
                    Some(
                        forecast
                            .mean
                            .iter()
                            .zip(&at.mean)
                            .map(|(b, a)| (b - a) / step)
                            .collect::<Vec<f64>>(),
                    )
                })
                .collect::<Option<Vec<_>>>()?;
            // An open or a short whose exact size no reading feels stays where it was found.
            let feels = |slope: &[f64], k: usize| {
                let reach = ranges[k].width().min(4.0);
                ranges[k].sized
                    || slope
                        .iter()
                        .zip(&weights.sigma)
                        .any(|(s, sigma)| (s * reach).abs() > 0.3 * sigma)
            };
            let felt: Vec<bool> = slopes
                .iter()
                .zip(&free)
                .map(|(s, &k)| feels(s, k))
                .collect();
            let mut keep = felt.iter().copied();
            free.retain(|_| keep.next().unwrap_or(true));
            let mut keep = felt.iter().copied();
            slopes.retain(|_| keep.next().unwrap_or(true));
            if free.is_empty() {
                break;
            }
            let (curvature, pull) =
                self.normal_equations(&weights, &at.mean, &slopes, &ranges, &free);
            let Some(step) = curvature.clone().lu().solve(&pull) else {
                break;
            };
            let mut improved = false;
            let mut scale = 1.0;
            while scale > 0.1 {
                let mut moved = u.clone();
                for (slot, &k) in free.iter().enumerate() {
                    let limit = (0.4 * ranges[k].width()).min(2.5);
                    moved[k] = (u[k] + (scale * step[slot]).clamp(-limit, limit))
                        .clamp(ranges[k].low, ranges[k].high);
                }
                let mut next_starts = starts.clone();
                if let Some(forecast) =
                    self.forecast_at(law, set, &moved, true, &mut next_starts, scratch)
                    && let Some(next) = Weights::new(&forecast, self.evidence, &[])
                {
                    let next_climbed = next.ln_without_slips(&forecast.mean, self.evidence);
                    if next_climbed > climbed {
                        improved = next_climbed > climbed + 0.02;
                        u = moved;
                        at = forecast;
                        weights = next;
                        climbed = next_climbed;
                        starts = next_starts;
                        value = weights.ln_likelihood(&at.mean, self.evidence);
                        if value > peak.0 {
                            peak = (value, u.clone(), at.clone(), weights.clone());
                        }
                        break;
                    }
                }
                scale *= 0.35;
            }
            if !improved {
                break;
            }
        }
        if peak.0 > value {
            (value, u, at, weights) = peak;
        }
        let mut spread = vec![0.0; set.len()];
        let mut ln_volume = 0.0;
        if !free.is_empty() && slopes.len() == free.len() {
            let (curvature, _) = self.normal_equations(&weights, &at.mean, &slopes, &ranges, &free);
            let determinant = curvature.determinant();
            let widths: f64 = free.iter().map(|&k| ranges[k].width().ln()).sum();
            ln_volume = 0.5
                * (free.len() as f64 * std::f64::consts::TAU.ln() - determinant.max(1e-300).ln())
                - widths;
            if let Some(inverse) = curvature.try_inverse() {
                for (slot, &k) in free.iter().enumerate() {
                    spread[k] = inverse[(slot, slot)]
                        .max(0.0)
                        .sqrt()
                        .min(0.3 * ranges[k].width());
                }
            }
        }
        // Every member must earn its place: without it the readings would differ.
        let mut ln_counted = 0.0;
        for k in 0..set.len() {
            let (mut rest, mut rest_u) = (set.to_vec(), u.clone());
            rest.remove(k);
            rest_u.remove(k);
            let without =
                self.forecast_at(law, &rest, &rest_u, false, &mut starts.clone(), scratch)?;
            let largest = without
                .mean
                .iter()
                .zip(&at.mean)
                .zip(&weights.sigma)
                .map(|((a, b), sigma)| ((a - b) / sigma).abs())
                .fold(0.0, f64::max);
            ln_counted += ln_counts(largest);
        }
        Some(Weighed {
            set: set.to_vec(),
            ln_weight: 0.0,
            ln_evidence: value + ln_volume + ln_counted,
            best: u,
            spread,
            law,
        })
    }

    /// Curvature of the negative log-posterior and its pull, in the free parameters.
    fn normal_equations(
        &self,
        weights: &Weights,
        mean: &[f64],
        slopes: &[Vec<f64>],
        ranges: &[crate::failure::Range],
        free: &[usize],
    ) -> (nalgebra::DMatrix<f64>, nalgebra::DVector<f64>) {
        let exact = &weights.exact;
        let count = exact.len();
        let g = nalgebra::DMatrix::from_fn(count, free.len(), |i, k| slopes[k][exact[i]]);
        let r =
            nalgebra::DVector::from_fn(count, |i, _| self.evidence.read[exact[i]] - mean[exact[i]]);
        let weighted = &weights.inverse * &g;
        let mut curvature = g.tr_mul(&weighted);
        for (slot, &k) in free.iter().enumerate() {
            // A flat prior of width W counts as the Gaussian of the same height.
            let width = ranges[k].width();
            curvature[(slot, slot)] += std::f64::consts::TAU / (width * width);
        }
        let pull = weighted.tr_mul(&r);
        (curvature, pull)
    }
}

/// Probability that a part driven this many times past its rating has failed of
/// it, by the time the unit is on the bench, and the share of the modes in
/// which overloaded parts end (common practice, no source).
fn ln_casualty(failure: &Failure, ratio: f64) -> f64 {
    if ratio <= 1.0 {
        return f64::NEG_INFINITY;
    }
    let share = match failure.mode {
        Mode::Open | Mode::Dead => 0.5,
        Mode::High | Mode::Weak | Mode::Short => 0.25,
        _ => return f64::NEG_INFINITY,
    };
    let p = 0.5 * ((ratio - 1.0) / 2.0).min(1.0) * share;
    (p / (1.0 - p)).ln()
}

/// Logarithm of how far a shift of so many spreads counts as a failure.
pub(crate) fn ln_counts(spreads: f64) -> f64 {
    let ratio = (spreads / VISIBLE_SPREADS).powi(4);
    (ratio / (1.0 + ratio)).max(1e-12).ln()
}

/// Whether between two forecasts some reading lies that neither end reaches.
fn straddles(a: &[f64], b: &[f64], read: &[f64]) -> bool {
    a.iter()
        .zip(b)
        .zip(read)
        .any(|((a, b), y)| (y - a) * (y - b) < 0.0)
}

/// Cubic through four evenly spaced values, between the middle two; at an end, a parabola.
fn cubic(before: f64, a: f64, b: f64, after: f64, one_sided: (bool, bool), t: f64) -> f64 {
    let slope_a = if one_sided.0 {
        b - a
    } else {
        0.5 * (b - before)
    };
    let slope_b = if one_sided.1 {
        b - a
    } else {
        0.5 * (after - a)
    };
    // Where the curve turns, a cubic must not overshoot (F. N. Fritsch and
    // R. E. Carlson, SIAM J. Numer. Anal. 17, 1980).
    let rise = b - a;
    let limit = |slope: f64| {
        if slope * rise <= 0.0 {
            0.0
        } else {
            slope.signum() * slope.abs().min(3.0 * rise.abs())
        }
    };
    let (slope_a, slope_b) = (limit(slope_a), limit(slope_b));
    let (t2, t3) = (t * t, t * t * t);
    (2.0 * t3 - 3.0 * t2 + 1.0) * a
        + (t3 - 2.0 * t2 + t) * slope_a
        + (3.0 * t2 - 2.0 * t3) * b
        + (t3 - t2) * slope_b
}
