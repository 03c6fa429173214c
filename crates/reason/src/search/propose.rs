//! Which further failures might explain what a set leaves: those that show
//! most of it by a linear look, and then solved beside the set.

use std::collections::BTreeMap;

use deadstage_circuit::{Probe, Scratch};
use deadstage_netlist::PartId;
use nalgebra::{DMatrix, DVector};

use crate::failure::Failure;
use crate::likelihood::Weights;
use crate::model::{Forecast, Held, Starts};
use crate::observe::{Observation, meter_share};
use crate::weigh::{Scales, Shifts, Weighed, ln_counts, ln_further};

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
                *share = meter_share(*bare, *loaded).unwrap_or(1.0);
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
pub(super) fn propose(
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
    let ln_further = ln_further(parent.set.len() + 1);
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
            (alone.max(of_part) + failure.ln_odds + ln_further, index)
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
            Some((gain + failure.ln_odds + ln_further, index, u))
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
