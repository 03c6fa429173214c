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
    for _ in 0..d.count(1, 2) {
        let volts = d.volts();
        d.rail(volts);
    }
    let mut driven_from: Option<String> = None;
    let count = d.count(2, 3);
    for place in ["a.", "b.", "c."].iter().take(count) {
        d.at_place(place);
        let kinds: Vec<_> = KINDS.iter().filter(|kind| !kind.is_mixture()).collect();
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
