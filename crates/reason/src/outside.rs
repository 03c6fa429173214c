//! Something that is not in the netlist: a stray path, miswiring, parts of
//! another value everywhere.
//!
//! Two models share its prior. A stray path of some ohms between two nodes that
//! nothing joins is solved like any failure. Where not
//! even that fits, any readings may be displaced to anywhere and the others
//! are a healthy unit's. Neither names a part.

use std::collections::BTreeSet;

use deadstage_circuit::Scratch;
use deadstage_parts::{Measure, Mode, ParameterPrior};
use rayon::prelude::*;

use crate::failure::{Action, Failure, Range};
use crate::likelihood::{Weights, ln_add, ln_sum};
use crate::live::live_nodes;
use crate::reach::probe_nodes;
use crate::sheets::Stretch;
use crate::weigh::{Followed, Scales};

/// Prior odds that something is wrong that is not in the netlist: on an old unit that others have
/// had open about one in nine (common practice, no source).
const OUTSIDE_ODDS: f64 = 0.12;

/// Share of it that is a stray path.
const STRAY_SHARE: f64 = 0.5;

/// Of anything else, the probability that it moves any one reading.
const MOVES: f64 = 0.35;

/// Resistance of a stray path, ohms: from a solder bridge to a tracked board.
const STRAY_OHMS: (f64, f64) = (1.0, 1e6);

/// Stray paths are not tried on a stage of more nodes than this: there are too many.
const MOST_NODES: usize = 80;

/// Nor are those of more nodes than this asked how many of them are live.
const MOST_LOOKED_AT: usize = 5 * MOST_NODES;

/// On a stage of so many nodes at most, a path between any two of them is tried.
const ALL_PAIRS: usize = 26;

/// Resistances at which a stray path is solved first.
const STRAY_NODES: usize = 3;

/// Steps to each of these where the path may come to something, and to each of those of the best paths.
const CLOSER_STEPS: (usize, usize) = (4, 3);

/// Paths that are followed in these smaller steps.
const MOST_CLOSER: usize = 8;

/// A path that can't come up to this much (in the logarithm) below all else is not followed closely.
const NOTHING: f64 = 7.0;

/// Places named.
const MOST_NEAR: usize = 3;

/// What is found outside the netlist.
pub(crate) struct Outside {
    /// Logarithm of prior odds times evidence.
    pub(crate) ln_weight: f64,
    /// Where it must be near, likeliest first.
    pub(crate) near: Vec<String>,
}

/// Weighs what the netlist does not hold; `ln_rest` is the weight of all else.
pub(crate) fn outside(scales: &Scales<'_>, ln_rest: f64) -> Outside {
    let (ln_displaced, displaced) = displaced(scales);
    let stray = strays(scales, ln_rest);
    let ln_stray = ln_sum(stray.iter().map(|s| s.1)) - (stray.len().max(1) as f64).ln();
    let ln_weight = OUTSIDE_ODDS.ln()
        + ln_add(
            ln_displaced + (1.0 - STRAY_SHARE).ln(),
            ln_stray + STRAY_SHARE.ln(),
        );
    let mut near: Vec<String> = Vec::new();
    if ln_stray > ln_displaced {
        let name = |node: usize| scales.model.stage.nodes[node].name.clone();
        near.extend(
            stray
                .iter()
                .flat_map(|&((from, to), _)| [from, to])
                .filter(|node| *node != 0)
                .map(name),
        );
    } else {
        near.extend(
            displaced
                .iter()
                .map(|&i| scales.observations[i].label.clone()),
        );
    }
    let mut seen = Vec::new();
    near.retain(|name| {
        !seen.contains(name) && {
            seen.push(name.clone());
            true
        }
    });
    near.truncate(MOST_NEAR);
    Outside { ln_weight, near }
}

/// Evidence of displaced readings, and which they are, worst first.
fn displaced(scales: &Scales<'_>) -> (f64, Vec<usize>) {
    let mut total = f64::NEG_INFINITY;
    let mut which = Vec::new();
    for healthy in &scales.healthy {
        let Some(weights) = Weights::new(&healthy.forecast, scales.evidence, &[]) else {
            continue;
        };
        let (ln, found) = weights.ln_displaced(&healthy.forecast.mean, scales.evidence, MOVES);
        if ln > total {
            which = found;
        }
        total = ln_add(total, ln);
    }
    (total - (scales.healthy.len().max(1) as f64).ln(), which)
}

/// Places and the logarithm of the evidence of a stray path there, for each path tried.
fn strays(scales: &Scales<'_>, ln_rest: f64) -> Vec<((usize, usize), f64)> {
    let stage = scales.model.stage;
    if probe_nodes(stage).len() > MOST_LOOKED_AT {
        return Vec::new();
    }
    let live = live_nodes(stage);
    let mut probes = probe_nodes(stage);
    probes.retain(|&node| live[node]);
    if probes.len() > MOST_NODES {
        return Vec::new();
    }
    let paths = paths(scales, &live, probes);
    let ln_share = (OUTSIDE_ODDS * STRAY_SHARE / paths.len().max(1) as f64).ln();
    let least = ln_rest - NOTHING - ln_share;
    let mut found: Vec<Stray> = paths
        .into_par_iter()
        .map_init(Scratch::default, |scratch, (from, to)| {
            let stray = stray(from, to);
            let mut followed = scales.follow(scales.lead, &stray, stray.range, scratch);
            if scales.promise(&followed) > least {
                scales.follow_in_steps(&mut followed, &stray, CLOSER_STEPS.0, least, scratch);
            }
            let ln_evidence = scales.ln_evidence_along(&followed);
            let is_worth = scales.promise(&followed) > least;
            Stray {
                ends: (from, to),
                ln_evidence,
                followed: is_worth.then_some(followed),
            }
        })
        .collect();
    found.sort_by(|a, b| {
        let by_evidence = b.ln_evidence.total_cmp(&a.ln_evidence);
        by_evidence.then(a.ends.cmp(&b.ends))
    });
    // A path that fits is felt sharply: the best are followed in smaller steps.
    found
        .par_iter_mut()
        .take(MOST_CLOSER)
        .for_each_init(Scratch::default, |scratch, path| {
            if let Some(followed) = &mut path.followed {
                let stray = stray(path.ends.0, path.ends.1);
                scales.follow_in_steps(followed, &stray, CLOSER_STEPS.1, least, scratch);
                path.ln_evidence = scales.ln_evidence_along(followed);
            }
        });
    found
        .into_iter()
        .map(|path| (path.ends, path.ln_evidence))
        .collect()
}

/// A stray path that was tried.
struct Stray {
    ends: (usize, usize),
    ln_evidence: f64,
    /// Kept where it may come to something.
    followed: Option<Followed>,
}

/// Pairs of nodes that a stray path is tried between: on a stage, any that no
/// two-terminal part joins; where there are many nodes, each of the points within
/// reach (`probes`) with the common and with the highest supply. All of them between live nodes: what carries no
/// current has no part in what a path does.
fn paths(scales: &Scales<'_>, live: &[bool], probes: Vec<usize>) -> Vec<(usize, usize)> {
    let stage = scales.model.stage;
    let joined: BTreeSet<(usize, usize)> = stage
        .parts
        .iter()
        .filter_map(|part| part.kind.ends())
        .flat_map(|(a, b)| [(a.0 as usize, b.0 as usize), (b.0 as usize, a.0 as usize)])
        .collect();
    let nodes: Vec<usize> = (0..stage.nodes.len()).filter(|&node| live[node]).collect();
    if nodes.len() <= ALL_PAIRS {
        let pairs = nodes.iter().enumerate();
        return pairs
            .flat_map(|(at, &from)| nodes[..at].iter().map(move |&to| (from, to)))
            .filter(|path| !joined.contains(path))
            .collect();
    }
    let supply = highest_node(scales);
    probes
        .into_iter()
        .flat_map(|node| [(node, 0), (node, supply)])
        .filter(|&(from, to)| from != to && !joined.contains(&(from, to)))
        .collect()
}

fn stray(from: usize, to: usize) -> Failure {
    let prior = ParameterPrior::LogUniform {
        low: STRAY_OHMS.0,
        high: STRAY_OHMS.1,
        measure: Measure::Ohms,
    };
    Failure {
        part: deadstage_netlist::PartId(0),
        section: None,
        mode: Mode::Leaky,
        ln_odds: 0.0,
        range: Range {
            nodes: STRAY_NODES,
            ..Range::of(prior, Mode::Leaky)
        },
        action: Action::Shunt(from, to),
        place: None,
        stretch: Stretch::ALWAYS,
        chokes: None,
    }
}

/// The node of the highest voltage when healthy: the likeliest to touch something.
fn highest_node(scales: &Scales<'_>) -> usize {
    let mut scratch = Scratch::default();
    let base = scales.model.bases[0].iter().find(|b| b.situation().power);
    let Some(point) = base.and_then(|b| b.solve(&[], None, &mut scratch).ok()) else {
        return 0;
    };
    (1..scales.model.stage.nodes.len())
        .max_by(|&a, &b| {
            point
                .node_volts(a)
                .abs()
                .total_cmp(&point.node_volts(b).abs())
        })
        .unwrap_or(0)
}
