//! Diodes, rectifiers and gas regulators with one another: in series, against each
//! other, in bridges and rings, as gates and as steps; supplies on supplies.

use super::draft::{COMMON, Draft};
use super::types::{DIODES, REGULATORS, TwoEnded};

/// A `diode` or a `regulator`, as a statement's keyword and type.
fn any(d: &mut Draft) -> (&'static str, TwoEnded) {
    if d.chance(0.3) {
        ("regulator", d.pick(&REGULATORS))
    } else {
        ("diode", d.pick(&DIODES))
    }
}

/// A dropper to a feed that passes about what the types take.
fn dropper(d: &mut Draft, feed: &str, to: &str, volts: f64, most_amps: f64) {
    let amps = most_amps * d.between(0.01, 1.0);
    d.resistor(feed, to, (volts / amps).max(50.0));
}

pub(super) fn in_series(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    for string in 0..d.count(1, 3) {
        let top = format!("top{string}");
        let count = d.count(2, 5);
        let alike = d.chance(0.3);
        let one = any(d);
        let mut least = f64::INFINITY;
        for place in 0..count {
            let (keyword, kind) = if alike { one.clone() } else { any(d) };
            least = least.min(kind.most_amps);
            let from = if place == 0 {
                top.clone()
            } else {
                format!("s{string}.{place}")
            };
            let to = if place + 1 == count {
                COMMON.to_owned()
            } else {
                format!("s{string}.{}", place + 1)
            };
            // Some the wrong way round, so that a node hangs between two that block.
            let (from, to) = if d.chance(0.25) {
                (to, from)
            } else {
                (from, to)
            };
            d.two_ended(keyword, &kind, &from, &to);
            if d.chance(0.1) {
                d.leak(&from, COMMON);
            }
        }
        dropper(d, &feed, &top, volts, least);
        d.output(&top);
    }
}

pub(super) fn antiparallel(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    for pair in 0..d.count(1, 3) {
        let (one, other) = (format!("a{pair}"), format!("b{pair}"));
        let (first, second) = (any(d), any(d));
        dropper(
            d,
            &feed,
            &one,
            volts,
            first.1.most_amps.min(second.1.most_amps),
        );
        d.two_ended(first.0, &first.1, &one, &other);
        d.two_ended(second.0, &second.1, &other, &one);
        if d.chance(0.2) {
            let third = any(d);
            d.two_ended(third.0, &third.1, &one, &other);
        }
        match d.count(0, 3) {
            0 => {
                let last = any(d);
                d.two_ended(last.0, &last.1, &other, COMMON);
            }
            1 => {
                let minus = d.bias(volts);
                d.resistor(&other, &minus, 10e3);
            }
            2 => {
                d.part("link", "J", "", &other, COMMON);
            }
            _ => d.resistor(&other, COMMON, 1000.0),
        }
        d.output(&one);
    }
}

/// Four diodes between two ends that alternate and two that do not.
pub(super) fn bridge(d: &mut Draft) {
    let volts = d.volts();
    let alike = d.chance(0.6);
    let kind = d.pick(&DIODES);
    let place = |d: &mut Draft, from: &str, to: &str| {
        let kind = if alike { kind.clone() } else { d.pick(&DIODES) };
        d.two_ended("diode", &kind, from, to);
    };
    let (one, other) = match d.count(0, 2) {
        // One end at the common.
        0 => {
            let feed = d.feed(volts);
            d.resistor(&feed, "one", 2000.0);
            ("one", COMMON)
        }
        // A supply of its own that nothing ties.
        1 => {
            let ohms = d.between(10.0, 5000.0).round();
            let (from, to) = d.pick(&[("one", "other"), ("other", "one")]);
            d.part("supply", "B", &format!("{volts}V source {ohms}"), from, to);
            ("one", "other")
        }
        _ => {
            let feed = d.feed(volts);
            d.resistor(&feed, "one", 10e3);
            d.resistor("other", COMMON, 10e3);
            ("one", "other")
        }
    };
    place(d, one, "plus");
    place(d, other, "plus");
    place(d, "minus", one);
    place(d, "minus", other);
    match d.count(0, 3) {
        0 => {
            d.part("meter", "M", "1mA 100", "plus", "m");
            let ohms = volts / 1e-3 * d.between(0.3, 3.0);
            d.resistor("m", "minus", ohms);
        }
        1 => {
            d.capacitor("plus", "minus");
            d.resistor("plus", "minus", 22e3);
        }
        2 => {
            let reg = d.pick(&REGULATORS);
            d.resistor("plus", "reg", 4.7e3);
            d.two_ended("regulator", &reg, "reg", "minus");
        }
        _ => d.resistor("plus", "minus", 4.7e3),
    }
    if other != COMMON && d.chance(0.6) {
        d.resistor("minus", COMMON, 100.0);
    }
    d.output("plus");
}

/// Four diodes head to tail, as a modulator or a sampling gate has them.
pub(super) fn ring(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let kind = d.pick(&DIODES);
    let corners = ["n", "e", "s", "w"];
    for (place, from) in corners.iter().enumerate() {
        let to = corners[(place + 1) % 4];
        // A gate has two and two instead.
        let (from, to) = if d.chance(0.2) {
            (to, *from)
        } else {
            (*from, to)
        };
        d.two_ended("diode", &kind, from, to);
    }
    let ohms = d.between(1e3, 470e3);
    d.resistor(&feed, "n", ohms);
    if d.chance(0.7) {
        let minus = d.bias(volts);
        d.resistor("s", &minus, ohms);
    } else {
        d.resistor("s", COMMON, ohms);
    }
    if d.chance(0.6) {
        d.part("winding", "T", "120", "e", "w");
    }
    if d.chance(0.5) {
        d.leak("w", COMMON);
    }
    d.output("e");
}

/// Diodes whose ends meet at one resistor, as gates of a counter or a clamp have them.
pub(super) fn gates(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let mut before: Option<String> = None;
    for gate in 0..d.count(1, 6) {
        let out = format!("o{gate}");
        let kind = d.pick(&DIODES);
        let all = d.chance(0.5);
        if all {
            let ohms = d.between(4.7e3, 470e3);
            d.resistor(&feed, &out, ohms);
        } else {
            let ohms = d.between(4.7e3, 470e3);
            d.resistor(&out, COMMON, ohms);
        }
        for input in 0..d.count(2, 4) {
            let node = match (&before, input) {
                (Some(before), 0) => before.clone(),
                _ => {
                    let node = format!("i{gate}.{input}");
                    let share = d.share();
                    d.divider(&feed, &node, COMMON, 22e3, share);
                    node
                }
            };
            let (from, to) = if all { (&out, &node) } else { (&node, &out) };
            d.two_ended("diode", &kind, from, to);
        }
        before = Some(out);
    }
    if let Some(last) = before {
        d.output(&last);
    }
}

/// A ladder of diodes with bias of their own: each step begins to conduct at another voltage.
pub(super) fn steps(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    d.resistor(&feed, "x", 47e3);
    let kind = d.pick(&DIODES);
    let count = d.count(2, 8);
    for step in 0..count {
        let (node, tap) = (format!("s{step}"), format!("t{step}"));
        let share = (step as f64 + 0.5) / count as f64;
        d.divider(&feed, &tap, COMMON, 100e3, share);
        d.two_ended("diode", &kind, "x", &node);
        let ohms = d.between(1e3, 220e3);
        d.resistor(&node, &tap, ohms);
    }
    d.output("x");
}

/// Rectifier supplies in series, the one standing on the other; and diodes behind them.
pub(super) fn stacked_supplies(d: &mut Draft) {
    let volts = d.volts();
    let count = d.count(2, 4);
    for level in 0..count {
        let from = format!("r{}", level + 1);
        let to = if level == 0 {
            COMMON.to_owned()
        } else {
            format!("r{level}")
        };
        // Some the other way round, so that they stand against each other.
        if d.chance(0.15) {
            d.rectified(&to, &from, volts);
        } else {
            d.rectified(&from, &to, volts);
        }
        if d.chance(0.4) {
            let ohms = d.between(10e3, 470e3);
            d.resistor(&from, &to, ohms);
        }
    }
    let top = format!("r{count}");
    let load = d.between(2e3, 200e3);
    d.resistor(&top, COMMON, load);
    if d.chance(0.4) {
        let (keyword, kind) = any(d);
        d.two_ended(keyword, &kind, &top, "behind");
        d.resistor("behind", COMMON, 2.0 * load);
    }
    // Two supplies at one load through diodes: whichever is the higher feeds it.
    if d.chance(0.3) {
        d.rectified("standby", COMMON, volts);
        for from in [top.as_str(), "standby"] {
            let kind = d.pick(&DIODES);
            d.two_ended("diode", &kind, from, "either");
        }
        d.resistor("either", COMMON, 22e3);
    }
    d.output(&top);
}

/// Gas regulators in a string with taps, as a receiver or a laboratory supply has them.
pub(super) fn regulator_string(d: &mut Draft) {
    let volts = 1.5 * d.volts();
    let feed = d.feed(volts);
    let count = d.count(1, 4);
    let kinds: Vec<TwoEnded> = (0..count).map(|_| d.pick(&REGULATORS)).collect();
    let held: f64 = kinds.iter().filter_map(|k| k.glow).map(|g| g.volts).sum();
    let most = kinds
        .iter()
        .map(|k| k.most_amps)
        .fold(f64::INFINITY, f64::min);
    let amps = most * d.between(0.1, 1.2);
    d.resistor(&feed, "v0", ((volts - held) / amps).max(500.0));
    for (place, kind) in kinds.iter().enumerate() {
        let from = format!("v{place}");
        let to = if place + 1 == count {
            COMMON.to_owned()
        } else {
            format!("v{}", place + 1)
        };
        d.two_ended("regulator", kind, &from, &to);
        if d.chance(0.3) {
            d.two_ended("regulator", kind, &from, &to);
        }
        if d.chance(0.4) {
            let ohms = d.between(4.7e3, 1e6);
            d.resistor(&from, COMMON, ohms);
        }
        if d.chance(0.2) {
            // Starts the upper ones.
            let ohms = d.between(100e3, 1e6);
            d.resistor(&from, &to, ohms);
        }
        d.capacitor(&from, COMMON);
    }
    d.output("v0");
}
