//! The evidence of one set of failures: the probability of the readings with
//! the failures' parameters integrated out, under both tube laws.

mod climb;
mod sets;
#[cfg(test)]
mod tests;

use std::borrow::Cow;
use std::collections::BTreeMap;
use std::ops::Range as Laws;

use deadstage_circuit::Scratch;
use deadstage_netlist::PartId;

use crate::casualties;
use crate::evidence_parts::Known;
use crate::failure::{Failure, Range};
use crate::likelihood::{Evidence, Weights, ln_sum};
use crate::model::{Forecast, Held, Model, Starts};
use crate::observe::Observation;
use deadstage_parts::Mode;

/// Between two solved nodes, spreads that any forecast may move in one step of the finer sum.
const FINE_STEP: f64 = 0.5;

/// Steps of the finer sum between two nodes, least and most.
const FINE_STEPS: (f64, f64) = (2.0, 250.0);

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
    /// Logarithm of the likelihood there, so far as the failure counts.
    pub(crate) ln_value: f64,
}

/// The atom that fits best, whatever the length of its stretch.
fn best_of(atoms: &[Atom]) -> Option<Atom> {
    atoms
        .iter()
        .copied()
        .reduce(|a, b| if b.ln_value > a.ln_value { b } else { a })
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

/// How far a reading may run from the straight line between points of long
/// steps, as a share of what it changes by from one to the next.
const COARSE_ERROR: f64 = 0.35;

/// Nodes this far (in the logarithm) below the best are not followed finely.
const HOPELESS: f64 = 40.0;

/// What a set of rare failures that fits may be below readings just as forecast (in the logarithm).
const POORLY: f64 = 25.0;

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

    /// Whether readings this likely (in the logarithm) leave much unexplained,
    /// held against readings that are just as a healthy unit's would be.
    pub(crate) fn fits_poorly(&self, ln_weight: f64) -> bool {
        let Some(healthy) = self.healthy.first() else {
            return false;
        };
        let perfect = healthy.weights.ln_at_best();
        ln_weight < perfect - POORLY - 0.5 * self.observations.len() as f64
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
        let (atoms, shifts) = {
            let failure = &self.failures[index];
            self.follow(failure, failure.range, 0..self.model.laws(), scratch)
        };
        (self.gather(index, atoms), shifts)
    }

    /// Logarithm of the evidence of a failure that is in no list, under the first law.
    pub(crate) fn ln_evidence_of(&self, failure: &Failure, scratch: &mut Scratch) -> f64 {
        let (atoms, _) = self.follow(failure, failure.range, 0..1, scratch);
        ln_sum(atoms.iter().map(|a| a.ln_weight))
    }

    /// Follows a failure's parameter along its range, in steps as that has them, under these
    /// laws; the shifts are those of the first.
    pub(crate) fn follow(
        &self,
        failure: &Failure,
        range: Range,
        laws: Laws<usize>,
        scratch: &mut Scratch,
    ) -> (Vec<Atom>, Shifts) {
        let mut atoms = Vec::new();
        let mut shifts = Shifts::new();
        for law in laws {
            let nodes = self.nodes_along(law, failure, range, scratch);
            if law == 0 {
                shifts = self.shifts(range, &nodes);
            }
            self.sum_along(law, range, &nodes, &mut atoms);
        }
        (atoms, shifts)
    }

    /// Follows a failure's parameter in long steps under the first law. Beside
    /// the answer, the logarithm of the likelihood that a closer look may come
    /// up to; `None` where this was one.
    pub(crate) fn follow_coarsely(
        &self,
        failure: &Failure,
        scratch: &mut Scratch,
    ) -> (Vec<Atom>, Shifts, Option<f64>) {
        let range = failure.range.coarse();
        let nodes = self.nodes_along(0, failure, range, scratch);
        let mut atoms = Vec::new();
        self.sum_along(0, range, &nodes, &mut atoms);
        let promise = (range != failure.range).then(|| self.most_between(&nodes));
        (atoms, self.shifts(range, &nodes), promise)
    }

    /// The most that the likelihood may come up to between solved points (in the logarithm),
    /// the curve being allowed to run so far from where it is thought to as long steps may leave it.
    fn most_between(&self, nodes: &[Option<Node<'_>>]) -> f64 {
        /// Places between two points that are tried.
        const PLACES: [f64; 5] = [0.0, 0.25, 0.5, 0.75, 1.0];
        let between = |a: &Node<'_>, b: &Node<'_>, t: f64| {
            let astray = COARSE_ERROR * 4.0 * t * (1.0 - t);
            let mean: Vec<f64> = (0..a.mean.len())
                .map(|i| {
                    let (from, to) = (a.mean[i], b.mean[i]);
                    let along = from + t * (to - from);
                    let off = self.evidence.read[i] - along;
                    along + off.signum() * off.abs().min(astray * (to - from).abs())
                })
                .collect();
            let under = |node: &Node<'_>| {
                node.weights.ln_likelihood(&mean, self.evidence) + node.ln_visible
            };
            under(a).max(under(b))
        };
        nodes
            .windows(2)
            .map(|ends| match ends {
                [Some(a), Some(b)] => PLACES
                    .iter()
                    .map(|&t| between(a, b, t))
                    .fold(f64::NEG_INFINITY, f64::max),
                _ => f64::INFINITY,
            })
            .fold(f64::NEG_INFINITY, f64::max)
    }

    /// The solved points of a failure's range under one law.
    fn nodes_along(
        &self,
        law: usize,
        failure: &Failure,
        range: Range,
        scratch: &mut Scratch,
    ) -> Vec<Option<Node<'_>>> {
        let count = self.observations.len();
        let healthy = &self.healthy[law];
        let mut starts = healthy.starts.clone();
        (0..range.nodes)
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
            .collect()
    }

    /// By solved point, the shifts of the forecasts under the first law.
    fn shifts(&self, range: Range, nodes: &[Option<Node<'_>>]) -> Shifts {
        let healthy = &self.healthy[0].forecast.mean;
        nodes
            .iter()
            .enumerate()
            .filter_map(|(index, node)| {
                let mean = &node.as_ref()?.mean;
                let shift = mean.iter().zip(healthy).map(|(a, b)| a - b).collect();
                Some((range.node(index), shift))
            })
            .collect()
    }

    /// The answer for one failure from its atoms.
    pub(crate) fn gather(&self, index: usize, mut atoms: Vec<Atom>) -> Option<Weighed> {
        let failure = &self.failures[index];
        if !self.known.is_empty() {
            for atom in &mut atoms {
                let shift = self.known.ln_odds_shift(failure, atom.u, &[]);
                atom.ln_weight += shift;
                atom.ln_value += shift;
            }
        }
        let laws = self.model.laws() as f64;
        let ln_evidence = ln_sum(atoms.iter().map(|a| a.ln_weight)) - laws.ln();
        if !ln_evidence.is_finite() {
            return None;
        }
        let top = best_of(&atoms)?;
        let spread = spread_of(&atoms);
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
    /// likelihood summed in fine steps.
    fn sum_along(
        &self,
        law: usize,
        range: Range,
        nodes: &[Option<Node<'_>>],
        atoms: &mut Vec<Atom>,
    ) {
        if range.is_open() {
            self.sum_between(law, range.low, range.spacing(), nodes, atoms);
        } else if let Some(Some(node)) = nodes.first() {
            atoms.push(Atom {
                u: range.low,
                law,
                ln_weight: node.ln_likelihood + node.ln_visible,
                ln_value: node.ln_likelihood + node.ln_visible,
            });
        }
    }

    /// As for a whole range, between the first of evenly spaced nodes, at `low`, and
    /// the last; the stretch between them counts as one.
    fn sum_between(
        &self,
        law: usize,
        low: f64,
        spacing: f64,
        nodes: &[Option<Node<'_>>],
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
            let steps = if hopeless { 1 } else { fine_steps(a, b) };
            let before = left
                .checked_sub(1)
                .and_then(at)
                .map_or(&a.mean, |n| &n.mean);
            let after = at(left + 2).map_or(&b.mean, |n| &n.mean);
            let one_sided = (left == 0, left + 2 >= nodes.len());
            for step in 0..steps {
                let t = (step as f64 + 0.5) / steps as f64;
                let mean: Vec<f64> = (0..a.mean.len())
                    .map(|i| cubic(before[i], a.mean[i], b.mean[i], after[i], one_sided, t))
                    .collect();
                // The covariance changes along the way: the likelihood is blended from those of both ends.
                let under = |node: &Node<'_>| node.weights.ln_likelihood(&mean, self.evidence);
                let ln_likelihood = (1.0 - t) * under(a) + t * under(b);
                let ln_visible = (1.0 - t) * a.ln_visible + t * b.ln_visible;
                atoms.push(Atom {
                    u: low + (left as f64 + t) * spacing,
                    law,
                    ln_weight: ln_likelihood + ln_visible + ln_share - (steps as f64).ln(),
                    ln_value: ln_likelihood + ln_visible,
                });
            }
        }
    }

    /// Logarithm of the prior odds of a set: its members', and where one drives
    /// another's part past its rating, the odds that this made it fail; and how
    /// much likelier they are together than as strangers.
    pub(crate) fn ln_prior(&self, set: &[usize]) -> f64 {
        let each: f64 = set
            .iter()
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
            .sum();
        each + (1..=set.len()).map(ln_further).sum::<f64>()
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
}

/// Spread of a size by its atoms.
fn spread_of(atoms: &[Atom]) -> f64 {
    let heaviest = atoms
        .iter()
        .map(|a| a.ln_weight)
        .fold(f64::NEG_INFINITY, f64::max);
    let (mut total, mut mean, mut square) = (0.0, 0.0, 0.0);
    for atom in atoms {
        let p = (atom.ln_weight - heaviest).exp();
        total += p;
        mean += p * atom.u;
        square += p * atom.u * atom.u;
    }
    mean /= total;
    (square / total - mean * mean).max(0.0).sqrt()
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

/// How many units' worth of neglect go into one unit: the shape of the gamma
/// distribution of how badly units were kept (common practice, no source, is that this
/// differs much; with 2, its spread is seven tenths of its mean).
const KEEPING: f64 = 2.0;

/// Logarithm of how much likelier the `count`th failure of a unit is for those it has
/// already: how badly it was kept is not known, and they tell of it. Where the
/// failures to be expected of a unit are spread by a gamma distribution of shape a, so that
/// their number is a negative binomial, it is (a + count - 1) / a times as likely.
pub(crate) fn ln_further(count: usize) -> f64 {
    ((KEEPING + count.max(1) as f64 - 1.0) / KEEPING).ln()
}

/// Logarithm of how far a shift of so many spreads counts as a failure.
pub(crate) fn ln_counts(spreads: f64) -> f64 {
    let ratio = (spreads / VISIBLE_SPREADS).powi(4);
    (ratio / (1.0 + ratio)).max(1e-12).ln()
}

/// Steps of the finer sum between two nodes: many where the forecast moves far.
fn fine_steps(a: &Node<'_>, b: &Node<'_>) -> usize {
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
