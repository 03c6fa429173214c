//! The netlist that a drawing shows: which pins its wires join, by their places alone.

use super::picture::{Picture, Spot};
use deadstage_netlist::{PartKind, Stage};
use petgraph::unionfind::UnionFind;
use std::collections::{BTreeMap, BTreeSet};

/// A terminal: the part (with its section of a bottle behind a dot) and the pin.
pub type Terminal = (String, String);

/// Terminals that are joined, as sets.
pub type Joined = BTreeSet<BTreeSet<Terminal>>;

/// What the picture joins: a wire's end on another wire joins them, a crossing does not, ends of one name do.
#[must_use]
pub fn joined(picture: &Picture) -> Joined {
    let wires = picture.wires.len();
    let pins: Vec<(Terminal, Spot)> = picture
        .symbols
        .iter()
        .flat_map(|symbol| {
            symbol
                .pins
                .iter()
                .map(|(pin, at)| ((symbol.name.clone(), pin.clone()), *at))
        })
        .collect();
    let ends = wires + pins.len();
    let mut sets = UnionFind::<usize>::new(ends + picture.ends.len());
    for (i, a) in picture.wires.iter().enumerate() {
        for (j, b) in picture.wires.iter().enumerate().skip(i + 1) {
            if a.holds(b.a) || a.holds(b.b) || b.holds(a.a) || b.holds(a.b) {
                sets.union(i, j);
            }
        }
    }
    let mut at: BTreeMap<Spot, usize> = BTreeMap::new();
    let spots = pins
        .iter()
        .map(|(_, spot)| *spot)
        .chain(picture.ends.iter().map(|end| end.at));
    for (index, spot) in spots.enumerate() {
        let index = wires + index;
        let first = *at.entry(spot).or_insert(index);
        sets.union(first, index);
        for (wire, piece) in picture.wires.iter().enumerate() {
            if piece.holds(spot) {
                sets.union(wire, index);
            }
        }
    }
    let mut named: BTreeMap<&str, usize> = BTreeMap::new();
    for (index, end) in picture.ends.iter().enumerate() {
        let first = *named.entry(&end.name).or_insert(ends + index);
        sets.union(first, ends + index);
    }
    let mut groups: BTreeMap<usize, BTreeSet<Terminal>> = BTreeMap::new();
    for (index, (terminal, _)) in pins.into_iter().enumerate() {
        let set = sets.find(wires + index);
        groups.entry(set).or_default().insert(terminal);
    }
    groups.into_values().collect()
}

/// What the netlist joins, of the parts that are kept.
#[must_use]
pub fn written(stage: &Stage, keep: &dyn Fn(usize) -> bool) -> Joined {
    let mut nets: BTreeMap<u32, BTreeSet<Terminal>> = BTreeMap::new();
    for (index, part) in stage.parts.iter().enumerate() {
        if !keep(index) {
            continue;
        }
        let name = match part.kind {
            PartKind::Tube {
                unit: Some(unit), ..
            } => format!("{}.{unit}", part.name),
            _ => part.name.clone(),
        };
        for (pin, node) in terminals(&part.kind) {
            nets.entry(node)
                .or_default()
                .insert((name.clone(), pin.to_owned()));
        }
    }
    nets.into_values().collect()
}

fn terminals(kind: &PartKind) -> Vec<(String, u32)> {
    match kind {
        PartKind::Tube { electrodes, .. } => electrodes
            .iter()
            .map(|(electrode, node)| (format!("{electrode:?}").to_lowercase(), node.0))
            .collect(),
        PartKind::Transistor {
            emitter,
            base,
            collector,
            ..
        } => vec![
            ("emitter".to_owned(), emitter.0),
            ("base".to_owned(), base.0),
            ("collector".to_owned(), collector.0),
        ],
        PartKind::Potentiometer {
            from, to, wiper, ..
        } => vec![
            ("from".to_owned(), from.0),
            ("to".to_owned(), to.0),
            ("wiper".to_owned(), wiper.0),
        ],
        _ => match kind.ends() {
            Some((from, to)) => vec![("from".to_owned(), from.0), ("to".to_owned(), to.0)],
            None => Vec::new(),
        },
    }
}

/// Spots where three or more ends meet without a dot, and dots where fewer do.
#[must_use]
pub fn wrong_dots(picture: &Picture) -> Vec<Spot> {
    let mut arms: BTreeMap<Spot, usize> = BTreeMap::new();
    let pins = picture.symbols.iter().flat_map(|symbol| {
        let own: BTreeSet<Spot> = symbol.pins.iter().map(|(_, at)| *at).collect();
        own
    });
    let spots: Vec<Spot> = pins.chain(picture.ends.iter().map(|end| end.at)).collect();
    for spot in &spots {
        *arms.entry(*spot).or_default() += 1;
    }
    for piece in &picture.wires {
        *arms.entry(piece.a).or_default() += 1;
        *arms.entry(piece.b).or_default() += 1;
    }
    let touched: Vec<Spot> = arms.keys().copied().collect();
    for spot in touched {
        for piece in &picture.wires {
            // Straight through: two arms.
            if piece.holds(spot) && piece.a != spot && piece.b != spot {
                *arms.entry(spot).or_default() += 2;
            }
        }
    }
    let dots: BTreeSet<Spot> = picture.joints.iter().copied().collect();
    let needed: BTreeSet<Spot> = arms
        .into_iter()
        .filter(|(_, count)| *count >= 3)
        .map(|(spot, _)| spot)
        .collect();
    needed.symmetric_difference(&dots).copied().collect()
}
