//! What is odd about a stage as a text, though each statement by itself is sound.

use std::collections::{HashMap, HashSet};

use crate::diagnostic::Diagnostic;
use crate::findings::Findings;
use crate::names::fold;
use crate::span::Span;
use crate::stage::{Node, NodeId, PartKind, SettingId, Stage};

/// Settings other than the default that nothing switches or expects.
pub(crate) fn unused_settings(
    stage: &Stage,
    spans: &[Span],
    tainted: &HashSet<String>,
    sink: &mut Findings,
) {
    // A name that could not be made out may well have been meant for the one unused.
    if sink.has("unknown-setting") {
        return;
    }
    let mut used = HashSet::new();
    for part in &stage.parts {
        if let PartKind::Switch { closed_in, .. } = &part.kind {
            used.extend(closed_in.iter().copied());
        }
    }
    used.extend(stage.expects.iter().filter_map(|expect| expect.setting));
    for ((id, name), &span) in (0u32..).zip(&stage.settings).zip(spans) {
        // The first is the position in which every switch may rest open.
        if id == 0 || used.contains(&SettingId(id)) || tainted.contains(&fold(name)) {
            continue;
        }
        sink.push(
            Diagnostic::warning(
                "unused-setting",
                span,
                format!("the setting `{name}` is never used"),
            )
            .label("no switch is closed in it")
            .help(format!("give a switch `closed in {name}`, or leave it out")),
        );
    }
}

/// Longest name looked at: a slip of the finger is seen in names people type.
const LONGEST: usize = 48;

/// Fewest letters of a name that tells a thing: `a1` beside `b1` is no slip.
const FEWEST_LETTERS: usize = 3;

/// Names a slip apart that share one variant are counted up to this many.
const CROWD: usize = 32;

/// Nodes with one connection whose name is one slip from another node's:
/// most likely the two are one. Names that differ in their digits only are a
/// numbering and not a slip.
pub(crate) fn near_misses(stage: &Stage, tainted: &HashSet<String>, sink: &mut Findings) {
    let mut connections = vec![0u32; stage.nodes.len()];
    for part in &stage.parts {
        for NodeId(node) in part.kind.terminals() {
            if let Some(count) = connections.get_mut(node as usize) {
                *count += 1;
            }
        }
    }
    let is_lonely = |at: usize, node: &Node| {
        connections.get(at) == Some(&1) && !tainted.contains(&fold(&node.name))
    };
    let lonely: Vec<(usize, &Node)> = stage
        .nodes
        .iter()
        .enumerate()
        .skip(1)
        .filter(|&(at, node)| is_lonely(at, node))
        .collect();
    // Two names one slip apart become alike when one letter is left out of
    // each, so a look-up of such variants finds them without comparing all pairs.
    // Only those of names in question are kept: most files have next to none.
    let mut variants: HashMap<String, Vec<usize>> = lonely
        .iter()
        .flat_map(|(_, node)| less_one_letter(&node.name))
        .map(|variant| (variant, Vec::new()))
        .collect();
    if variants.is_empty() {
        return;
    }
    for (at, node) in stage.nodes.iter().enumerate() {
        for variant in less_one_letter(&node.name) {
            if let Some(crowd) = variants.get_mut(&variant)
                && crowd.len() < CROWD
                && crowd.last() != Some(&at)
            {
                crowd.push(at);
            }
        }
    }
    for (at, node) in lonely {
        let mut others: Vec<usize> = less_one_letter(&node.name)
            .iter()
            .filter_map(|variant| variants.get(variant))
            .flatten()
            .copied()
            .filter(|&other| other != at && connections.get(other).is_some_and(|&n| n > 0))
            .collect();
        others.sort_unstable();
        others.dedup();
        let meant = others
            .into_iter()
            .filter_map(|other| stage.nodes.get(other))
            .find(|other| {
                let (a, b) = (letters(&node.name), letters(&other.name));
                a != b
                    && a.chars().count().min(b.chars().count()) >= FEWEST_LETTERS
                    && crate::nearest::slips_between(&node.name, &other.name, 1).is_some()
            });
        if let Some(meant) = meant {
            sink.push(
                Diagnostic::warning(
                    "node-near-miss",
                    node.span,
                    format!(
                        "node `{}` has one connection, and its name is one slip from `{}`",
                        node.name, meant.name
                    ),
                )
                .label("one connection")
                .related(meant.span, "the other node")
                .did_you_mean(Some(&meant.name)),
            );
        }
    }
}

/// The name itself and with each of its letters left out, folded.
fn less_one_letter(name: &str) -> Vec<String> {
    let folded: Vec<char> = fold(name).chars().collect();
    if folded.len() > LONGEST || folded.len() < 3 {
        return Vec::new();
    }
    let mut out = vec![folded.iter().collect()];
    for skip in 0..folded.len() {
        let rest = folded.iter().enumerate().filter(|(at, _)| *at != skip);
        out.push(rest.map(|(_, c)| c).collect());
    }
    out
}

/// A name without its digits.
fn letters(name: &str) -> String {
    fold(name).chars().filter(|c| !c.is_numeric()).collect()
}
