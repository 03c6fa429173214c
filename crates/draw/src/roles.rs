//! What each node is for, as far as that tells where it is drawn.
//!
//! A supply line, the chassis and a control line that many stages hang on are not drawn as
//! one wire: each pin gets a sign of its own, and what is left of the circuit is nearly a tree.

use crate::wiring::{COMMON, Glyph, Part, Wiring};
use deadstage_netlist::{Electrode, PartKind, Stage};
use std::collections::BTreeSet;

/// What a node is for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Role {
    Common,
    /// Above common, filtered or at a supply: drawn above.
    Rail,
    /// The same below common.
    Low,
    /// A line on which parts of several stages hang.
    Bus,
    Signal,
}

/// A node with so many farads to common is a filtered supply line: common practice, no source.
const FILTER_FARADS: f64 = 0.9e-6;

/// Resistances between a supply line and a filtered tap of a divider, at most.
const DIVIDER: usize = 3;

/// A line that so many stages hang on is drawn by its name.
const BUS_STAGES: usize = 3;

/// The role of each node of the stage. The wiring is that of the whole stage.
pub(crate) fn roles(stage: &Stage, wiring: &Wiring) -> Vec<Role> {
    let mut roles = vec![Role::Signal; wiring.names.len()];
    roles[COMMON] = Role::Common;
    for part in wiring.parts.iter().filter(|part| part.is_source()) {
        let (plus, minus) = (part.pins[0].net, part.pins[1].net);
        mark(&mut roles, plus, Role::Rail);
        mark(&mut roles, minus, Role::Low);
    }
    spread(stage, wiring, &mut roles);
    // A bias line behind its divider is one too, and what is fed from it.
    if behind_dividers(stage, wiring, &mut roles) {
        spread(stage, wiring, &mut roles);
    }
    for (net, role) in roles.iter_mut().enumerate() {
        if *role == Role::Signal && is_bus(stage, wiring, net) {
            *role = Role::Bus;
        }
    }
    roles
}

fn mark(roles: &mut [Role], net: usize, role: Role) {
    if roles[net] == Role::Signal {
        roles[net] = role;
    }
}

/// From the supplies through what passes them on, to nodes that are filtered or that nothing but
/// a switch, fuse or meter parts from one.
fn spread(stage: &Stage, wiring: &Wiring, roles: &mut [Role]) {
    let mut changed = true;
    while changed {
        changed = false;
        for part in &wiring.parts {
            if !part.conducts() || part.pins.len() != 2 {
                continue;
            }
            for (near, far) in [(0, 1), (1, 0)] {
                let (near, far) = (part.pins[near].net, part.pins[far].net);
                let role = roles[near];
                if !matches!(role, Role::Rail | Role::Low) || roles[far] != Role::Signal {
                    continue;
                }
                let passes = passes_on(part);
                let held =
                    is_filtered(stage, wiring, roles, far) || (passes && wiring.on[far].len() >= 3);
                if held && !has_electrode(wiring, far) {
                    roles[far] = role;
                    changed = true;
                }
            }
        }
    }
}

/// Filtered nodes a few resistances from a supply line, with nothing but resistances between.
fn behind_dividers(stage: &Stage, wiring: &Wiring, roles: &mut [Role]) -> bool {
    let mut found = false;
    let lines: Vec<usize> = (0..roles.len())
        .filter(|&net| matches!(roles[net], Role::Rail | Role::Low))
        .collect();
    for line in lines {
        let role = roles[line];
        let mut front = vec![line];
        let mut seen = vec![line];
        for _ in 0..DIVIDER {
            let mut next = Vec::new();
            for net in front {
                for part in wiring.parts_on(net) {
                    if wiring.parts[part].conducts() && !wiring.parts[part].is_source() {
                        next.extend(wiring.beyond(part, net));
                    }
                }
            }
            next.retain(|net| {
                roles[*net] == Role::Signal && !seen.contains(net) && !has_electrode(wiring, *net)
            });
            next.sort_unstable();
            next.dedup();
            seen.extend(&next);
            for &net in &next {
                if is_filtered(stage, wiring, roles, net) {
                    roles[net] = role;
                    found = true;
                }
            }
            front = next;
        }
    }
    found
}

fn passes_on(part: &Part) -> bool {
    matches!(
        part.glyph,
        Glyph::Fuse | Glyph::Link | Glyph::Switch { .. } | Glyph::Contact { .. } | Glyph::Meter
    )
}

/// Plate, grid or cathode: what is no supply line whatever hangs on it.
fn has_electrode(wiring: &Wiring, net: usize) -> bool {
    wiring.on[net].iter().any(|&(part, pin)| {
        matches!(
            wiring.parts[part].pins[pin].electrode,
            Some(Electrode::Plate | Electrode::Grid | Electrode::Cathode | Electrode::Grid3)
        )
    })
}

fn is_filtered(stage: &Stage, wiring: &Wiring, roles: &[Role], net: usize) -> bool {
    wiring.on[net].iter().any(|&(part, pin)| {
        let part = &wiring.parts[part];
        let ground = |net: usize| matches!(roles[net], Role::Common | Role::Low);
        match &stage.part(part.id).kind {
            PartKind::Capacitor { farads, .. } => {
                farads.0 >= FILTER_FARADS && ground(part.pins[1 - pin].net)
            }
            PartKind::Regulator { .. } => part.pins[1 - pin].net == COMMON,
            _ => false,
        }
    })
}

/// Whether parts of several stages meet here, and nothing else.
fn is_bus(stage: &Stage, wiring: &Wiring, net: usize) -> bool {
    if wiring.on[net].len() <= BUS_STAGES {
        return false;
    }
    let plate_or_grid = wiring.on[net].iter().any(|&(part, pin)| {
        matches!(
            wiring.parts[part].pins[pin].electrode,
            Some(Electrode::Plate | Electrode::Grid | Electrode::Grid3)
        )
    });
    if plate_or_grid {
        return false;
    }
    let mut stages = BTreeSet::new();
    for part in wiring.parts_on(net) {
        if wiring.parts[part].is_device() {
            stages.insert(part);
        }
        for far in wiring.beyond(part, net) {
            if far == COMMON {
                continue;
            }
            let devices = wiring.on[far].iter().map(|&(part, _)| part);
            stages.extend(
                devices
                    .filter(|&part| wiring.parts[part].is_device())
                    .take(1),
            );
        }
    }
    let sections: BTreeSet<_> = wiring
        .parts_on(net)
        .into_iter()
        .filter_map(|part| stage.part(wiring.parts[part].id).section)
        .collect();
    stages.len() >= BUS_STAGES || sections.len() >= BUS_STAGES
}
