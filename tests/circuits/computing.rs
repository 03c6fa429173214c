//! High gain in a loop: direct-coupled amplifiers of computers and oscilloscopes, starved
//! pentodes, third grids, inputs of electrometers.

use super::draft::{COMMON, Draft};
use super::types::{SCREENED, Unit};
use deadstage_netlist::Electrode;

/// A plate and its way down to a negative feed, from which the next grid is taken.
fn down(d: &mut Draft, plate: &str, grid: &str, minus: &str, share: f64) {
    let ohms = d.between(5e5, 5e6);
    d.divider(plate, grid, minus, ohms, share);
    if d.chance(0.3) {
        d.part("capacitor", "C", "22p mica", plate, grid);
    }
}

/// A pair, a stage and a follower between two feeds, and resistors from its output to its input.
pub(super) fn feedback_amplifier(d: &mut Draft) {
    let volts = d.pick(&[100.0, 150.0, 200.0, 300.0]);
    let feed = d.feed(volts);
    let minus = d.bias(volts);
    let unit = d.triode();
    let amps = unit.amps * d.between(0.02, 0.3);
    d.resistor("tail", &minus, volts / (2.0 * amps));
    for half in ["a", "b"] {
        let plate = format!("p.{half}");
        d.resistor(&feed, &plate, 0.5 * volts / amps);
        let grid = d.stopper(&format!("g.{half}"));
        d.tube(&unit, [&plate, &grid, &feed, "tail"]);
    }
    d.leak("g.b", COMMON);
    let mut last = "p.b".to_owned();
    let stages = d.pick(&[1, 1, 3]);
    for stage in 0..stages {
        let (grid, plate) = (format!("g{stage}"), format!("p{stage}"));
        down(d, &last, &grid, &minus, 0.6);
        let next = d.any_tube();
        let amps = next.amps * d.between(0.02, 0.3);
        d.resistor(&feed, &plate, 0.5 * volts / amps);
        let screen = d.screen(&next, &feed, volts, &format!("{plate}.g2"));
        let cathode = if d.chance(0.4) {
            let cathode = format!("k{stage}");
            d.resistor(&cathode, COMMON, next.bias_ohms(amps));
            cathode
        } else {
            COMMON.to_owned()
        };
        d.tube(&next, [&plate, &grid, &screen, &cathode]);
        last = plate;
    }
    if d.chance(0.7) {
        down(d, &last, "g.out", &minus, 0.6);
        let follower = d.triode();
        let amps = follower.amps * d.between(0.1, 0.6);
        d.resistor("out", &minus, volts / amps);
        d.tube(&follower, [&feed, "g.out", &feed, "out"]);
        last = "out".to_owned();
    }
    // The input and the feedback meet at the one grid; an odd number of turns makes it negative.
    let ohms = d.between(1e5, 2e6);
    d.resistor(&last, "g.a", ohms);
    let level = d.between(0.1, 100.0);
    d.part(
        "supply",
        "B",
        &format!("{level:.2}V source 10k"),
        "in",
        COMMON,
    );
    d.resistor("in", "g.a", ohms);
    d.output(&last);
    d.input("g.a");
}

/// Two pairs one behind the other, the second's grids at the first's plates.
pub(super) fn two_pairs(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let minus = d.bias(volts);
    let (first, second) = (d.any_tube(), d.any_tube());
    for (number, unit) in [(1, &first), (2, &second)] {
        let amps = unit.amps * d.between(0.05, 0.5);
        let tail = format!("tail{number}");
        if number == 1 || d.chance(0.5) {
            d.resistor(&tail, &minus, volts / (2.0 * amps));
        } else {
            d.resistor(&tail, COMMON, 0.6 * volts / (2.0 * amps));
        }
        for half in ["a", "b"] {
            let n = |what: &str, number: usize| format!("{what}{number}.{half}");
            d.resistor(&feed, &n("p", number), 0.4 * volts / amps);
            let grid = if number == 1 {
                d.leak(&n("g", 1), COMMON);
                n("g", 1)
            } else if d.chance(0.6) {
                d.stopper(&n("p", 1))
            } else {
                down(d, &n("p", 1), &n("g", 2), &minus, 0.6);
                n("g", 2)
            };
            let screen = d.screen(unit, &feed, volts, &n("s", number));
            d.tube(unit, [&n("p", number), &grid, &screen, &tail]);
        }
    }
    d.input("g1.a");
    d.output("p2.a");
}

/// A pentode on a very large load, its screen on the cathode of the tube behind it.
pub(super) fn starved(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.screened();
    let next = d.any_tube();
    let load = d.between(1e6, 2e7);
    d.resistor(&feed, "p", load);
    let amps = next.amps * d.between(0.05, 0.6);
    d.resistor("k.out", "tap", next.bias_ohms(amps));
    let rest = d.between(0.05, 0.4) * volts / amps;
    d.resistor("tap", COMMON, rest);
    let from = d.pick(&["tap", "k.out"]);
    let ohms = d.between(1e3, 1e6);
    d.resistor(from, "g2", ohms);
    d.capacitor("g2", COMMON);
    let drop = d.between(1e3, 1e5);
    d.resistor("k", COMMON, drop);
    d.leak("g", COMMON);
    d.input("g");
    d.tube(&unit, ["p", "g", "g2", "k"]);
    d.resistor(&feed, "p.out", 0.4 * volts / amps);
    let screen = d.screen(&next, &feed, volts, "g2.out");
    let grid = d.stopper("p");
    d.tube(&next, ["p.out", &grid, &screen, "k.out"]);
    d.output("p.out");
}

/// Pentodes and converters whose third grid is part of the circuit: gates, and pairs that hold each other so.
pub(super) fn third_grids(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let with_third: Vec<&Unit> = SCREENED
        .iter()
        .filter(|u| {
            u.electrodes.contains(&Electrode::Suppressor)
                || u.electrodes.contains(&Electrode::Grid3)
        })
        .collect();
    let minus = d.bias(volts.min(150.0));
    let crossed = d.chance(0.5);
    for (here, there) in [("a", "b"), ("b", "a")] {
        let unit = d.pick(&with_third).clone();
        let n = |what: &str, half: &str| format!("{what}.{half}");
        let amps = unit.amps * d.between(0.05, 0.7);
        d.resistor(&feed, &n("p", here), 0.5 * volts / amps);
        d.resistor(&n("k", here), COMMON, unit.bias_ohms(amps));
        d.leak(&n("g", here), COMMON);
        let screen = d.screen(&unit, &feed, volts, &n("g2", here));
        let from = if crossed { n("p", there) } else { n("p", here) };
        down(d, &from, &n("g3", here), &minus, 0.5);
        d.tube_with_third(
            &unit,
            [&n("p", here), &n("g", here), &screen, &n("k", here)],
            &n("g3", here),
        );
        d.output(&n("p", here));
    }
    d.input("g.a");
}

/// Grids behind thousands of megohms, and a bridge or a follower behind them.
pub(super) fn electrometer(d: &mut Draft) {
    let volts = d.between(6.0, 100.0).round();
    let feed = d.own_feed(volts);
    let unit = d.any_tube();
    let amps = unit.amps * d.between(0.001, 0.2);
    d.potentiometer(["k.a", "k.b"], "zero", 5e3);
    d.resistor("zero", COMMON, unit.bias_ohms(2.0 * amps));
    for half in ["a", "b"] {
        let n = |what: &str| format!("{what}.{half}");
        let ohms = d.between(1e8, 9e10);
        d.resistor(&n("g"), COMMON, ohms);
        if d.chance(0.5) {
            let level = d.between(0.01, 5.0);
            let words = format!("{level:.3}V source {:.0}", d.between(1e3, 9e7));
            let (from, to) = d.pick(&[(n("in"), COMMON.to_owned()), (COMMON.to_owned(), n("in"))]);
            d.part("supply", "B", &words, &from, &to);
            let ohms = d.between(1e8, 9e10);
            d.resistor(&n("in"), &n("g"), ohms);
        }
        d.resistor(&feed, &n("p"), 0.5 * volts / amps);
        let screen = d.screen(&unit, &feed, volts, &n("g2"));
        let grid = d.stopper(&n("g"));
        d.tube(&unit, [&n("p"), &grid, &screen, &n("k")]);
    }
    d.part("meter", "M", "50uA 2k", "p.a", "p.b");
    d.output("p.a");
    d.input("g.a");
}
