//! Failures of everything that is no amplifying tube.

use deadstage_circuit::{ElementId, ElementRole, Network};
use deadstage_netlist::{PartId, PartKind, Stage};
use deadstage_parts::{FailureRow, Mode};

use super::{Action, Add, Rest, Tap};

/// Perveance that stands for a solid-state diode in a tube's place.
const SILICON_PERVEANCE: f64 = 300.0;

/// Of the opens of a winding's half, those at the tap and its lead, which open the other half
/// with it (common practice, no source).
const TAP_SHARE: f64 = 0.15;

/// The tap at which a winding meets another of its transformer, and whether it stands first of the two.
fn tap_of(stage: &Stage, network: &Network, id: PartId) -> Option<(Tap, bool)> {
    let PartKind::Winding {
        transformer: Some(transformer),
        from,
        to,
        ..
    } = stage.part(id).kind
    else {
        return None;
    };
    (0u32..)
        .map(PartId)
        .zip(&stage.parts)
        .find_map(|(other, part)| {
            let PartKind::Winding {
                transformer: Some(of),
                from: a,
                to: b,
                ..
            } = part.kind
            else {
                return None;
            };
            if of != transformer || other == id {
                return None;
            }
            let ends = match () {
                () if from == a => (to, b),
                () if from == b => (to, a),
                () if to == a => (from, b),
                () if to == b => (from, a),
                () => return None,
            };
            let half = |part| network.part(part).elements.first().copied();
            let tap = Tap {
                halves: [half(id)?, half(other)?],
                ends: [ends.0.0 as usize, ends.1.0 as usize],
            };
            (ends.0 != ends.1).then_some((tap, id < other))
        })
}

/// Share of stuck armatures that stay released: the published split of a relay, fails to trip
/// 0.55 against trips by itself 0.26 (MIL-HDBK-338B, from memory, high).
const RELEASED: f64 = 0.55 / (0.55 + 0.26);

/// The contacts of a relay, and whether each is open at rest.
fn contacts_of(network: &Network, id: PartId) -> Vec<(ElementId, bool)> {
    (0u32..)
        .map(ElementId)
        .zip(&network.elements)
        .filter_map(|(contact, element)| match element.role {
            ElementRole::Contact {
                relay,
                normally_open,
            } if relay == id => Some((contact, normally_open)),
            _ => None,
        })
        .collect()
}

/// Failures of everything that is no amplifying tube.
pub(super) fn part_failures(
    stage: &Stage,
    network: &Network,
    id: PartId,
    row: &FailureRow,
    add: &mut Add<'_>,
) {
    let part = stage.part(id);
    let model = network.part(id);
    let nominal = model.elements.first().map(|&e| network.element(e).ohms);
    let prior = row.prior_for(nominal);
    if let PartKind::Potentiometer { .. } = part.kind {
        let &[upper, lower, wiper] = model.elements.as_slice() else {
            return;
        };
        match row.mode {
            Mode::Open => {
                add(
                    0.5,
                    None,
                    Action::Ohms(vec![upper]),
                    Some("its track, at the first end"),
                    prior,
                );
                add(
                    0.5,
                    None,
                    Action::Ohms(vec![lower]),
                    Some("its track, at the second end"),
                    prior,
                );
            }
            Mode::PoorContact => add(
                1.0,
                None,
                Action::Series(wiper),
                Some("at the wiper"),
                prior,
            ),
            Mode::High | Mode::Low => {
                add(1.0, None, Action::Ratio(vec![upper, lower]), None, prior)
            }
            _ => {}
        }
        return;
    }
    if let (PartKind::Lamp { .. }, Some(device)) = (&part.kind, model.device) {
        if let (Mode::Open | Mode::PoorContact, Some(&element)) = (row.mode, model.elements.first())
        {
            add(1.0, None, Action::Filament(element, device), None, prior);
        }
        return;
    }
    if let Some(device) = model.device {
        let slot = network.device(device);
        match row.mode {
            Mode::Weak => add(1.0, None, Action::Perveance(vec![device]), None, prior),
            Mode::SideDead => add(1.0, None, Action::SideDead(device), None, prior),
            Mode::Dead | Mode::Open | Mode::NotFiring => {
                add(1.0, None, Action::Absent(vec![device]), None, prior);
            }
            Mode::SiliconInPlace => {
                add(
                    1.0,
                    None,
                    Action::FixedPerveance(vec![device], SILICON_PERVEANCE),
                    None,
                    prior,
                );
            }
            Mode::High | Mode::Low => add(1.0, None, Action::Volts(device), None, prior),
            Mode::PoorContact => add(1.0, None, Action::Pin(device, Some(0)), None, prior),
            Mode::Short | Mode::Leaky => {
                // Of a transistor, collector to emitter; of any other, across it.
                let port = slot.ports.last().copied().unwrap_or(0);
                add(1.0, None, Action::Shunt(port, slot.common), None, prior);
            }
            Mode::HeaterCathodeLeak => add(1.0, None, Action::Shunt(slot.common, 0), None, prior),
            _ => {}
        }
        return;
    }
    let Some(&element) = model.elements.first() else {
        return;
    };
    match (&part.kind, row.mode) {
        (PartKind::Supply { .. }, Mode::Dead) => {
            add(1.0, None, Action::SourceDead(element), None, prior)
        }
        (PartKind::Supply { .. }, _) => add(1.0, None, Action::SourceRatio(element), None, prior),
        (PartKind::Meter { .. }, Mode::Low | Mode::High) => {
            add(1.0, None, Action::Indication(id), None, prior);
        }
        (PartKind::Switch { .. } | PartKind::Contact { .. }, Mode::Stuck) => {
            for closed in [false, true] {
                add(0.5, None, Action::Stuck(element, closed), None, prior);
            }
        }
        (PartKind::Winding { .. }, Mode::Open) => match tap_of(stage, network, id) {
            Some((tap, first)) => {
                let own = 1.0 - TAP_SHARE;
                add(own, None, Action::Ohms(vec![element]), None, prior);
                // Said once, for both halves.
                if first {
                    add(2.0 * TAP_SHARE, None, Action::TapOpen(tap), None, prior);
                }
            }
            None => add(1.0, None, Action::Ohms(vec![element]), None, prior),
        },
        (PartKind::Relay { .. }, Mode::Stuck) => {
            let contacts = contacts_of(network, id);
            // Of one contact alone, the contact's own row is the same failure.
            if contacts.len() > 1 {
                for (rest, share) in [(Rest::Released, RELEASED), (Rest::PulledIn, 1.0 - RELEASED)]
                {
                    let held = contacts
                        .iter()
                        .map(|&(contact, open)| (contact, open == (rest == Rest::PulledIn)))
                        .collect();
                    add(share, None, Action::Armature(held, rest), None, prior);
                }
            }
        }
        (_, Mode::PoorContact) => add(1.0, None, Action::Series(element), None, prior),
        (_, Mode::High | Mode::Low) => add(1.0, None, Action::Ratio(vec![element]), None, prior),
        (_, Mode::Open | Mode::Short | Mode::Leaky) => {
            add(1.0, None, Action::Ohms(vec![element]), None, prior);
        }
        _ => {}
    }
}
