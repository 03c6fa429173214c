//! Two or three circuits on the same feeds, the one driven by the other.

use super::KINDS;
use super::draft::{COMMON, Draft};

/// What stands between an output and the next input.
fn join(d: &mut Draft, from: &str, to: &str) {
    match d.count(0, 5) {
        0 => {
            d.part("link", "J", "", from, to);
        }
        1 => {
            let kind = d.pick(&super::types::REGULATORS);
            d.two_ended("regulator", &kind, from, to);
        }
        2 => {
            d.capacitor(from, to);
            d.leak(to, COMMON);
        }
        _ => {
            let ohms = d.between(1e3, 4.7e6);
            d.resistor(from, to, ohms);
        }
    }
}

pub(super) fn mixture(d: &mut Draft) {
    let count = d.count(2, 3);
    mix(d, count);
}

/// A whole chassis: as many circuits as a rack holds.
pub(super) fn chassis(d: &mut Draft) {
    let count = if d.chance(0.06) {
        d.count(20, 50)
    } else {
        d.count(4, 9)
    };
    mix(d, count);
}

fn mix(d: &mut Draft, count: usize) {
    for _ in 0..d.count(1, 2) {
        let volts = d.volts();
        d.rail(volts);
    }
    let mut driven_from: Option<String> = None;
    let kinds: Vec<_> = KINDS.iter().filter(|kind| !kind.is_mixture()).collect();
    for place in 0..count {
        d.at_place(&format!("c{place}."));
        let kind = d.pick(&kinds);
        (kind.draw)(d);
        let (outputs, inputs) = d.at_place("");
        if let (Some(from), Some(to)) = (&driven_from, inputs.first()) {
            join(d, from, to);
        }
        driven_from = outputs.last().cloned().or(driven_from);
        // Now and then an output of this circuit feeds back to an input of it.
        if let (Some(from), Some(to)) = (outputs.first(), inputs.last())
            && d.chance(0.15)
        {
            join(d, from, to);
        }
    }
}
