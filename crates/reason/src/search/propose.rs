//! Which further failures might explain what a set leaves: those that show
//! most of it by a linear look, and then solved beside the set.

use std::collections::BTreeMap;

use deadstage_circuit::Scratch;
use deadstage_netlist::PartId;
use nalgebra::DMatrix;

use super::shares::Shares;
use super::{as_many, through_equals};
use crate::failure::Failure;
use crate::likelihood::{Good, Line, Weights};
use crate::model::{Held, Starts, Unreached, Wanted};
use crate::weigh::{Scales, Shifts, UNREACHED, Weighed, ln_counts};

/// A set to weigh: its failures, the promise of its weight, parameters to start from.
pub(super) type Extension = (Vec<usize>, f64, Vec<f64>);

/// Extensions weighed for each set kept.
const EXTENSIONS: usize = 20;

/// Failures solved beside each parent: those that by a linear look explain most of what it leaves.
const MOST_ASKED: usize = 80;

/// The same where a whole chassis has more failures than [`LARGE`]: fewer of
/// them have anything to do with what one set leaves.
const MOST_ASKED_OF_MANY: usize = 40;

/// Failures of a large chassis.
const LARGE: usize = 320;

/// By this much (in the logarithm) a failure may gain more beside a set than alone, and still be looked at.
const MOST_MORE: f64 = 20.0;

/// Points of a failure's range so solved.
const MOST_ASKED_NODES: usize = 5;

/// How far a parent's own parameters may give way to a further failure, in `u`.
const GIVE: f64 = 0.5;

/// By member of a parent, the change of the forecast as its parameter gives way: an
/// extension may find it a little elsewhere.
pub(super) fn slopes(
    scales: &Scales<'_>,
    parent: &Weighed,
    held: &[Held<'_>],
    mean: &[f64],
    starts: &Starts,
    scratch: &mut Scratch,
) -> Vec<Option<Vec<f64>>> {
    (0..held.len())
        .map(|k| {
            let range = held[k].0.range;
            if !range.is_open() {
                return None;
            }
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
                    Wanted::Means,
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
    columns: &DMatrix<f64>,
    leaves: &Leaves<'_>,
    least: f64,
) -> BTreeMap<PartId, f64> {
    let mut gains = BTreeMap::new();
    for (index, row) in columns.row_iter().enumerate() {
        let Some(part) = scales.model.networks.part_of_row(index) else {
            continue;
        };
        // A small step either way: what counts is the direction, at its best amplitude.
        let shift: Vec<f64> = row.iter().copied().collect();
        let best = gains.entry(part).or_insert(f64::NEG_INFINITY);
        *best = leaves.gain_either_way(&shift, least.max(*best)).max(*best);
    }
    gains
}

/// What failures do beside a set, told without solving every meter's load
/// again: each takes the share that it takes of the set alone.
struct Beside<'s> {
    scales: &'s Scales<'s>,
    law: usize,
    held: Vec<Held<'s>>,
    shares: Shares,
    mean: &'s [f64],
    /// Situations that the set does not reach: there a failure does what it does alone.
    unreached: Vec<bool>,
    nothing: DMatrix<f64>,
    first: &'s Starts,
    starts: Starts,
}

impl<'s> Beside<'s> {
    fn new(
        scales: &'s Scales<'s>,
        law: usize,
        held: &[Held<'s>],
        mean: &'s [f64],
        first: &'s Starts,
        scratch: &mut Scratch,
    ) -> Self {
        let mut unreached = vec![true; scales.model.bases[law].len()];
        for (observation, spreads) in scales.observations.iter().zip(scales.moved(law, mean)) {
            unreached[observation.situation] &= spreads < UNREACHED;
        }
        let mut this = Self {
            scales,
            law,
            held: held.to_vec(),
            shares: Shares::new(scales.observations),
            mean,
            unreached,
            nothing: DMatrix::zeros(0, 0),
            first,
            starts: first.clone(),
        };
        if let Some(unloaded) = this.unloaded(scratch) {
            this.shares.know(mean, &unloaded);
        }
        this
    }

    fn unloaded(&mut self, scratch: &mut Scratch) -> Option<Vec<f64>> {
        let unreached = Unreached {
            situations: &self.unreached,
            mean: self.mean,
            scatter: &self.nothing,
        };
        let found = self.scales.model.forecast_if(
            self.law,
            &self.held,
            self.shares.bare(),
            Wanted::Means,
            Some(unreached),
            |_| false,
            &mut self.starts,
            scratch,
        );
        Some(found.ok()?.mean)
    }

    /// The shift that a failure gives beside the set; `afresh` from where the
    /// set alone is, else from where the last one was.
    fn shift(
        &mut self,
        failure: &'s Failure,
        (u, alone): &(f64, Vec<f64>),
        afresh: bool,
        scratch: &mut Scratch,
    ) -> Option<Vec<f64>> {
        if afresh {
            self.starts.clone_from(self.first);
        }
        self.held.push((failure, *u));
        let there = self.unloaded(scratch);
        self.held.pop();
        let there = there?;
        let loaded = self.shares.loaded(&there).enumerate();
        let shift = loaded.map(|(i, loaded)| {
            if self.unreached[self.scales.observations[i].situation] {
                alone[i]
            } else {
                loaded - self.mean[i]
            }
        });
        Some(shift.collect())
    }

    /// The most that a failure gains beside the set at some sizes, and which of them. Where it is seen to do beside the set
    /// what it does alone, it is not solved at all of them, nor where what it gains alone is by some `slack` too far below `least`.
    fn best_of(
        &mut self,
        failure: &'s Failure,
        alone: &'s Shifts,
        leaves: &Leaves<'_>,
        (least, slack): (f64, f64),
        scratch: &mut Scratch,
    ) -> Option<(f64, f64)> {
        let range = failure.range;
        let stride = range.nodes.div_ceil(MOST_ASKED_NODES).max(1);
        let places: Vec<(f64, Vec<f64>)> = (0..range.nodes)
            .step_by(stride)
            .filter_map(|node| Some((range.node(node), between(alone, range.node(node))?)))
            .collect();
        let gains: Vec<f64> = places
            .iter()
            .map(|(_, shift)| leaves.gain_of(shift, (least - slack - MOST_MORE).min(0.0)))
            .collect();
        // Asked first: where alone it gains most, or failing that goes furthest.
        let last = places.len().checked_sub(1)?;
        let goes_up = failure.goes_up(&self.scales.model.bases[self.law]);
        let far = if goes_up { last } else { 0 };
        let first = (0..places.len())
            .filter(|&k| gains[k] > 0.0)
            .reduce(|a, b| if gains[b] > gains[a] { b } else { a })
            .unwrap_or(far);
        let mut found: Vec<(f64, f64)> = Vec::new();
        let mut more = f64::INFINITY;
        if let Some(shift) = self.shift(failure, &places[first], true, scratch) {
            let gain = leaves.gain_of(&shift, f64::NEG_INFINITY);
            found.push((gain, places[first].0));
            if leaves.is_one(&shift, &places[first].1) {
                found.extend(
                    gains
                        .into_iter()
                        .zip(places)
                        .map(|(gain, (u, _))| (gain, u)),
                );
                return found
                    .into_iter()
                    .reduce(|a, b| if b.0 > a.0 { b } else { a });
            }
            more = (gain - leaves.gain_of(&places[first].1, f64::NEG_INFINITY)).max(0.0);
        }
        // What it gains beside the set more than alone it may gain at another size as well.
        let mut is_afresh = true;
        for (k, place) in places.iter().enumerate() {
            if k != first && gains[k] + more + slack > least {
                if let Some(shift) = self.shift(failure, place, is_afresh, scratch) {
                    found.push((leaves.gain_of(&shift, f64::NEG_INFINITY), place.0));
                }
                is_afresh = false;
            }
        }
        found
            .into_iter()
            .reduce(|a, b| if b.0 > a.0 { b } else { a })
    }
}

/// The shift of a size between those that were solved.
fn between(alone: &Shifts, u: f64) -> Option<Vec<f64>> {
    let above = alone.partition_point(|(at, _)| *at < u);
    let (to, high) = alone.get(above).or(alone.last())?;
    let (from, low) = alone.get(above.saturating_sub(1))?;
    let t = if to > from {
        ((u - from) / (to - from)).clamp(0.0, 1.0)
    } else {
        0.0
    };
    Some(low.iter().zip(high).map(|(a, b)| a + t * (b - a)).collect())
}

/// Most times that a shift is taken larger than it was found.
const MOST_AMPLITUDE: f64 = 10.0;

/// Two shifts that differ nowhere by more than this, in spreads of healthy units and as a ratio, are taken for one.
const ONE: (f64, f64) = (0.05, 0.02);

/// Shifts that differ nowhere by more spreads of healthy units than this gain alike.
const ALIKE: f64 = 0.02;

/// What slips may add (in the logarithm) to the likelihood of readings that are just as forecast.
const SLIPS_AT_BEST: f64 = 1.0;

/// What a set leaves unexplained.
struct Leaves<'s> {
    weights: &'s Weights,
    line: Line<'s>,
    ln_likelihood: f64,
    /// By reading, the spread by which a failure beside the set is seen to count.
    sigma: Vec<f64>,
    /// The others, where some readings are likelier slips than not, and their residual weighed.
    of_good: Option<(Good, Vec<f64>)>,
    /// The most that any shift could gain.
    most: f64,
}

impl<'s> Leaves<'s> {
    fn new(scales: &'s Scales<'s>, law: usize, weights: &'s Weights, mean: &'s [f64]) -> Self {
        let evidence = scales.evidence;
        let healthy = &scales.healthy[law].weights.sigma;
        let exact = &weights.exact;
        let ln_likelihood = weights.ln_likelihood(mean, evidence);
        Self {
            weights,
            line: Line::new(weights, evidence, mean),
            ln_likelihood,
            sigma: weights
                .sigma
                .iter()
                .zip(healthy)
                .map(|(with, healthy)| with.min(*healthy))
                .collect(),
            of_good: weights.good(mean, evidence).map(|good| {
                let residual = exact.iter().map(|&i| evidence.read[i] - mean[i]);
                let weighed = weights.times(Some(&good), &residual.collect::<Vec<f64>>());
                (good, weighed)
            }),
            most: weights.ln_at_best() + SLIPS_AT_BEST - ln_likelihood,
        }
    }

    /// Whether two shifts come to the same.
    fn is_one(&self, a: &[f64], b: &[f64]) -> bool {
        let mut pairs = a.iter().zip(b).zip(&self.sigma);
        pairs.all(|((a, b), sigma)| (a - b).abs() <= ONE.0 * sigma + ONE.1 * b.abs())
    }

    /// By how much (in the logarithm) the readings become likelier with a shift
    /// as it is, or at the amplitude that suits them best. Where it is not as much as `least`,
    /// that may be all that is told of it (−∞).
    fn gain_of(&self, shift: &[f64], least: f64) -> f64 {
        self.gain_along(shift, &[1.0], least)
    }

    /// The same of a shift that may go either way.
    fn gain_either_way(&self, shift: &[f64], least: f64) -> f64 {
        self.gain_along(shift, &[1.0, -1.0], least)
    }

    fn gain_along(&self, shift: &[f64], ways: &[f64], least: f64) -> f64 {
        let shown = shift
            .iter()
            .zip(&self.sigma)
            .map(|(s, sigma)| (s / sigma).abs())
            .fold(0.0, f64::max);
        if self.most + ln_counts(MOST_AMPLITUDE * shown) < least {
            return f64::NEG_INFINITY;
        }
        let direction = self.line.direction(shift);
        // A failure that is to explain something must show beside the set.
        let gain_at = |amplitude: f64| {
            let counts = ln_counts(amplitude.abs() * shown) - self.ln_likelihood;
            self.line.ln_if_above(least - counts, &direction, amplitude) + counts
        };
        let of_good = self.of_good.as_ref().map(|(good, weighed)| {
            let d = &direction.of_exact;
            let along: f64 = weighed.iter().zip(d).map(|(w, d)| w * d).sum();
            (along, self.weights.square_of(good, d, direction.square))
        });
        let along_it = |way: f64| {
            [Some((direction.along, direction.square)), of_good]
                .into_iter()
                .flatten()
                // Near its own size a shift is as it is; and no straight line goes on for ever.
                .filter(|(along, square)| way * along > 0.0 && *square > 0.0)
                .map(|(along, square)| (way * along / square).min(MOST_AMPLITUDE))
                .filter(|amplitude| (amplitude - 1.0).abs() > 0.1)
                .map(|amplitude| gain_at(way * amplitude) - 1.0)
                .fold(gain_at(way), f64::max)
        };
        ways.iter()
            .map(|way| along_it(*way))
            .fold(f64::NEG_INFINITY, f64::max)
    }
}

/// What every failure does alone.
pub(super) struct Responses {
    /// By failure.
    shifts: Vec<Shifts>,
    /// By failure, which of these differ from those before.
    distinct: Vec<Vec<usize>>,
    /// By failure, the parts that are one with its own: all sections of a bottle.
    kin: Vec<Vec<PartId>>,
}

impl Responses {
    pub(super) fn new(scales: &Scales<'_>, shifts: Vec<Shifts>) -> Self {
        let stage = scales.model.stage;
        let mut known: BTreeMap<PartId, Vec<PartId>> = BTreeMap::new();
        let mut kin_of = |part: PartId| {
            let found = known
                .entry(part)
                .or_insert_with(|| stage.parts_named(&stage.part(part).name).collect());
            found.clone()
        };
        let sigma = &scales.healthy[scales.lead].weights.sigma;
        Self {
            distinct: shifts.iter().map(|list| distinct(list, sigma)).collect(),
            shifts,
            kin: scales.failures.iter().map(|f| kin_of(f.part)).collect(),
        }
    }
}

/// Which shifts differ from the last one that did by more than [`ALIKE`] spreads: an open circuit does at many sizes the same.
fn distinct(shifts: &Shifts, sigma: &[f64]) -> Vec<usize> {
    let mut found: Vec<usize> = Vec::new();
    for (index, (_, shift)) in shifts.iter().enumerate() {
        let is_new = found.last().is_none_or(|&last| {
            let pairs = shift.iter().zip(&shifts[last].1).zip(sigma);
            let mut far = pairs.map(|((a, b), sigma)| (a - b).abs() > ALIKE * sigma);
            far.any(|far| far)
        });
        if is_new {
            found.push(index);
        }
    }
    found
}

/// Extensions of one set that might explain what it leaves: the shift that a
/// failure gives, taken as it is and at its best amplitude, against the
/// residual that the set leaves. First by a linear look, then beside the set.
/// None whose weight is not promised to reach `floor`, to within some `slack` by the linear look.
pub(super) fn propose(
    scales: &Scales<'_>,
    parent: &Weighed,
    responses: &Responses,
    (floor, slack): (f64, f64),
    breadth: usize,
    scratch: &mut Scratch,
) -> Vec<Extension> {
    let held = scales.held(&parent.set, &parent.best);
    let mut starts = scales.healthy[parent.law].starts.clone();
    let count = scales.observations.len();
    let mut forecast = |wanted, scratch: &mut Scratch| {
        let list = scales.observations;
        let model = scales.model;
        let found = model.forecast(parent.law, &held, list, wanted, &mut starts, scratch);
        found.ok()
    };
    let Some(own) = forecast(Wanted::Weights(count), scratch) else {
        return Vec::new();
    };
    let further = match own.scatter.columns() {
        Some(_) => None,
        None => forecast(Wanted::Columns(count), scratch),
    };
    let forecast = own;
    let slopes = slopes(scales, parent, &held, &forecast.mean, &starts, scratch);
    let slopes: Vec<Vec<f64>> = slopes.into_iter().flatten().collect();
    let Some(weights) = Weights::new(&forecast, scales.evidence, &slopes) else {
        return Vec::new();
    };
    // Every failure's shift is held against them.
    let weights = weights.into_dense();
    let leaves = Leaves::new(scales, parent.law, &weights, &forecast.mean);
    let stage = scales.model.stage;
    // What a failure does beside the parent is not what it does alone, but
    // what its part can do there at all shows in the parent's own scatter.
    let likeliest = scales.failures.iter().map(|f| f.ln_odds);
    let likeliest = likeliest.fold(f64::NEG_INFINITY, f64::max);
    let least = floor - slack - parent.ln_weight - likeliest;
    let columns = further.as_ref().unwrap_or(&forecast).scatter.columns();
    let of_parts = columns.map_or_else(BTreeMap::new, |columns| {
        part_gains(scales, columns, &leaves, least.max(0.0))
    });
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
            let least = floor - slack - parent.ln_weight - failure.ln_odds;
            let of_part = responses.kin[index]
                .iter()
                .filter_map(|part| of_parts.get(part).copied())
                .fold(0.0, f64::max);
            // Only the most of all these counts.
            let most = responses.distinct[index].iter().fold(of_part, |most, &k| {
                let gain = leaves.gain_of(&responses.shifts[index][k].1, least.max(most));
                gain.max(most)
            });
            (most + failure.ln_odds, index)
        })
        .filter(|(promise, _)| parent.ln_weight + promise > floor - slack)
        .collect();
    looked.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let asked = if scales.failures.len() > LARGE {
        MOST_ASKED_OF_MANY
    } else {
        MOST_ASKED
    };
    let asked = as_many(scales, asked * breadth.max(1));
    looked.truncate(through_equals(&looked, asked, |look| look.0));
    let mut beside = Beside::new(scales, parent.law, &held, &forecast.mean, &starts, scratch);
    let mut promising: Vec<(f64, usize, f64)> = looked
        .into_iter()
        .filter_map(|(_, index)| {
            let failure = &scales.failures[index];
            let least = floor - parent.ln_weight - failure.ln_odds;
            let alone = &responses.shifts[index];
            let (gain, u) = beside.best_of(failure, alone, &leaves, (least, slack), scratch)?;
            Some((gain + failure.ln_odds, index, u))
        })
        .filter(|(promise, ..)| parent.ln_weight + promise > floor)
        .collect();
    promising.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    let kept = as_many(scales, EXTENSIONS * breadth.max(1));
    promising.truncate(through_equals(&promising, kept, |look| look.0));
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
