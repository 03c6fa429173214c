//! Ways of the direct current: from a plate up to its supply line, from a cathode down to the chassis.

use crate::roles::Role;
use crate::wiring::Wiring;
use deadstage_netlist::Electrode;
use std::collections::{BTreeMap, BTreeSet};

/// A part on a way: the pin at which the way enters it and the one at which it leaves.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Step {
    pub(crate) part: usize,
    pub(crate) enter: usize,
    pub(crate) leave: usize,
}

/// A tube on the way counts as so many parts: it is gone through where nothing else leads on.
const TUBE: usize = 20;

/// The shortest way from a net to one of these roles, over parts that are free.
///
/// `through_tubes`: from a cathode to its plate too, as in a cascode.
pub(crate) fn way(
    wiring: &Wiring,
    roles: &[Role],
    from: usize,
    goals: &[Role],
    free: &dyn Fn(usize) -> bool,
    through_tubes: bool,
) -> Option<Vec<Step>> {
    let mut best: BTreeMap<usize, (usize, Option<Step>)> = BTreeMap::from([(from, (0, None))]);
    let mut front: BTreeSet<(usize, usize)> = BTreeSet::from([(0, from)]);
    while let Some((cost, net)) = front.pop_first() {
        if net != from && goals.contains(&roles[net]) {
            return Some(trace(wiring, &best, from, net));
        }
        if net != from && (roles[net] != Role::Signal || stops(wiring, net, through_tubes)) {
            continue;
        }
        for &(part, pin) in &wiring.on[net] {
            if !free(part) {
                continue;
            }
            for step in leads_on(wiring, part, pin, through_tubes) {
                let far = wiring.net(part, step.leave);
                let toll = if wiring.parts[part].is_device() {
                    TUBE
                } else {
                    1
                };
                let known = best.get(&far).map_or(usize::MAX, |&(known, _)| known);
                if cost + toll < known {
                    best.insert(far, (cost + toll, Some(step)));
                    front.insert((cost + toll, far));
                }
            }
        }
    }
    None
}

fn leads_on(wiring: &Wiring, part: usize, pin: usize, through_tubes: bool) -> Vec<Step> {
    let found = &wiring.parts[part];
    let step = |leave| Step {
        part,
        enter: pin,
        leave,
    };
    if found.is_device() {
        let is_cathode = found.pins[pin].electrode == Some(Electrode::Cathode);
        return match found.electrode(Electrode::Plate) {
            Some(plate) if is_cathode && through_tubes => vec![step(plate)],
            _ => Vec::new(),
        };
    }
    if found.conducts() && found.pins.len() == 2 {
        vec![step(1 - pin)]
    } else {
        Vec::new()
    }
}

/// Whether a way ends here: a tube's current joins.
fn stops(wiring: &Wiring, net: usize, through_tubes: bool) -> bool {
    wiring.on[net].iter().any(
        |&(part, pin)| match wiring.parts[part].pins[pin].electrode {
            Some(Electrode::Plate) => true,
            Some(Electrode::Cathode) => !through_tubes,
            _ => false,
        },
    )
}

fn trace(
    wiring: &Wiring,
    best: &BTreeMap<usize, (usize, Option<Step>)>,
    from: usize,
    to: usize,
) -> Vec<Step> {
    let mut steps = Vec::new();
    let mut net = to;
    while net != from {
        let Some((_, Some(step))) = best.get(&net) else {
            break;
        };
        steps.push(*step);
        net = wiring.net(step.part, step.enter);
    }
    steps.reverse();
    steps
}
