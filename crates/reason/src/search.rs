//! Which sets of failures to weigh: all singles, then the likeliest sets
//! extended one failure at a time.

mod at_slips;
mod exchange;
mod otherwise;
mod pairs;
mod propose;
mod shares;

use std::collections::{BTreeMap, BTreeSet};

use deadstage_circuit::Scratch;
use rayon::prelude::*;

use crate::likelihood::{ln_add, ln_sum};
use crate::weigh::{Atom, Followed, Peaks, Scales, Shifts, Weighed};
use at_slips::{Hopeless, pairs_at_slips};
use exchange::exchanged;
use otherwise::other_ways;
use pairs::pairs_looked_at;
use propose::{Extension, Responses, propose};

/// Most failures held together.
const MOST_TOGETHER: usize = 4;

/// Failures of several chassis together: what a set costs grows with the unit, what it is worth to try one more does not.
const VAST: usize = 640;

/// Of so much that the search does on any unit, what it does on a vast one.
const SHARE_OF_VAST: usize = 3;

/// How many of so many things the search looks at on this unit.
fn as_many(scales: &Scales<'_>, most: usize) -> usize {
    if scales.failures.len() > VAST {
        most.div_ceil(SHARE_OF_VAST)
    } else {
        most
    }
}

/// Two that differ by less than this are equals, in the logarithm: the halves of a push-pull stage, to rounding.
const EQUAL: f64 = 1e-6;

/// How many of a list, the best first, are kept where so many are wanted: no limit comes between equals, or the order of
/// the stage's lines would choose among them. No more than twice as many.
fn through_equals<T>(list: &[T], wanted: usize, worth: impl Fn(&T) -> f64) -> usize {
    let Some(last) = wanted.checked_sub(1).and_then(|last| list.get(last)) else {
        return wanted.min(list.len());
    };
    let least = worth(last) - EQUAL;
    let further = list[wanted..].iter().take(wanted);
    wanted + further.take_while(|next| worth(next) >= least).count()
}

/// The best of some sets, so many and their equals.
fn leading(sets: &[Weighed], wanted: usize) -> &[Weighed] {
    &sets[..through_equals(sets, wanted, |set| set.ln_weight)]
}

/// Sets kept for extension, by size of the set extended.
const PARENTS: [usize; MOST_TOGETHER - 1] = [20, 12, 6];

/// Sets this far (in the logarithm) below the best are not extended, nor made.
const REACH: f64 = 12.0;

/// The same for sets that are yet to be made, where the best explains what was read:
/// a set seldom comes up to its promise and hardly ever exceeds it.
const PROMISED: f64 = 8.0;

/// By how much (in the logarithm) a linear look may think too little of a
/// failure: where the best explains little, and where it explains what was read.
const LINEAR_SLACK: (f64, f64) = (10.0, 5.0);

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
    let (mut sets, shifts) = singles(scales);
    let responses = Responses::new(scales, shifts);
    sort(&mut sets);
    weigh_leaders_again(scales, &mut sets, ln_healthy);
    let mut weighed = vec![sets.len()];
    scales.find_overloads(&sets[..sets.len().min(PARENTS[0])]);
    let scales: &Scales<'_> = scales;
    let mut parents: Vec<Weighed> = sets.clone();
    let mut hopeless = Hopeless::new();
    let mut extended: BTreeSet<Vec<usize>> = BTreeSet::new();
    for size in 1..most_together.min(MOST_TOGETHER) {
        let best = sets
            .first()
            .map_or(ln_healthy, |s| s.ln_weight.max(ln_healthy));
        let poor = breadth <= 1 && scales.fits_poorly(best);
        let reach = REACH * if poor { 8.0 } else { 2.0 };
        if breadth <= 1 {
            let near = parents.partition_point(|p| p.ln_weight > best - reach);
            // Where all are far off, how far is no measure of which lacks just one failure more.
            let least = if poor {
                as_many(scales, PARENTS[size - 1])
            } else {
                0
            };
            let least = through_equals(&parents, least, |p| p.ln_weight);
            parents.truncate(near.max(least));
        }
        let floors = (best - REACH, best - reach);
        let (promised, slack) = if poor || breadth > 1 {
            (REACH, LINEAR_SLACK.0)
        } else {
            (PROMISED, LINEAR_SLACK.1)
        };
        let promise = (best - promised, slack);
        let kept = PARENTS[size - 1] * if poor { 2 } else { breadth.max(1) };
        let kept = through_equals(&parents, as_many(scales, kept), |p| p.ln_weight);
        parents.truncate(kept);
        extended.extend(parents.iter().map(|p| p.set.clone()));
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
        let mut tried = pairs_at_slips(scales, &sets, size - 1, (best, floors.0), &mut hopeless);
        if size == 1 && poor {
            tried.extend(pairs_looked_at(scales, &sets, floors.0));
        }
        for found in tried {
            if next.iter().all(|set| set.set != found.set) {
                next.push(found);
            }
        }
        sort(&mut next);
        let others = other_ways(scales, &next, (best - promised, poor), floors);
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
    if most_together > 1 && sets.first().is_some_and(|s| s.ln_weight > ln_healthy) {
        let best = sets[0].ln_weight;
        let floors = (best - REACH, best - 2.0 * REACH);
        let promise = (best - PROMISED, LINEAR_SLACK.1);
        let mut found = exchanged(scales, &sets, extended, &responses, promise, floors);
        sort(&mut found);
        weigh_leaders_again(scales, &mut found, best);
        for set in &found {
            if let Some(of_size) = weighed.get_mut(set.set.len() - 1) {
                *of_size += 1;
            }
        }
        sets.extend(found);
        sort(&mut sets);
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
    let count = leading(next, as_many(scales, LEADERS))
        .iter()
        .take_while(|s| s.ln_weight > top - LEADERS_REACH)
        .count();
    next[..count]
        .par_iter_mut()
        .for_each_init(Scratch::default, |scratch, set| {
            if let Some(again) = scales.weigh_set_again(set, scratch) {
                *set = again;
            }
        });
    // Only this needs them.
    for set in next.iter_mut() {
        set.peaks = Peaks::default();
    }
    sort(next);
}

/// A failure this far (in the logarithm) below the best under the first law is
/// not asked of the others: they differ by less where both hold at all.
const SECOND_LAW_REACH: f64 = 18.0;

/// Nor is one that makes no reading likelier than a healthy unit's, unless it is no further than this below the best.
const NEAR_BEST: f64 = 6.0;

/// By no more than this (in the logarithm) is a failure held to be likelier under a law that it is not asked under.
const MOST_MOVED: f64 = 2.0;

/// A failure followed in long steps is followed closely where the readings may become likelier
/// than a healthy unit's by this much (in the logarithm), its prior not counted ...
const EXPLAINS: f64 = 1.0;

/// ... and that is no further than this below the best found in long steps, its prior counted.
const CLOSER_REACH: f64 = 2.0 * REACH;

/// A failure as followed under the first law.
struct First {
    /// Kept where it may be followed more closely: it is large.
    followed: Option<Followed>,
    atoms: Vec<Atom>,
    shifts: Shifts,
    /// Logarithm of the likelihood that it may come up to.
    most: f64,
}

/// Weighs every failure alone. Beside the answers, the shifts that each failure gives.
fn singles(scales: &Scales<'_>) -> (Vec<Weighed>, Vec<Shifts>) {
    let laws = scales.model.laws();
    let ln_lead = scales.healthy[scales.lead].ln_likelihood;
    let explains = ln_lead + EXPLAINS;
    let mut first: Vec<First> = scales
        .failures
        .par_iter()
        .map_init(Scratch::default, |scratch, failure| {
            let followed = scales.follow(scales.lead, failure, failure.range.coarse(), scratch);
            let mut atoms = Vec::new();
            scales.sum_along(&followed, &mut atoms);
            let most = scales.promise(&followed);
            let is_coarse = failure.range != failure.range.coarse();
            First {
                shifts: scales.shifts(&followed),
                most,
                followed: (is_coarse && most > explains).then_some(followed),
                atoms,
            }
        })
        .collect();
    let alone = |first: &[First]| -> Vec<Option<f64>> {
        let found = first
            .iter()
            .enumerate()
            .map(|(index, first)| scales.gather(index, first.atoms.clone()));
        let whole = |w: Weighed| w.ln_weight + (laws as f64).ln();
        found.map(|found| found.map(whole)).collect()
    };
    let best_of = |found: &[Option<f64>]| found.iter().flatten().fold(ln_lead, |a, b| a.max(*b));
    let best = best_of(&alone(&first));
    first.par_iter_mut().zip(scales.failures).for_each_init(
        Scratch::default,
        |scratch, (first, failure)| {
            let least = best - CLOSER_REACH - failure.ln_odds;
            first.followed = first.followed.take().filter(|_| first.most > least);
            if let Some(followed) = &mut first.followed {
                scales.follow_closer(followed, failure, least, scratch);
                first.shifts = scales.shifts(followed);
                first.atoms.clear();
                scales.sum_along(followed, &mut first.atoms);
            }
        },
    );
    let under_first = alone(&first);
    let best = best_of(&under_first);
    let found: Vec<(Option<Weighed>, Shifts)> = first
        .into_par_iter()
        .enumerate()
        .map_init(Scratch::default, |scratch, (index, mut first)| {
            let failure = &scales.failures[index];
            let ln = under_first[index];
            // What the first law could not solve, another may.
            let reach = ln.map_or(f64::INFINITY, |ln| ln - best);
            if reach <= -SECOND_LAW_REACH {
                return (scales.gather(index, first.atoms), first.shifts);
            }
            let is_asked = first.most > explains || reach > -NEAR_BEST;
            let own = first.atoms.len();
            for (nth, law) in scales.laws().enumerate().skip(1) {
                if is_asked {
                    let mut followed = scales.follow(law, failure, failure.range.coarse(), scratch);
                    let least = best - CLOSER_REACH - failure.ln_odds;
                    if first.followed.is_some() {
                        scales.follow_closer(&mut followed, failure, least, scratch);
                    }
                    scales.sum_along(&followed, &mut first.atoms);
                } else {
                    // It is held to make as much of the healthy unit's likelihood as under the first;
                    // where that is nothing, what one law makes of nothing is no measure.
                    let moved = scales.healthy[law].ln_likelihood - ln_lead;
                    let moved = moved.min(MOST_MOVED);
                    first.atoms.extend_from_within(..own);
                    for atom in first.atoms.iter_mut().skip(nth * own) {
                        atom.ln_weight += moved;
                        atom.ln_value = f64::NEG_INFINITY;
                    }
                }
            }
            (scales.gather(index, first.atoms), first.shifts)
        })
        .collect();
    let (sets, responses): (Vec<Option<Weighed>>, Vec<Shifts>) = found.into_iter().unzip();
    (sets.into_iter().flatten().collect(), responses)
}

fn sort(sets: &mut [Weighed]) {
    sets.sort_by(|a, b| {
        b.ln_weight
            .total_cmp(&a.ln_weight)
            .then_with(|| a.set.cmp(&b.set))
    });
}
