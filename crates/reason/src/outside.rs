//! Something that is not in the netlist: a stray path, miswiring, parts of
//! another value everywhere.
//!
//! Two models share its prior. A stray path of some ohms from one node to the
//! common, or to the highest supply, is solved like any failure. Where not
//! even that fits, any readings may be displaced to anywhere and the others
//! are a healthy unit's. Neither names a part.

use deadstage_circuit::Scratch;
use deadstage_parts::{Measure, Mode, ParameterPrior};
use rayon::prelude::*;

use crate::failure::{Action, Failure, Range};
use crate::likelihood::{Weights, ln_add, ln_sum};
use crate::reach::probe_nodes;
use crate::weigh::Scales;

/// Prior odds that something is wrong that is not in the netlist (common practice, no source).
const OUTSIDE_ODDS: f64 = 0.02;

/// Share of it that is a stray path.
const STRAY_SHARE: f64 = 0.5;

/// Of anything else, the probability that it moves any one reading.
const MOVES: f64 = 0.35;

/// Resistance of a stray path, ohms: from a solder bridge to a tracked board.
const STRAY_OHMS: (f64, f64) = (1.0, 1e6);

/// Stray paths are not tried on a stage of more nodes than this: there are too many.
const MOST_NODES: usize = 80;

/// Resistances at which a stray path is solved.
const STRAY_NODES: usize = 9;

/// Places named.
const MOST_NEAR: usize = 3;

/// What is found outside the netlist.
pub(crate) struct Outside {
    /// Logarithm of prior odds times evidence.
    pub(crate) ln_weight: f64,
    /// Where it must be near, likeliest first.
    pub(crate) near: Vec<String>,
}

/// Weighs what the netlist does not hold.
pub(crate) fn outside(scales: &Scales<'_>) -> Outside {
    let (ln_displaced, displaced) = displaced(scales);
    let stray = strays(scales);
    let ln_stray = ln_sum(stray.iter().map(|s| s.1)) - (stray.len().max(1) as f64).ln();
    let ln_weight = OUTSIDE_ODDS.ln()
        + ln_add(
            ln_displaced + (1.0 - STRAY_SHARE).ln(),
            ln_stray + STRAY_SHARE.ln(),
        );
    let mut near: Vec<String> = Vec::new();
    if ln_stray > ln_displaced {
        let mut order = stray;
        order.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
        near.extend(
            order
                .iter()
                .map(|(node, _)| scales.model.stage.nodes[*node].name.clone()),
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

/// By node, the logarithm of the evidence of a stray path there, for each path tried.
fn strays(scales: &Scales<'_>) -> Vec<(usize, f64)> {
    let nodes = probe_nodes(scales.model.stage);
    if nodes.len() > MOST_NODES {
        return Vec::new();
    }
    let supply = highest_node(scales);
    let paths: Vec<(usize, usize)> = nodes
        .iter()
        .map(|&n| (n, 0))
        .chain(nodes.iter().filter(|&&n| n != supply).map(|&n| (n, supply)))
        .collect();
    paths
        .par_iter()
        .map_init(Scratch::default, |scratch, &(node, to)| {
            (node, scales.ln_evidence_of(&stray(node, to), scratch))
        })
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
