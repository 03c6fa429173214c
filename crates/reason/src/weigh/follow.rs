//! A single failure followed along its range: in long steps first, then closely where the
//! readings may be explained, and the likelihood summed over all of it.

use std::sync::Arc;

use deadstage_circuit::Scratch;

#[cfg(test)]
use super::Weighed;
use super::{Atom, Scales, Shifts, ln_counts};
use crate::failure::{Failure, Range};
use crate::likelihood::{Cubic, Path, Weights, at_place, ln_sum};
use crate::model::{Starts, Unreached, Wanted};

/// Between two solved nodes, spreads that any forecast may move in one step of the finer sum.
const FINE_STEP: f64 = 0.5;

/// Steps of the finer sum between two nodes, least and most.
const FINE_STEPS: (f64, f64) = (2.0, 250.0);

/// Shifts of less than this many spreads leave the scatter as it was: such a
/// failure hardly counts as one whatever its likelihood.
const HARDLY_SEEN: f64 = 0.3;

/// Where the further end of a failure's range moves nothing that is read in a situation by so many spreads, that situation
/// is left out of the rest: a part that a setting leaves without current, or far from all that was read in it.
pub(crate) const UNREACHED: f64 = 0.01;

/// Below the likelihood of a healthy unit by so much (in the logarithm), nothing needs to be known closely.
const NOTHING: f64 = 15.0;

/// And by so much less, what the scatter is there.
const BEYOND_HOPE: f64 = 2.0 * NOTHING;

/// How far a reading may run from the straight line between points of long
/// steps, as a share of what it changes by from one to the next.
const COARSE_ERROR: f64 = 0.35;

/// Nodes this far (in the logarithm) below the best are not followed finely.
const HOPELESS: f64 = 40.0;

/// Steps of close following to a long one.
const CLOSER: usize = 3;

/// Stretches that can't come up to so much (in the logarithm) below the best place of their failure are not followed closely.
const CLOSER_REACH: f64 = 12.0;

/// A point of a failure's range.
#[derive(Clone)]
pub(super) struct Node {
    pub(super) mean: Vec<f64>,
    pub(super) weights: Arc<Weights>,
    pub(super) ln_visible: f64,
    pub(super) ln_likelihood: f64,
    /// Whether it says more than the solved points about it do.
    pub(super) is_own: bool,
    /// Whether it moves next to nothing.
    pub(super) is_hidden: bool,
}

/// A failure as followed under one law.
pub(crate) struct Followed {
    law: usize,
    /// Its range in as many nodes as there are.
    range: Range,
    nodes: Vec<Option<Node>>,
    /// By stretch between nodes, the most that the likelihood may come up to (in the logarithm);
    /// −∞ where that is below [`Scales::worth_a_look`].
    most: Vec<f64>,
    /// Situations that it does not reach.
    unreached: Vec<bool>,
}

impl Followed {
    /// The best that was found (in the logarithm).
    fn best(&self) -> f64 {
        let nodes = self.nodes.iter().flatten();
        nodes
            .map(|n| n.ln_likelihood + n.ln_visible)
            .fold(f64::NEG_INFINITY, f64::max)
    }
}

impl Scales<'_> {
    /// Weighs one failure alone, followed closely wherever that may tell something.
    /// Beside the answer, the shifts it gives under the first law.
    #[cfg(test)]
    pub(crate) fn weigh_single(
        &self,
        index: usize,
        scratch: &mut Scratch,
    ) -> (Option<Weighed>, Shifts) {
        let failure = &self.failures[index];
        let mut atoms = Vec::new();
        let mut shifts = Shifts::new();
        for law in 0..self.model.laws() {
            let mut followed = self.follow(law, failure, failure.range.coarse(), scratch);
            if failure.range != failure.range.coarse() {
                self.follow_closer(&mut followed, failure, f64::NEG_INFINITY, scratch);
            }
            if law == 0 {
                shifts = self.shifts(&followed);
            }
            self.sum_along(&followed, &mut atoms);
        }
        (self.gather(index, atoms), shifts)
    }

    /// Follows a failure's parameter along its range, in steps as that has them.
    pub(crate) fn follow(
        &self,
        law: usize,
        failure: &Failure,
        range: Range,
        scratch: &mut Scratch,
    ) -> Followed {
        let last = range.nodes - 1;
        let mut nodes: Vec<Option<Node>> = vec![None; range.nodes];
        let mut at = Along {
            scales: self,
            law,
            failure,
            unreached: Vec::new(),
        };
        let mut starts = self.healthy[law].starts.clone();
        // Where the further end is not seen nothing is.
        let (far, near) = if failure.goes_up(&self.model.bases[law]) {
            (last, 0)
        } else {
            (0, last)
        };
        let mut spreads = Vec::new();
        nodes[far] = at.node(range.node(far), &mut starts, &mut spreads, scratch);
        if nodes[far].is_some() {
            at.leave_unreached(&spreads);
        }
        if let Some(node) = nodes[far]
            .as_ref()
            .filter(|_| at.unreached.iter().all(|u| *u))
        {
            let told = node.clone();
            for (index, node) in nodes.iter_mut().enumerate() {
                if index != far {
                    *node = Some(told.clone());
                }
            }
        } else if far != near {
            let mut starts = self.healthy[law].starts.clone();
            nodes[near] = at.node(range.node(near), &mut starts, &mut spreads, scratch);
            // What hardly shows at either end of its range does not in between.
            let is_hidden = |node: &Option<Node>| node.as_ref().is_some_and(|n| n.is_hidden);
            let hidden = is_hidden(&nodes[far]) && is_hidden(&nodes[near]);
            for step in 1..last {
                let index = if far == 0 { last - step } else { step };
                nodes[index] = if hidden {
                    let t = index as f64 / last as f64;
                    self.told(&nodes, (0, last), t).map(|told| Node {
                        is_own: true,
                        ..told
                    })
                } else {
                    at.node(range.node(index), &mut starts, &mut spreads, scratch)
                };
            }
        }
        Followed {
            law,
            range,
            most: self.most_along(law, &nodes),
            nodes,
            unreached: at.unreached,
        }
    }

    /// Follows a failure more closely where the likelihood may come up to `least`.
    pub(crate) fn follow_closer(
        &self,
        followed: &mut Followed,
        failure: &Failure,
        least: f64,
        scratch: &mut Scratch,
    ) {
        self.follow_in_steps(followed, failure, CLOSER, least, scratch);
    }

    /// The same, with so many `steps` for each that there is.
    pub(crate) fn follow_in_steps(
        &self,
        followed: &mut Followed,
        failure: &Failure,
        steps: usize,
        least: f64,
        scratch: &mut Scratch,
    ) {
        let last = followed.nodes.len() - 1;
        let least = least.max(followed.best() - CLOSER_REACH);
        let law = followed.law;
        let range = Range {
            nodes: last * steps + 1,
            ..followed.range
        };
        let at = Along {
            scales: self,
            law,
            failure,
            unreached: std::mem::take(&mut followed.unreached),
        };
        let mut starts = self.healthy[law].starts.clone();
        let mut nodes = Vec::with_capacity(range.nodes);
        for left in 0..last {
            nodes.push(followed.nodes[left].clone());
            let is_worth = followed.most[left] > least;
            for step in 1..steps {
                nodes.push(if is_worth {
                    let u = range.node(left * steps + step);
                    at.node(u, &mut starts, &mut Vec::new(), scratch)
                } else {
                    let t = step as f64 / steps as f64;
                    self.told(&followed.nodes, (left, left + 1), t)
                });
            }
        }
        nodes.push(followed.nodes[last].clone());
        followed.unreached = at.unreached;
        followed.range = range;
        followed.most = self.most_along(law, &nodes);
        followed.nodes = nodes;
    }

    /// The most that the likelihood may come up to anywhere (in the logarithm), where it could be followed more closely.
    pub(crate) fn promise(&self, followed: &Followed) -> f64 {
        followed
            .most
            .iter()
            .copied()
            .fold(followed.best(), f64::max)
    }

    /// Likelihoods below this (in the logarithm) are nothing beside a healthy unit's.
    fn worth_a_look(&self, law: usize) -> f64 {
        self.healthy[law].ln_likelihood - NOTHING
    }

    /// Whether readings so forecast are beyond hope however they scatter: in a unit of many readings, those that would be next to
    /// nothing beside a healthy unit's if all scattered twice as widely as they do there.
    fn is_hopeless(&self, law: usize, mean: &[f64]) -> bool {
        let evidence = self.evidence;
        if evidence.weighed_jointly().is_none() {
            return false;
        }
        let halfway = mean.iter().zip(&evidence.read);
        let halfway: Vec<f64> = halfway.map(|(m, y)| 0.5 * (m + y)).collect();
        let least = self.healthy[law].ln_likelihood - BEYOND_HOPE;
        let weights = &self.healthy[law].weights;
        weights.ln_if_above(least, &halfway, evidence) < least
    }

    /// The most that the likelihood may come up to between a solved point and the next (in the logarithm),
    /// the curve being allowed to run so far from where it is thought to as long steps may leave it.
    /// What is below `least` need not be told.
    fn most_between(&self, a: Option<&Node>, b: Option<&Node>, least: f64) -> f64 {
        /// Places between two points that are tried.
        const PLACES: [f64; 3] = [0.25, 0.5, 0.75];
        let (Some(a), Some(b)) = (a, b) else {
            return f64::INFINITY;
        };
        let mut mean = vec![0.0; a.mean.len()];
        let at_ends = [a, b].map(|node| node.ln_likelihood + node.ln_visible);
        let mut most = at_ends.into_iter().fold(f64::NEG_INFINITY, f64::max);
        let is_one = Arc::ptr_eq(&a.weights, &b.weights);
        for t in PLACES {
            let astray = COARSE_ERROR * 4.0 * t * (1.0 - t);
            for (i, place) in mean.iter_mut().enumerate() {
                let (from, to) = (a.mean[i], b.mean[i]);
                let along = from + t * (to - from);
                let off = self.evidence.read[i] - along;
                *place = along + off.signum() * off.abs().min(astray * (to - from).abs());
            }
            let mut under = |node: &Node, ln_visible: f64| {
                let least = least.max(most) - ln_visible;
                let ln = node.weights.ln_if_above(least, &mean, self.evidence);
                most = most.max(ln + ln_visible);
            };
            if is_one {
                under(a, a.ln_visible.max(b.ln_visible));
            } else {
                under(a, a.ln_visible);
                under(b, b.ln_visible);
            }
        }
        if most < least {
            f64::NEG_INFINITY
        } else {
            most
        }
    }

    /// By stretch, the most that the likelihood may come up to.
    fn most_along(&self, law: usize, nodes: &[Option<Node>]) -> Vec<f64> {
        let least = self.worth_a_look(law);
        nodes
            .windows(2)
            .map(|ends| self.most_between(ends[0].as_ref(), ends[1].as_ref(), least))
            .collect()
    }

    /// A node told from two of the range, so far from the first to the second.
    fn told(&self, nodes: &[Option<Node>], (left, right): (usize, usize), t: f64) -> Option<Node> {
        let at = |k: usize| nodes.get(k).and_then(Option::as_ref);
        let (a, b) = (at(left)?, at(right)?);
        let curve = Curve {
            before: left.checked_sub(1).and_then(at).map(|n| &n.mean[..]),
            a: &a.mean,
            b: &b.mean,
            after: at(right + 1).map(|n| &n.mean[..]),
        };
        let mean = at_place(&curve.cubic(), t);
        let nearer = if t < 0.5 { a } else { b };
        Some(Node {
            ln_likelihood: nearer.weights.ln_likelihood(&mean, self.evidence),
            mean,
            weights: Arc::clone(&nearer.weights),
            ln_visible: (1.0 - t) * a.ln_visible + t * b.ln_visible,
            is_own: false,
            is_hidden: a.is_hidden && b.is_hidden,
        })
    }

    /// By point, the shifts of the forecasts against the healthy unit.
    pub(crate) fn shifts(&self, followed: &Followed) -> Shifts {
        let healthy = &self.healthy[followed.law].forecast.mean;
        followed
            .nodes
            .iter()
            .enumerate()
            .filter_map(|(index, node)| {
                let mean = &node.as_ref().filter(|n| n.is_own)?.mean;
                let shift = mean.iter().zip(healthy).map(|(a, b)| a - b).collect();
                Some((followed.range.node(index), shift))
            })
            .collect()
    }

    /// Logarithm of the evidence of a failure that is in no list, under the law it was followed under.
    pub(crate) fn ln_evidence_along(&self, followed: &Followed) -> f64 {
        let mut atoms = Vec::new();
        self.sum_along(followed, &mut atoms);
        ln_sum(atoms.iter().map(|a| a.ln_weight))
    }

    /// Between nodes the forecast is interpolated by cubics and the
    /// likelihood summed in fine steps.
    pub(crate) fn sum_along(&self, followed: &Followed, atoms: &mut Vec<Atom>) {
        let Followed {
            law, range, nodes, ..
        } = followed;
        if range.is_open() {
            let is_nothing = |left: usize| followed.most[left] == f64::NEG_INFINITY;
            self.sum_between(*law, range.low, range.spacing(), nodes, is_nothing, atoms);
        } else if let Some(Some(node)) = nodes.first() {
            atoms.push(Atom {
                u: range.low,
                law: *law,
                ln_weight: node.ln_likelihood + node.ln_visible,
                ln_value: node.ln_likelihood + node.ln_visible,
            });
        }
    }

    /// As for a whole range, between the first of evenly spaced nodes, at `low`, and
    /// the last; the stretch between them counts as one. Of what `is_nothing` one step is enough.
    pub(super) fn sum_between(
        &self,
        law: usize,
        low: f64,
        spacing: f64,
        nodes: &[Option<Node>],
        is_nothing: impl Fn(usize) -> bool,
        atoms: &mut Vec<Atom>,
    ) {
        let ln_share = -((nodes.len() - 1) as f64).ln();
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
            let steps = if hopeless || is_nothing(left) {
                1
            } else {
                fine_steps(a, b)
            };
            let curve = Curve {
                before: left.checked_sub(1).and_then(at).map(|n| &n.mean[..]),
                a: &a.mean,
                b: &b.mean,
                after: at(left + 2).map(|n| &n.mean[..]),
            };
            let curve = curve.cubic();
            // The covariance changes along the way: the likelihood is blended from those of both ends.
            let under_a = Path::new(&a.weights, self.evidence, &curve, steps);
            let under_b = (!Arc::ptr_eq(&a.weights, &b.weights))
                .then(|| Path::new(&b.weights, self.evidence, &curve, steps));
            for step in 0..steps {
                let t = (step as f64 + 0.5) / steps as f64;
                let ln_visible = (1.0 - t) * a.ln_visible + t * b.ln_visible;
                let ln_likelihood = match &under_b {
                    None => under_a.ln_likelihood(t),
                    Some(under_b) => {
                        (1.0 - t) * under_a.ln_likelihood(t) + t * under_b.ln_likelihood(t)
                    }
                };
                atoms.push(Atom {
                    u: low + (left as f64 + t) * spacing,
                    law,
                    ln_weight: ln_likelihood + ln_visible + ln_share - (steps as f64).ln(),
                    ln_value: ln_likelihood + ln_visible,
                });
            }
        }
    }
}

/// A failure being followed under one law.
struct Along<'f> {
    scales: &'f Scales<'f>,
    law: usize,
    failure: &'f Failure,
    unreached: Vec<bool>,
}

impl Along<'_> {
    /// A solved point of the range. `spreads` receives how far each point that is looked at moved.
    fn node(
        &self,
        u: f64,
        starts: &mut Starts,
        spreads: &mut Vec<f64>,
        scratch: &mut Scratch,
    ) -> Option<Node> {
        let scales = self.scales;
        let count = scales.observations.len();
        let healthy = &scales.healthy[self.law];
        let held = [(self.failure, u)];
        let mut largest = 0.0;
        let mut is_scattered = false;
        let worth = |mean: &[f64]| {
            spreads.clear();
            spreads.extend(scales.moved(self.law, mean));
            largest = spreads.iter().copied().fold(0.0, f64::max);
            is_scattered = largest > HARDLY_SEEN && !scales.is_hopeless(self.law, &mean[..count]);
            is_scattered
        };
        let unreached = Unreached {
            situations: &self.unreached,
            mean: &healthy.mean,
            scatter: healthy.forecast.scatter.columns()?,
        };
        let forecast = scales
            .model
            .forecast_if(
                self.law,
                &held,
                scales.watched,
                Wanted::Weights(count),
                Some(unreached),
                worth,
                starts,
                scratch,
            )
            .ok()?;
        let forecast = forecast.first(count);
        // What hardly shows scatters as the healthy unit does, and what is hopeless may.
        let weights = if is_scattered {
            Arc::new(Weights::new(&forecast, scales.evidence, &[])?)
        } else {
            Arc::clone(&healthy.weights)
        };
        Some(Node {
            ln_likelihood: weights.ln_likelihood(&forecast.mean, scales.evidence),
            mean: forecast.mean,
            weights,
            ln_visible: ln_counts(largest),
            is_own: true,
            is_hidden: largest <= HARDLY_SEEN,
        })
    }

    /// Leaves out from now on the situations in which nothing moved.
    fn leave_unreached(&mut self, spreads: &[f64]) {
        self.unreached = vec![true; self.scales.model.bases[self.law].len()];
        for (observation, spreads) in self.scales.watched.iter().zip(spreads) {
            // What is no number has moved.
            let is_still = *spreads < UNREACHED;
            self.unreached[observation.situation] &= is_still;
        }
    }
}

/// Steps of the finer sum between two nodes: many where the forecast moves far.
fn fine_steps(a: &Node, b: &Node) -> usize {
    let spreads = a.weights.sigma.iter().zip(&b.weights.sigma);
    let largest = a
        .mean
        .iter()
        .zip(&b.mean)
        .zip(spreads)
        .map(|((from, to), (at, there))| (to - from).abs() / at.min(*there))
        .fold(0.0, f64::max);
    (largest / FINE_STEP)
        .ceil()
        .clamp(FINE_STEPS.0, FINE_STEPS.1) as usize
}

/// Whether between two forecasts some reading lies that neither end reaches.
fn straddles(a: &[f64], b: &[f64], read: &[f64]) -> bool {
    a.iter()
        .zip(b)
        .zip(read)
        .any(|((a, b), y)| (y - a) * (y - b) < 0.0)
}

/// Forecasts at four evenly spaced nodes, those at the ends of a range only one-sided.
struct Curve<'n> {
    before: Option<&'n [f64]>,
    a: &'n [f64],
    b: &'n [f64],
    after: Option<&'n [f64]>,
}

impl Curve<'_> {
    /// Between the middle two.
    fn cubic(&self) -> Cubic {
        let mut terms: Cubic = std::array::from_fn(|_| Vec::with_capacity(self.a.len()));
        for i in 0..self.a.len() {
            let (before, after) = (self.before.map(|v| v[i]), self.after.map(|v| v[i]));
            for (list, term) in terms
                .iter_mut()
                .zip(cubic(before, self.a[i], self.b[i], after))
            {
                list.push(term);
            }
        }
        terms
    }
}

/// Cubic through four evenly spaced values, between the middle two; at an end, a parabola.
/// By power of the way from the one to the other.
fn cubic(before: Option<f64>, a: f64, b: f64, after: Option<f64>) -> [f64; 4] {
    let slope_a = before.map_or(b - a, |before| 0.5 * (b - before));
    let slope_b = after.map_or(b - a, |after| 0.5 * (after - a));
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
    [
        a,
        slope_a,
        3.0 * rise - 2.0 * slope_a - slope_b,
        slope_a + slope_b - 2.0 * rise,
    ]
}
