//! Transistors where tubes stand otherwise, and beneath them.

use super::draft::{COMMON, Draft};

const KINDS: [&str; 4] = [
    "germanium pnp",
    "germanium npn",
    "silicon pnp",
    "silicon npn",
];

/// One polarity of transistor with its feed: positive for npn.
struct Polar {
    words: &'static str,
    feed: String,
    volts: f64,
}

fn polar(d: &mut Draft) -> Polar {
    let words = d.pick(&KINDS);
    of_kind(d, words)
}

fn of_kind(d: &mut Draft, words: &'static str) -> Polar {
    let volts = d.pick(&[1.5, 4.5, 6.0, 9.0, 12.0, 12.6, 24.0, 45.0, 100.0]);
    let feed = if words.ends_with("npn") {
        d.own_feed(volts)
    } else {
        d.bias(volts)
    };
    Polar { words, feed, volts }
}

fn transistor(d: &mut Draft, words: &str, [emitter, base, collector]: [&str; 3]) {
    let name = d.designator("Q");
    let [emitter, base, collector] = [emitter, base, collector].map(|node| d.node(node));
    d.line(format!(
        "transistor {name} {words} emitter={emitter} base={base} collector={collector}"
    ));
}

/// Direct-coupled common emitters.
pub(super) fn chain(d: &mut Draft) {
    let p = polar(d);
    let count = d.count(1, 8);
    d.divider(&p.feed, "b0", COMMON, 100e3, 0.2);
    d.input("b0");
    for stage in 0..count {
        let amps = d.between(1e-4, 2e-2);
        let (base, collector, emitter) = (
            format!("b{stage}"),
            format!("b{}", stage + 1),
            format!("e{stage}"),
        );
        d.resistor(&p.feed, &collector, 0.5 * p.volts / amps);
        let emitter = if d.chance(0.6) {
            d.resistor(&emitter, COMMON, 0.1 * p.volts / amps);
            emitter
        } else {
            COMMON.to_owned()
        };
        transistor(d, p.words, [&emitter, &base, &collector]);
        if d.chance(0.2) {
            d.leak(&collector, "b0");
        }
    }
    d.output(&format!("b{count}"));
}

/// Emitters that meet, on a resistor or on a transistor.
pub(super) fn pair(d: &mut Draft) {
    let p = polar(d);
    let amps = d.between(1e-4, 1e-2);
    for half in ["a", "b"] {
        let (base, collector) = (format!("b.{half}"), format!("c.{half}"));
        d.resistor(&p.feed, &collector, 0.4 * p.volts / amps);
        let share = d.between(0.2, 0.5);
        d.divider(&p.feed, &base, COMMON, 47e3, share);
        transistor(d, p.words, ["tail", &base, &collector]);
        d.output(&collector);
    }
    d.input("b.a");
    if d.chance(0.5) {
        d.divider(&p.feed, "b.tail", COMMON, 22e3, 0.15);
        d.resistor("e.tail", COMMON, 0.1 * p.volts / amps);
        transistor(d, p.words, ["e.tail", "b.tail", "tail"]);
    } else {
        d.resistor("tail", COMMON, 0.15 * p.volts / amps);
    }
}

/// One above the other, two to four.
pub(super) fn stack(d: &mut Draft) {
    let p = polar(d);
    let amps = d.between(1e-4, 1e-2);
    let count = d.count(2, 4);
    d.resistor(&p.feed, &format!("c{count}"), 0.3 * p.volts / amps);
    d.resistor("c0", COMMON, 0.1 * p.volts / amps);
    for level in 0..count {
        let base = format!("b{level}");
        let share = (level as f64 + 0.6) / (count as f64 + 1.0);
        let ohms = d.between(10e3, 1e6);
        d.divider(&p.feed, &base, COMMON, ohms, share);
        transistor(
            d,
            p.words,
            [&format!("c{level}"), &base, &format!("c{}", level + 1)],
        );
    }
    d.output(&format!("c{count}"));
}

/// Emitters at bases, two or three; and the two polarities together.
pub(super) fn compound(d: &mut Draft) {
    let p = polar(d);
    let other = match (p.words.starts_with('g'), p.words.ends_with("npn")) {
        (true, true) => "germanium pnp",
        (true, false) => "germanium npn",
        (false, true) => "silicon pnp",
        (false, false) => "silicon npn",
    };
    let amps = d.between(1e-3, 0.5);
    match d.count(0, 2) {
        // Emitter followers one on the other.
        0 => {
            let count = d.count(2, 3);
            let share = d.between(0.3, 0.9);
            d.divider(&p.feed, "b0", COMMON, 100e3, share);
            for stage in 0..count {
                let (base, emitter) = (format!("b{stage}"), format!("b{}", stage + 1));
                transistor(d, p.words, [&emitter, &base, &p.feed]);
                if d.chance(0.5) {
                    d.resistor(&emitter, COMMON, 10e3);
                }
            }
            d.resistor(&format!("b{count}"), COMMON, 0.5 * p.volts / amps);
            d.output(&format!("b{count}"));
        }
        // A pair of both polarities at one output, biased by diodes.
        1 => {
            d.resistor(&p.feed, "b.up", 0.4 * p.volts / (0.05 * amps));
            let kind = d.pick(&super::types::DIODES);
            let towards = p.words.ends_with("npn");
            let (from, to) = if towards {
                ("b.up", "b.low")
            } else {
                ("b.low", "b.up")
            };
            d.two_ended("diode", &kind, from, to);
            d.resistor("b.low", COMMON, 0.4 * p.volts / (0.05 * amps));
            transistor(d, p.words, ["out", "b.up", &p.feed]);
            transistor(d, other, ["out", "b.low", COMMON]);
            if d.chance(0.6) {
                d.resistor("out", COMMON, 100.0);
            }
            d.output("out");
        }
        // The collector of the one at the base of the other, fed back.
        _ => {
            d.divider(&p.feed, "b", COMMON, 47e3, 0.3);
            d.resistor(&p.feed, "c", 10e3);
            d.resistor("e", COMMON, 1e3);
            transistor(d, p.words, ["e", "b", "c"]);
            transistor(d, other, [&p.feed, "c", "out"]);
            d.resistor("out", COMMON, 0.5 * p.volts / amps);
            d.resistor("out", "e", 4.7e3);
            d.output("out");
        }
    }
    d.input("b");
}

/// Two states: each collector at the other's base.
pub(super) fn flip_flop(d: &mut Draft) {
    let p = polar(d);
    let amps = d.between(5e-4, 2e-2);
    for (here, there) in [("a", "b"), ("b", "a")] {
        let (base, collector) = (format!("b.{here}"), format!("c.{here}"));
        d.resistor(&p.feed, &collector, p.volts / amps);
        let ohms = d.between(2e3, 200e3);
        d.resistor(&collector, &format!("b.{there}"), ohms);
        if d.chance(0.7) {
            let ohms = d.between(4.7e3, 470e3);
            d.resistor(&base, COMMON, ohms);
        }
        transistor(d, p.words, [COMMON, &base, &collector]);
        d.output(&collector);
    }
    d.input("b.a");
}

/// A series regulator: a diode or a gas tube's tap as the reference, one transistor that amplifies.
pub(super) fn regulator(d: &mut Draft) {
    let words = d.pick(&["silicon npn", "germanium npn"]);
    let p = of_kind(d, words);
    let amps = d.between(1e-2, 1.0);
    d.resistor("out", COMMON, 0.6 * p.volts / amps);
    d.resistor(&p.feed, "b", 0.3 * p.volts / (0.02 * amps));
    transistor(d, p.words, ["out", "b", &p.feed]);
    d.resistor("out", "ref", 1e3);
    for diode in 0..d.count(1, 3) {
        let kind = d.pick(&super::types::DIODES);
        let from = if diode == 0 {
            "ref".to_owned()
        } else {
            format!("ref{diode}")
        };
        d.two_ended("diode", &kind, &from, &format!("ref{}", diode + 1));
    }
    d.resistor("ref1", COMMON, 1e6);
    d.resistor("ref2", COMMON, 10.0);
    d.divider("out", "sense", COMMON, 10e3, 0.4);
    transistor(d, p.words, ["ref", "sense", "b"]);
    d.output("out");
}

/// A transistor in the cathode of a tube, and one at its plate.
pub(super) fn under_a_tube(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.any_tube();
    let amps = unit.amps * d.between(0.05, 0.6);
    let low = d.own_feed(12.0);
    let share = d.between(0.3, 0.6);
    d.resistor(&feed, "p", volts * share / amps);
    let ohms = d.between(1e5, 1e6);
    let hold = d.between(0.02, 0.2);
    d.divider(&feed, "g", COMMON, ohms, hold);
    let screen = d.screen(&unit, &feed, volts, "g2");
    let grid = d.stopper("g");
    d.tube(&unit, ["p", &grid, &screen, "mid"]);
    d.divider(&low, "b", COMMON, 10e3, 0.2);
    d.resistor("e", COMMON, 1.5 / amps);
    let words = d.pick(&["germanium npn", "silicon npn"]);
    transistor(d, words, ["e", "b", "mid"]);
    d.output("p");
    d.input("b");
}
