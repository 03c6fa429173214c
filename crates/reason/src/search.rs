//! Which sets of failures to weigh: all singles, then the likeliest sets
//! extended one failure at a time.

use std::collections::BTreeMap;

use deadstage_circuit::{Probe, Scratch};
use deadstage_netlist::PartId;
use nalgebra::{DMatrix, DVector};
use rayon::prelude::*;

use crate::failure::{Failure, Range};
use crate::likelihood::{Weights, ln_add, ln_sum};
use crate::model::{Forecast, Held, Starts};
use crate::observe::Observation;
use crate::weigh::{Atom, Scales, Shifts, Weighed, ln_counts};

/// Most failures held together.
const MOST_TOGETHER: usize = 4;

/// Sets kept for extension, by size of the set extended.
const PARENTS: [usize; MOST_TOGETHER - 1] = [20, 12, 6];

/// Extensions weighed for each set kept.
const EXTENSIONS: usize = 20;

/// Sets this far (in the logarithm) below the best are not extended, nor made.
const REACH: f64 = 12.0;

/// The same for sets that are yet to be made, where the best explains what was read:
/// a set seldom comes up to its promise and hardly ever exceeds it.
const PROMISED: f64 = 8.0;

/// A set to weigh: its failures, the promise of its weight, parameters to start from.
type Extension = (Vec<usize>, f64, Vec<f64>);

/// What the search found.
#[derive(Clone, Debug)]
pub(crate) struct Found {
    /// All sets weighed, best first.
    pub(crate) sets: Vec<Weighed>,
    /// Logarithm of the weight of the healthy unit.
    pub(crate) ln_healthy: f64,
    /// Sets weighed, by size.
    pub(crate) weighed: Vec<usize>,
}

/// Weighs all singles, then extends.
///
/// A `breadth` above one keeps so many times as many sets for extension, however
/// far below the best they are, and weighs so many times as many extensions of each.
pub(crate) fn search(scales: &mut Scales<'_>, most_together: usize, breadth: usize) -> Found {
    let ln_healthy = scales.ln_healthy();
    let (mut sets, responses) = singles(scales, ln_healthy);
    sort(&mut sets);
    weigh_leaders_again(scales, &mut sets, ln_healthy);
    let mut weighed = vec![sets.len()];
    scales.find_overloads(&sets[..sets.len().min(PARENTS[0])]);
    let scales: &Scales<'_> = scales;
    let mut parents: Vec<Weighed> = sets.clone();
    for size in 1..most_together.min(MOST_TOGETHER) {
        let best = sets
            .first()
            .map_or(ln_healthy, |s| s.ln_weight.max(ln_healthy));
        let poor = breadth <= 1 && scales.fits_poorly(best);
        let reach = REACH * if poor { 8.0 } else { 2.0 };
        if breadth <= 1 {
            parents.retain(|p| p.ln_weight > best - reach);
        }
        let floors = (best - REACH, best - reach);
        let (promised, slack) = if poor || breadth > 1 {
            (REACH, LINEAR_SLACK.0)
        } else {
            (PROMISED, LINEAR_SLACK.1)
        };
        let promise = (best - promised, slack);
        parents.truncate(PARENTS[size - 1] * if poor { 2 } else { breadth.max(1) });
        let mut wanted: BTreeMap<Vec<usize>, (f64, Vec<f64>)> = BTreeMap::new();
        let proposals: Vec<Vec<Extension>> = parents
            .par_iter()
            .map_init(Scratch::default, |scratch, parent| {
                propose(scales, parent, &responses, promise, breadth, scratch)
            })
            .collect();
        for (set, promise, start) in proposals.into_iter().flatten() {
            let entry = wanted.entry(set).or_insert((f64::NEG_INFINITY, Vec::new()));
            if promise > entry.0 {
                *entry = (promise, start);
            }
        }
        let wanted: Vec<(Vec<usize>, Vec<f64>)> = wanted
            .into_iter()
            .map(|(set, (_, start))| (set, start))
            .collect();
        let mut next: Vec<Weighed> = wanted
            .par_iter()
            .map_init(Scratch::default, |scratch, (set, start)| {
                scales.weigh_set(set, std::slice::from_ref(start), floors, scratch)
            })
            .flatten()
            .collect();
        sort(&mut next);
        let others = other_ways(scales, &next, best - promised, floors);
        next.extend(others);
        sort(&mut next);
        weighed.push(next.len());
        weigh_leaders_again(scales, &mut next, best);
        let total_before = ln_sum(sets.iter().map(|s| s.ln_weight));
        sets.extend(next.iter().cloned());
        sort(&mut sets);
        let gained = ln_sum(next.iter().map(|s| s.ln_weight));
        // Larger sets that add next to nothing have no children worth making.
        if size > 1 && gained < ln_add(total_before, ln_healthy) - 9.0 {
            break;
        }
        parents = next;
    }
    Found {
        sets,
        ln_healthy,
        weighed,
    }
}

/// Sets of one size that are weighed again with more care, most.
const LEADERS: usize = 24;

/// Sets this far (in the logarithm) below the best are not.
const LEADERS_REACH: f64 = 8.0;

/// Weighs the best of some sets again, with more care; `best` is the best of
/// all that were weighed before. `next` is left best first.
fn weigh_leaders_again(scales: &Scales<'_>, next: &mut [Weighed], best: f64) {
    let top = next.first().map_or(best, |s| s.ln_weight.max(best));
    let count = next
        .iter()
        .take(LEADERS)
        .take_while(|s| s.ln_weight > top - LEADERS_REACH)
        .count();
    next[..count]
        .par_iter_mut()
        .for_each_init(Scratch::default, |scratch, set| {
            if let Some(again) = scales.weigh_set_again(set, scratch) {
                *set = again;
            }
        });
    sort(next);
}

/// Sets whose parts are tried with their other ways to fail.
const TRIED_OTHERWISE: usize = 6;

/// Points of another way's range that are tried.
const OTHERWISE_NODES: usize = 5;

/// The leading sets, of a weight above `least`, with one member failing in another way: a part that is
/// open where it should be high fits too ill to be found by what it leaves.
fn other_ways(
    scales: &Scales<'_>,
    sets: &[Weighed],
    least: f64,
    floors: (f64, f64),
) -> Vec<Weighed> {
    let known: std::collections::BTreeSet<&[usize]> =
        sets.iter().map(|s| s.set.as_slice()).collect();
    let mut wanted: BTreeMap<Vec<usize>, Vec<f64>> = BTreeMap::new();
    let leaders = sets
        .iter()
        .take(TRIED_OTHERWISE)
        .take_while(|s| s.ln_weight > least);
    for leader in leaders {
        for (k, &member) in leader.set.iter().enumerate() {
            for (index, failure) in scales.failures.iter().enumerate() {
                let other = index != member && failure.part == scales.failures[member].part;
                // Of a part replaced the old one and the new one may both be in the set.
                let beside = |i: usize| {
                    let own = &scales.failures[i];
                    own.part == failure.part && own.stretch.overlaps(failure.stretch)
                };
                if !other || leader.set.iter().any(|&i| i != member && beside(i)) {
                    continue;
                }
                let mut pairs: Vec<(usize, f64)> = leader
                    .set
                    .iter()
                    .copied()
                    .zip(leader.best.iter().copied())
                    .collect();
                pairs[k] = (index, f64::NAN);
                pairs.sort_by_key(|p| p.0);
                let set: Vec<usize> = pairs.iter().map(|p| p.0).collect();
                if !known.contains(set.as_slice()) {
                    let sizes = pairs.iter().map(|p| p.1).collect();
                    wanted.entry(set).or_insert(sizes);
                }
            }
        }
    }
    wanted
        .par_iter()
        .map_init(Scratch::default, |scratch, (set, sizes)| {
            let slot = sizes.iter().position(|u| u.is_nan())?;
            let range = scales.failures[set[slot]].range;
            let count = range.nodes.min(OTHERWISE_NODES);
            let starts: Vec<Vec<f64>> = (0..count)
                .map(|node| {
                    let mut start = sizes.clone();
                    start[slot] = range.low + range.width() * (node as f64 + 0.5) / count as f64;
                    start
                })
                .collect();
            scales.weigh_set(set, &starts, floors, scratch)
        })
        .flatten()
        .collect()
}

/// A failure this far (in the logarithm) below the best under the first law is
/// not asked of the others: they differ by less where both hold at all.
const SECOND_LAW_REACH: f64 = 18.0;

/// A failure followed in long steps is followed closely where the readings may become likelier
/// than a healthy unit's by this much (in the logarithm), its prior not counted ...
const EXPLAINS: f64 = 1.0;

/// ... and that is no further than this below the best found in long steps, its prior counted.
const CLOSER_REACH: f64 = 2.0 * REACH;

/// Weighs every failure alone. Beside the answers, the shifts that each failure gives.
fn singles(scales: &Scales<'_>, ln_healthy: f64) -> (Vec<Weighed>, Vec<Shifts>) {
    let laws = scales.model.laws();
    let coarse: Vec<(Vec<Atom>, Shifts, Option<f64>)> = scales
        .failures
        .par_iter()
        .map_init(Scratch::default, |scratch, failure| {
            scales.follow_coarsely(failure, scratch)
        })
        .collect();
    let best = coarse
        .iter()
        .enumerate()
        .filter_map(|(index, (atoms, ..))| scales.gather(index, atoms.clone()))
        .map(|found| found.ln_weight + (laws as f64).ln())
        .fold(ln_healthy, f64::max);
    let first: Vec<(Vec<Atom>, Shifts, Range)> = coarse
        .into_par_iter()
        .zip(scales.failures)
        .map_init(
            Scratch::default,
            |scratch, ((atoms, shifts, most), failure)| {
                let is_worth = most.is_some_and(|most| {
                    most > scales.healthy[0].ln_likelihood + EXPLAINS
                        && most + failure.ln_odds > best - CLOSER_REACH
                });
                if is_worth {
                    let (atoms, shifts) = scales.follow(failure, failure.range, 0..1, scratch);
                    (atoms, shifts, failure.range)
                } else {
                    (atoms, shifts, failure.range.coarse())
                }
            },
        )
        .collect();
    let under_first: Vec<Option<f64>> = first
        .iter()
        .enumerate()
        .map(|(index, (atoms, ..))| {
            let found = scales.gather(index, atoms.clone())?;
            Some(found.ln_weight + (laws as f64).ln())
        })
        .collect();
    let best = under_first
        .iter()
        .flatten()
        .fold(ln_healthy, |best, ln| best.max(*ln));
    first
        .into_par_iter()
        .enumerate()
        .map_init(
            Scratch::default,
            |scratch, (index, (mut atoms, shifts, range))| {
                // What the first law could not solve, another may.
                if under_first[index].is_none_or(|ln| ln > best - SECOND_LAW_REACH) {
                    let failure = &scales.failures[index];
                    let (more, _) = scales.follow(failure, range, 1..laws, scratch);
                    atoms.extend(more);
                }
                (scales.gather(index, atoms), shifts)
            },
        )
        .collect::<Vec<_>>()
        .into_iter()
        .fold(
            (Vec::new(), Vec::new()),
            |(mut sets, mut responses), (found, shifts)| {
                sets.extend(found);
                responses.push(shifts);
                (sets, responses)
            },
        )
}

fn sort(sets: &mut [Weighed]) {
    sets.sort_by(|a, b| {
        b.ln_weight
            .total_cmp(&a.ln_weight)
            .then_with(|| a.set.cmp(&b.set))
    });
}

/// Failures solved beside each parent: those that by a linear look explain most of what it leaves.
const MOST_ASKED: usize = 80;

/// The same where a whole chassis has more failures than [`LARGE`]: fewer of
/// them have anything to do with what one set leaves.
const MOST_ASKED_OF_MANY: usize = 40;

/// Failures of a large chassis.
const LARGE: usize = 320;

/// By how much (in the logarithm) a linear look may think too little of a
/// failure: where the best explains little, and where it explains what was read.
const LINEAR_SLACK: (f64, f64) = (10.0, 5.0);

/// Points of a failure's range so solved.
const MOST_ASKED_NODES: usize = 5;

/// How far a parent's own parameters may give way to a further failure, in `u`.
const GIVE: f64 = 0.5;

/// Change of the forecast as each parameter of the parent gives way: an
/// extension may find it a little elsewhere.
fn parent_slopes(
    scales: &Scales<'_>,
    parent: &Weighed,
    held: &[Held<'_>],
    mean: &[f64],
    starts: &Starts,
    scratch: &mut Scratch,
) -> Vec<Vec<f64>> {
    (0..held.len())
        .filter(|&k| held[k].0.range.is_open())
        .filter_map(|k| {
            let range = held[k].0.range;
            let give = GIVE.min(0.15 * range.width());
            let step = if held[k].1 + give > range.high {
                -give
            } else {
                give
            };
            let mut moved = held.to_vec();
            moved[k].1 += step;
            let there = scales
                .model
                .forecast(
                    parent.law,
                    &moved,
                    scales.observations,
                    0,
                    &mut starts.clone(),
                    scratch,
                )
                .ok()?;
            Some(there.mean.iter().zip(mean).map(|(a, b)| a - b).collect())
        })
        .collect()
}

/// By part, the most that any drift of it explains at a parent's own operating point.
fn part_gains(
    scales: &Scales<'_>,
    forecast: &Forecast,
    gain_of: &dyn Fn(&[f64]) -> f64,
) -> BTreeMap<PartId, f64> {
    let mut gains = BTreeMap::new();
    for (index, row) in forecast.scatter.row_iter().enumerate() {
        let Some(part) = scales.model.networks.part_of_row(index) else {
            continue;
        };
        // A small step either way: what counts is the direction, at its best amplitude.
        for sign in [1.0, -1.0] {
            let shift: Vec<f64> = row.iter().map(|change| sign * change).collect();
            let gain = gain_of(&shift);
            let best = gains.entry(part).or_insert(gain);
            *best = gain.max(*best);
        }
    }
    gains
}

/// What failures do beside a set, told without solving every meter's load
/// again: each takes the share that it takes of the set alone.
struct Beside<'s> {
    scales: &'s Scales<'s>,
    law: usize,
    held: Vec<Held<'s>>,
    bare: Vec<Observation>,
    shares: Vec<f64>,
    mean: &'s [f64],
    first: &'s Starts,
    starts: Starts,
}

/// A voltage smaller than this tells nothing of a meter's share, volts.
const LEAST_SHARED: f64 = 0.05;

impl<'s> Beside<'s> {
    fn new(
        scales: &'s Scales<'s>,
        law: usize,
        held: &[Held<'s>],
        mean: &'s [f64],
        first: &'s Starts,
        scratch: &mut Scratch,
    ) -> Self {
        let bare: Vec<Observation> = scales
            .observations
            .iter()
            .map(|o| {
                let mut bare = o.clone();
                if let Probe::Volts { load, .. } = &mut bare.probe {
                    *load = None;
                }
                bare
            })
            .collect();
        let mut this = Self {
            scales,
            law,
            held: held.to_vec(),
            bare,
            shares: vec![1.0; mean.len()],
            mean,
            first,
            starts: first.clone(),
        };
        if let Some(unloaded) = this.unloaded(scratch) {
            for (share, (loaded, bare)) in this.shares.iter_mut().zip(mean.iter().zip(&unloaded)) {
                if bare.abs() > LEAST_SHARED {
                    *share = (loaded / bare).clamp(0.0, 1.0);
                }
            }
        }
        this
    }

    fn unloaded(&mut self, scratch: &mut Scratch) -> Option<Vec<f64>> {
        let model = self.scales.model;
        let (held, starts) = (&self.held, &mut self.starts);
        let there = model.forecast(self.law, held, &self.bare, 0, starts, scratch);
        Some(there.ok()?.mean)
    }

    /// The shift that a failure gives beside the set; `afresh` from where the
    /// set alone is, else from where the last one was.
    fn shift(
        &mut self,
        failure: &'s Failure,
        u: f64,
        afresh: bool,
        scratch: &mut Scratch,
    ) -> Option<Vec<f64>> {
        if afresh {
            self.starts.clone_from(self.first);
        }
        self.held.push((failure, u));
        let there = self.unloaded(scratch);
        self.held.pop();
        let shift = there?
            .iter()
            .zip(self.mean.iter().zip(&self.shares))
            .map(|(bare, (mean, share))| bare * share - mean)
            .collect();
        Some(shift)
    }
}

/// Most times that a shift is taken larger than it was found.
const MOST_AMPLITUDE: f64 = 10.0;

/// What a set leaves unexplained.
struct Leaves<'s> {
    scales: &'s Scales<'s>,
    weights: &'s Weights,
    mean: &'s [f64],
    ln_likelihood: f64,
    residual: DVector<f64>,
    /// By reading, the spread by which a failure beside the set is seen to count.
    sigma: Vec<f64>,
    /// C⁻¹ of all readings, and where some are likelier slips than not, of the others.
    inverses: Vec<DMatrix<f64>>,
}

impl<'s> Leaves<'s> {
    fn new(scales: &'s Scales<'s>, law: usize, weights: &'s Weights, mean: &'s [f64]) -> Self {
        let evidence = scales.evidence;
        let healthy = &scales.healthy[law].weights.sigma;
        let exact = &weights.exact;
        let mut inverses = vec![weights.inverse.clone()];
        inverses.extend(weights.inverse_of_good(mean, evidence));
        Self {
            scales,
            weights,
            mean,
            ln_likelihood: weights.ln_likelihood(mean, evidence),
            sigma: weights
                .sigma
                .iter()
                .zip(healthy)
                .map(|(with, healthy)| with.min(*healthy))
                .collect(),
            residual: DVector::from_iterator(
                exact.len(),
                exact.iter().map(|&i| evidence.read[i] - mean[i]),
            ),
            inverses,
        }
    }

    /// By how much (in the logarithm) the readings become likelier with a shift
    /// as it is, or at the amplitude that suits them best.
    fn gain_of(&self, shift: &[f64]) -> f64 {
        let exact = &self.weights.exact;
        let d = DVector::from_iterator(exact.len(), exact.iter().map(|&i| shift[i]));
        let best = self.inverses.iter().filter_map(|inverse| {
            let weighted = inverse * &d;
            let (along, square) = (weighted.dot(&self.residual), weighted.dot(&d));
            // Near its own size a shift is as it is; and no straight line goes on for ever.
            (along > 0.0 && square > 0.0)
                .then(|| (along / square).min(MOST_AMPLITUDE))
                .filter(|amplitude| (amplitude - 1.0).abs() > 0.1)
        });
        best.map(|amplitude| self.gain_at(shift, amplitude) - 1.0)
            .fold(self.gain_at(shift, 1.0), f64::max)
    }

    /// A failure that is to explain something must show beside the set.
    fn gain_at(&self, shift: &[f64], amplitude: f64) -> f64 {
        let shown = shift
            .iter()
            .zip(&self.sigma)
            .map(|(s, sigma)| (s / sigma).abs())
            .fold(0.0, f64::max);
        let mean: Vec<f64> = self
            .mean
            .iter()
            .zip(shift)
            .map(|(m, s)| m + amplitude * s)
            .collect();
        self.weights.ln_likelihood(&mean, self.scales.evidence) - self.ln_likelihood
            + ln_counts(amplitude * shown)
    }
}

/// Extensions of one set that might explain what it leaves: the shift that a
/// failure gives, taken as it is and at its best amplitude, against the
/// residual that the set leaves. First by a linear look, then beside the set.
/// None whose weight is not promised to reach `floor`, to within some `slack` by the linear look.
fn propose(
    scales: &Scales<'_>,
    parent: &Weighed,
    responses: &[Shifts],
    (floor, slack): (f64, f64),
    breadth: usize,
    scratch: &mut Scratch,
) -> Vec<Extension> {
    let held: Vec<Held<'_>> = parent
        .set
        .iter()
        .zip(&parent.best)
        .map(|(&i, &u)| (&scales.failures[i], u))
        .collect();
    let mut starts = scales.healthy[parent.law].starts.clone();
    let Ok(forecast) = scales.model.forecast(
        parent.law,
        &held,
        scales.observations,
        scales.observations.len(),
        &mut starts,
        scratch,
    ) else {
        return Vec::new();
    };
    let slopes = parent_slopes(scales, parent, &held, &forecast.mean, &starts, scratch);
    let Some(weights) = Weights::new(&forecast, scales.evidence, &slopes) else {
        return Vec::new();
    };
    let leaves = Leaves::new(scales, parent.law, &weights, &forecast.mean);
    let gain_of = |shift: &[f64]| leaves.gain_of(shift);
    let stage = scales.model.stage;
    // What a failure does beside the parent is not what it does alone, but
    // what its part can do there at all shows in the parent's own scatter.
    let of_parts = part_gains(scales, &forecast, &gain_of);
    let mut looked: Vec<(f64, usize)> = scales
        .failures
        .iter()
        .enumerate()
        .filter(|(_, failure)| {
            parent
                .set
                .iter()
                .all(|&i| failure.goes_with(&scales.failures[i], stage))
        })
        .map(|(index, failure)| {
            let alone = responses[index]
                .iter()
                .map(|(_, shift)| gain_of(shift))
                .fold(0.0, f64::max);
            let of_part = stage
                .parts_named(&stage.part(failure.part).name)
                .filter_map(|part| of_parts.get(&part).copied())
                .fold(0.0, f64::max);
            (alone.max(of_part) + failure.ln_odds, index)
        })
        .filter(|(promise, _)| parent.ln_weight + promise > floor - slack)
        .collect();
    looked.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    looked.truncate(
        if scales.failures.len() > LARGE {
            MOST_ASKED_OF_MANY
        } else {
            MOST_ASKED
        } * breadth.max(1),
    );
    let mut beside = Beside::new(scales, parent.law, &held, &forecast.mean, &starts, scratch);
    let mut promising: Vec<(f64, usize, f64)> = looked
        .into_iter()
        .filter_map(|(_, index)| {
            let failure = &scales.failures[index];
            let range = failure.range;
            let stride = range.nodes.div_ceil(MOST_ASKED_NODES).max(1);
            let (gain, u) = (0..range.nodes)
                .step_by(stride)
                .filter_map(|node| {
                    let u = range.node(node);
                    let shift = beside.shift(failure, u, node == 0, scratch)?;
                    Some((gain_of(&shift), u))
                })
                .reduce(|a, b| if b.0 > a.0 { b } else { a })?;
            Some((gain + failure.ln_odds, index, u))
        })
        .filter(|(promise, ..)| parent.ln_weight + promise > floor)
        .collect();
    promising.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    promising.truncate(EXTENSIONS * breadth.max(1));
    promising
        .into_iter()
        .map(|(promise, index, u)| {
            let mut pairs: Vec<(usize, f64)> = parent
                .set
                .iter()
                .copied()
                .zip(parent.best.iter().copied())
                .collect();
            pairs.push((index, u));
            pairs.sort_by_key(|p| p.0);
            (
                pairs.iter().map(|p| p.0).collect(),
                parent.ln_weight + promise,
                pairs.iter().map(|p| p.1).collect(),
            )
        })
        .collect()
}
