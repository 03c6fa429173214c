//! The leading sets with one part failed in another way.
//!
//! A part that is open where it should be high fits too ill to be found by what it leaves: so every
//! member of a leading set is tried with the other failures of its part, the other members as they are.
//! What such a set promises is seen without solving the meters' loads and without
//! moving the others: these are uncertain by as much as they may give way.

use std::collections::{BTreeMap, BTreeSet};

use deadstage_circuit::Scratch;
use rayon::prelude::*;

use super::propose::slopes;
use super::shares::Shares;
use crate::likelihood::Weights;
use crate::model::{Held, Starts, Wanted};
use crate::weigh::{Scales, Weighed};

/// Sets whose parts are tried with their other ways to fail.
const TRIED: usize = 6;

/// Points of another way's range that are tried.
const NODES: usize = 5;

/// By how much (in the logarithm) a set may come out likelier than it looks, where some set explains what was read.
const SLACK: f64 = 12.0;

/// The leading sets, of a weight above `least`, with one member failing in another way; `poor`: none explains what was read. Those
/// that under the first law stay below the first of `floors` are not asked of the other.
pub(super) fn other_ways(
    scales: &Scales<'_>,
    sets: &[Weighed],
    (least, poor): (f64, bool),
    floors: (f64, f64),
) -> Vec<Weighed> {
    let known: BTreeSet<&[usize]> = sets.iter().map(|s| s.set.as_slice()).collect();
    let leaders: Vec<&Weighed> = super::leading(sets, TRIED)
        .iter()
        .take_while(|s| s.ln_weight > least)
        .collect();
    let looked: Vec<Vec<Look>> = leaders
        .par_iter()
        .map_init(Scratch::default, |scratch, leader| {
            let is_known = |set: &[usize]| known.contains(set);
            looks(scales, leader, is_known, scratch).unwrap_or_default()
        })
        .collect();
    let mut wanted: BTreeMap<Vec<usize>, (f64, Vec<f64>)> = BTreeMap::new();
    for look in looked.into_iter().flatten() {
        let best = wanted
            .entry(look.set)
            .or_insert((f64::NEG_INFINITY, Vec::new()));
        if look.promise > best.0 {
            *best = (look.promise, look.sizes);
        }
    }
    // Where nothing fits yet a look tells little of what better sizes come to.
    if !poor {
        wanted.retain(|_, (promise, _)| *promise > least - SLACK);
    }
    wanted
        .par_iter()
        .map_init(Scratch::default, |scratch, (set, (_, start))| {
            scales.weigh_set(set, std::slice::from_ref(start), floors, scratch)
        })
        .flatten()
        .collect()
}

/// A set as it looks, at sizes to start from.
struct Look {
    set: Vec<usize>,
    sizes: Vec<f64>,
    /// Logarithm of the weight that it may come to.
    promise: f64,
}

/// One leading set with each member failing in other ways, each at the size that looks best.
fn looks(
    scales: &Scales<'_>,
    leader: &Weighed,
    is_known: impl Fn(&[usize]) -> bool,
    scratch: &mut Scratch,
) -> Option<Vec<Look>> {
    let stage = scales.model.stage;
    let others: Vec<(usize, usize)> = leader
        .set
        .iter()
        .enumerate()
        .flat_map(|(k, &member)| {
            let part = scales.failures[member].part;
            let same = move |&(index, failure): &(usize, &crate::failure::Failure)| {
                index != member && failure.part == part
            };
            let ways = scales.failures.iter().enumerate().filter(same);
            ways.map(move |(index, _)| (k, index))
        })
        .filter(|&(k, index)| {
            let mut rest = leader.set.iter().enumerate().filter(|(at, _)| *at != k);
            rest.all(|(_, &i)| scales.failures[index].goes_with(&scales.failures[i], stage))
        })
        .filter(|&(k, index)| !is_known(&replaced(leader, k, index, 0.0).0))
        .collect();
    if others.is_empty() {
        return Some(Vec::new());
    }
    let mut starts = scales.healthy[leader.law].starts.clone();
    let held = scales.held(&leader.set, &leader.best);
    let (law, list) = (leader.law, scales.observations);
    let forecast = scales
        .model
        .forecast(
            law,
            &held,
            list,
            Wanted::Weights(list.len()),
            &mut starts,
            scratch,
        )
        .ok()?;
    let slopes: Vec<Option<Vec<f64>>> =
        slopes(scales, leader, &held, &forecast.mean, &starts, scratch);
    let neighbours = Neighbours::new(scales, law, &held, &forecast.mean, starts, scratch)?;
    let mut found = Vec::new();
    for (k, index) in others {
        let of_others = slopes.iter().enumerate().filter(|(at, _)| *at != k);
        let of_others: Vec<Vec<f64>> = of_others.filter_map(|(_, s)| s.clone()).collect();
        let weights = Weights::new(&forecast, scales.evidence, &of_others)?;
        let range = scales.failures[index].range;
        let count = range.nodes.min(NODES);
        let best = (0..count)
            .filter_map(|node| {
                let u = range.low + range.width() * (node as f64 + 0.5) / count as f64;
                let mut held = held.clone();
                held[k] = (&scales.failures[index], u);
                let mean = neighbours.loaded(&held, scratch)?;
                Some((weights.ln_likelihood(&mean, scales.evidence), u))
            })
            .max_by(|a, b| a.0.total_cmp(&b.0));
        if let Some((ln_likelihood, u)) = best {
            let (set, sizes) = replaced(leader, k, index, u);
            found.push(Look {
                promise: ln_likelihood + scales.ln_prior(&set),
                set,
                sizes,
            });
        }
    }
    Some(found)
}

/// A set with another failure in one member's place, and their sizes.
fn replaced(leader: &Weighed, k: usize, index: usize, u: f64) -> (Vec<usize>, Vec<f64>) {
    let members = leader.set.iter().copied().zip(leader.best.iter().copied());
    let mut members: Vec<(usize, f64)> = members.collect();
    members[k] = (index, u);
    members.sort_by_key(|member| member.0);
    members.into_iter().unzip()
}

/// What neighbours of a known set read, by the meters' shares beside that set.
struct Neighbours<'s> {
    scales: &'s Scales<'s>,
    law: usize,
    shares: Shares,
    starts: Starts,
}

impl<'s> Neighbours<'s> {
    fn new(
        scales: &'s Scales<'s>,
        law: usize,
        held: &[Held<'s>],
        mean: &[f64],
        starts: Starts,
        scratch: &mut Scratch,
    ) -> Option<Self> {
        let mut this = Self {
            scales,
            law,
            shares: Shares::new(scales.observations),
            starts,
        };
        let bare = this.bare(held, scratch)?;
        this.shares.know(mean, &bare);
        Some(this)
    }

    fn bare(&self, held: &[Held<'_>], scratch: &mut Scratch) -> Option<Vec<f64>> {
        let (list, mut starts) = (self.shares.bare(), self.starts.clone());
        let model = self.scales.model;
        let found = model.forecast(self.law, held, list, Wanted::Means, &mut starts, scratch);
        Some(found.ok()?.mean)
    }

    fn loaded(&self, held: &[Held<'_>], scratch: &mut Scratch) -> Option<Vec<f64>> {
        let bare = self.bare(held, scratch)?;
        Some(self.shares.loaded(&bare).collect())
    }
}
