//! Supplies whose two ends are joined by what has next to no resistance.
//!
//! A wire, a fuse, a closed switch or a resting contact leads somewhere; one that leads from a
//! supply back to itself was mistaken in the wiring. The netlist is solved all the same: it may be
//! the unit as found. What a control setting closes is looked at in that setting.

use std::collections::VecDeque;

use deadstage_netlist::{Diagnostic, NodeId, Part, PartId, PartKind, SettingId, Stage};
use petgraph::unionfind::UnionFind;

/// Places named beside a finding, at most.
const MOST_NAMED: usize = 5;

/// A part between two nodes.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Join {
    pub(crate) part: PartId,
    pub(crate) from: NodeId,
    pub(crate) to: NodeId,
}

impl Join {
    fn of(part: PartId, kind: &PartKind) -> Option<Self> {
        let (from, to) = kind.ends()?;
        Some(Self { part, from, to })
    }
}

/// Adds a finding for every supply that is shorted in some setting.
pub(crate) fn shorted_supplies(stage: &Stage, findings: &mut Vec<Diagnostic>) {
    let parts = || (0u32..).map(PartId).zip(&stage.parts);
    let mut sources: Vec<Join> = parts()
        .filter(|(_, part)| is_source(part))
        .filter_map(|(id, part)| Join::of(id, &part.kind))
        .collect();
    let always: Vec<Join> = parts()
        .filter(|(_, part)| always_joins(part))
        .filter_map(|(id, part)| Join::of(id, &part.kind))
        .collect();
    let mut found: Vec<(PartId, Diagnostic)> = Vec::new();
    let mut look = |joins: &[Join], setting: Option<&str>| {
        let mut joined = UnionFind::<usize>::new(stage.nodes.len());
        for join in joins {
            joined.union(join.from.0 as usize, join.to.0 as usize);
        }
        sources.retain(|source| {
            let is_shorted = joined.equiv(source.from.0 as usize, source.to.0 as usize);
            if is_shorted {
                let by = path(stage.nodes.len(), joins, source.from, source.to);
                found.push((source.part, finding(stage, source.part, &by, setting)));
            }
            !is_shorted
        });
    };
    look(&always, None);
    for (id, name) in (0u32..).map(SettingId).zip(&stage.settings) {
        let closed = parts().filter(|(_, part)| is_closed_in(part, id));
        let closed: Vec<Join> = closed
            .filter_map(|(id, part)| Join::of(id, &part.kind))
            .collect();
        if !closed.is_empty() {
            look(&[&always[..], &closed].concat(), Some(name));
        }
    }
    found.sort_by_key(|(source, _)| *source);
    findings.extend(found.into_iter().map(|(_, finding)| finding));
}

fn is_source(part: &Part) -> bool {
    matches!(
        part.kind,
        PartKind::Supply { .. } | PartKind::Rectifier { .. }
    )
}

/// Whether a part joins its ends in every setting, with all relays at rest.
fn always_joins(part: &Part) -> bool {
    matches!(
        part.kind,
        PartKind::Link { .. }
            | PartKind::Fuse { .. }
            | PartKind::Contact {
                normally_open: false,
                ..
            }
    )
}

fn is_closed_in(part: &Part, setting: SettingId) -> bool {
    matches!(&part.kind, PartKind::Switch { closed_in, .. } if closed_in.contains(&setting))
}

fn finding(stage: &Stage, source: PartId, by: &[PartId], setting: Option<&str>) -> Diagnostic {
    let part = stage.part(source);
    let names: Vec<&str> = by
        .iter()
        .map(|&id| stage.part(id).name.as_str())
        .take(MOST_NAMED)
        .collect();
    let others = match by.len().saturating_sub(MOST_NAMED) {
        0 => String::new(),
        others => format!(" and {others} more"),
    };
    let when = setting.map_or_else(String::new, |name| format!(" in the setting {name}"));
    let message = format!(
        "{} is shorted by {}{others}{when}",
        part.name,
        names.join(", ")
    );
    let finding = Diagnostic::warning("shorted-supply", part.span, message)
        .label("both ends are joined without a load between them")
        .help("check where these parts are wired: each should lead from the supply to a load");
    by.iter().take(MOST_NAMED).fold(finding, |finding, &id| {
        finding.related(stage.part(id).span, "joins them")
    })
}

/// Parts of a shortest way from one node to another, in order; none if there is no way.
pub(crate) fn path(nodes: usize, joins: &[Join], from: NodeId, to: NodeId) -> Vec<PartId> {
    let mut at: Vec<Vec<(PartId, NodeId)>> = vec![Vec::new(); nodes];
    for join in joins {
        for (here, there) in [(join.from, join.to), (join.to, join.from)] {
            if let Some(list) = at.get_mut(here.0 as usize) {
                list.push((join.part, there));
            }
        }
    }
    let mut came_by: Vec<Option<(PartId, NodeId)>> = vec![None; nodes];
    let mut waiting = VecDeque::from([from]);
    while let Some(here) = waiting.pop_front() {
        if here == to {
            break;
        }
        for &(part, there) in at.get(here.0 as usize).into_iter().flatten() {
            if let Some(unseen @ None) = came_by.get_mut(there.0 as usize)
                && there != from
            {
                *unseen = Some((part, here));
                waiting.push_back(there);
            }
        }
    }
    let mut way = Vec::new();
    let mut here = to;
    while let Some(Some((part, before))) = came_by.get(here.0 as usize) {
        way.push(*part);
        here = *before;
    }
    way.reverse();
    way
}

#[cfg(test)]
mod tests {
    use super::*;
    use deadstage_netlist::{TubeNames, parse_stage};

    fn found(body: &str) -> Vec<Diagnostic> {
        let text = format!("stage \"x\"\nsettings run test\n{body}");
        let parsed = parse_stage("x", &text, &TubeNames::default(), &mut |_, _| {
            Err(String::new())
        });
        assert!(!parsed.has_errors(), "{:?}", parsed.diagnostics);
        let mut findings = Vec::new();
        shorted_supplies(&parsed.value, &mut findings);
        findings
    }

    fn messages(body: &str) -> Vec<String> {
        found(body).into_iter().map(|d| d.message).collect()
    }

    #[test]
    fn a_link_across_a_supply_is_named() {
        assert_eq!(
            messages(
                "supply B1 250V source 50 from bplus to chassis\nlink J1 from chassis to bplus\n"
            ),
            ["B1 is shorted by J1"]
        );
        assert_eq!(
            messages(
                "rectifier V1 silicon bridge 250V winding 50 input capacitor from bplus to chassis\nfuse F1 from chassis to bplus\n"
            ),
            ["V1 is shorted by F1"]
        );
    }

    #[test]
    fn the_whole_way_is_named_in_its_order() {
        let body = "supply B1 250V from bplus to chassis\nlink J1 from bplus to a\n\
            fuse F1 from b to a\nrelay K1 1k pulls-in 5mA from b to chassis\n\
            contact K1 from b to chassis normally closed\nlink J9 from a to c\n";
        let found = found(body);
        assert_eq!(found[0].message, "B1 is shorted by J1, F1, K1");
        assert_eq!(found[0].related.len(), 3);
        assert_eq!(found.len(), 1);
        let long: String = (0..7)
            .map(|n| format!("link J{n} from n{n} to n{}\n", n + 1))
            .collect();
        assert_eq!(
            messages(&format!("supply B1 9V from n0 to n7\n{long}")),
            ["B1 is shorted by J0, J1, J2, J3, J4 and 2 more"]
        );
    }

    #[test]
    fn a_switch_shorts_in_its_setting_only() {
        let body = "supply B1 250V from bplus to chassis\nlink J1 from bplus to a\n\
            switch S1 from a to b closed in run\nswitch S2 from a to chassis closed in test\n";
        assert_eq!(
            messages(body),
            ["B1 is shorted by J1, S2 in the setting test"]
        );
        // Two switches that are never closed together join nothing.
        let body = "supply B1 250V from bplus to chassis\nswitch S1 from bplus to b closed in run\n\
            switch S2 from b to chassis closed in test\n";
        assert_eq!(messages(body), Vec::<String>::new());
    }

    #[test]
    fn what_leads_to_a_load_is_no_short() {
        let body = "supply B1 250V from bplus to chassis\nfuse F1 from bplus to a\nlink J1 from a to b\n\
            resistor R1 0.1 from b to chassis\nrelay K1 1k pulls-in 5mA from b to chassis\n\
            contact K1 from a to chassis normally open\n";
        assert_eq!(messages(body), Vec::<String>::new());
    }
}
