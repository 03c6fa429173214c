//! Electronic regulators: in series and in parallel, with none, one and two tubes that amplify the error.

use super::draft::{COMMON, Draft};
use super::types::{POWER, REGULATORS, Unit};

/// What passes the current: one tube or several in parallel, with stoppers.
fn pass(d: &mut Draft, unit: &Unit, [plate, grid, cathode]: [&str; 3], volts: f64) {
    let count = if d.chance(0.3) { d.count(2, 4) } else { 1 };
    for place in 0..count {
        let own = if count > 1 || d.chance(0.4) {
            let own = format!("{grid}.{place}");
            let ohms = d.between(100.0, 100e3);
            d.resistor(grid, &own, ohms);
            own
        } else {
            grid.to_owned()
        };
        let at = if count > 1 && d.chance(0.6) {
            let at = format!("{cathode}.{place}");
            let ohms = d.between(10.0, 220.0);
            d.resistor(&at, cathode, ohms);
            at
        } else {
            cathode.to_owned()
        };
        let screen = if d.chance(0.7) {
            // A screen strapped to its plate, through a stopper or straight.
            plate.to_owned()
        } else {
            d.screen(unit, plate, volts, &format!("{grid}.g2"))
        };
        d.tube(unit, [plate, &own, &screen, &at]);
    }
}

/// The reference: a gas tube from `at` down to `to`, lit from `feed`.
fn reference(d: &mut Draft, feed: &str, at: &str, to: &str, room: f64) -> f64 {
    let kind = d.pick(&REGULATORS);
    let volts = kind.glow.map_or(75.0, |glow| glow.volts);
    let amps = kind.most_amps * d.between(0.1, 0.8);
    let ohms = ((room - volts).abs().max(10.0) / amps).max(1e3);
    d.resistor(feed, at, ohms);
    d.two_ended("regulator", &kind, at, to);
    if d.chance(0.5) {
        d.capacitor(at, to);
    }
    volts
}

/// The divider from the output that the error is taken from.
fn sense(d: &mut Draft, out: &str, at: &str, to: &str, share: f64) {
    let ohms = d.between(50e3, 1e6);
    let share = share.clamp(0.02, 0.98);
    if d.chance(0.5) {
        d.resistor(out, "sense.up", ohms * (1.0 - share) * 0.8);
        d.potentiometer(["sense.up", "sense.low"], at, ohms * 0.2);
        d.resistor("sense.low", to, ohms * share * 0.8);
    } else {
        d.divider(out, at, to, ohms, share);
    }
    if d.chance(0.4) {
        d.capacitor(out, at);
    }
}

struct Series {
    raw: String,
    /// What it is regulated to, volts.
    volts: f64,
}

/// The raw feed, the passing tube with its grid at `g.pass`, and the load.
fn series(d: &mut Draft) -> Series {
    let volts = d.volts();
    let spare = d.between(1.1, 2.0);
    let raw = d.own_feed((volts * spare).round().max(1.0));
    let unit = d.pick(&POWER);
    let amps = unit.amps * d.between(0.05, 1.0);
    pass(d, &unit, [&raw, "g.pass", "out"], volts);
    d.resistor("out", COMMON, volts / amps);
    if d.chance(0.3) {
        let ohms = d.between(2e3, 50e3);
        d.resistor(&raw, "out", ohms);
    }
    d.capacitor("out", COMMON);
    d.output("out");
    Series { raw, volts }
}

/// The tube that amplifies the error, its plate at `plate`, loaded from `feed`.
fn amplifier(
    d: &mut Draft,
    unit: &Unit,
    (feed, volts): (&str, f64),
    [plate, grid, cathode]: [&str; 3],
) {
    let amps = unit.amps * d.between(0.02, 0.4);
    let share = d.between(0.2, 0.6);
    d.resistor(feed, plate, volts * share / amps);
    let screen = d.screen(unit, feed, volts, &format!("{plate}.g2"));
    let grid = d.stopper(grid);
    d.tube(unit, [plate, &grid, &screen, cathode]);
}

/// The grid at a gas tube: no error is amplified.
pub(super) fn series_follower(d: &mut Draft) {
    let s = series(d);
    let at = d.stopper("ref");
    if at != "ref" {
        d.part("link", "J", "", &at, "g.pass");
    } else {
        d.resistor("ref", "g.pass", 1000.0);
    }
    let count = d.count(1, 3);
    let mut to = COMMON.to_owned();
    for level in 1..count {
        let kind = d.pick(&REGULATORS);
        let at = format!("ref{level}");
        d.two_ended("regulator", &kind, &at, &to);
        to = at;
    }
    reference(d, &s.raw, "ref", &to, 1.5 * s.volts);
}

pub(super) fn series_one_tube(d: &mut Draft) {
    let s = series(d);
    let unit = d.any_tube();
    let from = if d.chance(0.7) {
        "out".to_owned()
    } else {
        s.raw.clone()
    };
    let volts = reference(d, &from, "ref", COMMON, s.volts);
    sense(d, "out", "g.err", COMMON, volts / s.volts);
    let feed = if d.chance(0.7) {
        s.raw.clone()
    } else {
        "out".to_owned()
    };
    amplifier(d, &unit, (&feed, s.volts), ["g.pass", "g.err", "ref"]);
}

pub(super) fn series_two_tubes(d: &mut Draft) {
    let s = series(d);
    let unit = d.triode();
    let volts = reference(d, "out", "ref", COMMON, s.volts);
    sense(d, "out", "g.err", COMMON, volts / s.volts);
    if d.chance(0.5) {
        // A pair: the reference at the one grid, the sample at the other.
        let amps = unit.amps * d.between(0.05, 0.5);
        d.resistor("tail", COMMON, volts / (2.0 * amps));
        let grid = d.stopper("ref");
        d.tube(&unit, ["out", &grid, "out", "tail"]);
        let raw = s.raw.clone();
        d.resistor(&raw, "g.pass", 0.4 * s.volts / amps);
        d.tube(&unit, ["g.pass", "g.err", &raw, "tail"]);
    } else {
        // Two stages, the second between a negative feed's tap and the passing grid.
        let minus = d.bias(s.volts.round().max(1.0));
        let other = d.any_tube();
        amplifier(d, &unit, ("out", s.volts), ["p.err", "ref", "k.err"]);
        d.resistor("k.err", "g.err", 1000.0);
        let ohms = d.between(3e5, 3e6);
        d.divider("p.err", "g.two", &minus, ohms, 0.6);
        amplifier(d, &other, (&s.raw, s.volts), ["g.pass", "g.two", "k.two"]);
        d.resistor("k.two", COMMON, 470.0);
    }
}

/// A cascode that amplifies the error.
pub(super) fn series_cascode(d: &mut Draft) {
    let s = series(d);
    let unit = d.triode();
    let volts = reference(d, "out", "ref", COMMON, s.volts);
    sense(d, "out", "g.err", COMMON, volts / s.volts);
    let amps = unit.amps * d.between(0.02, 0.4);
    let feed = d.pick(&[s.raw.clone(), "out".to_owned()]);
    d.resistor(&feed, "g.pass", 0.4 * s.volts / amps);
    let share = d.between(0.3, 0.8);
    d.divider("out", "g.up", COMMON, 470e3, share);
    let upper = if d.chance(0.6) {
        unit.clone()
    } else {
        d.any_tube()
    };
    let screen = d.screen(&upper, &feed, s.volts, "g2.up");
    d.tube(&upper, ["g.pass", "g.up", &screen, "mid"]);
    let grid = d.stopper("g.err");
    d.tube(&unit, ["mid", &grid, "out", "ref"]);
}

/// Tubes in parallel with the load behind a dropper.
pub(super) fn shunt(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.own_feed((1.5 * volts).round().max(1.0));
    let unit = d.pick(&POWER);
    let amps = unit.amps * d.between(0.2, 1.0);
    d.resistor(&feed, "out", 0.5 * volts / amps);
    d.resistor("out", COMMON, 3.0 * volts / amps);
    d.capacitor("out", COMMON);
    d.output("out");
    let amplified = d.chance(0.6);
    if amplified {
        // The error amplified once, so its sign is turned: the shunt tube's cathode stands up.
        let error = d.any_tube();
        let held = reference(d, "out", "ref", COMMON, volts);
        sense(d, "out", "g.err", COMMON, held / volts);
        amplifier(d, &error, ("out", volts), ["p.err", "ref", "k.err"]);
        d.resistor("g.err", "k.err", 220.0);
        let minus = d.bias(volts.round().max(1.0));
        d.divider("p.err", "g.shunt", &minus, 1e6, 0.5);
        pass(d, &unit, ["out", "g.shunt", COMMON], volts);
    } else {
        // A gas tube from the output to the grid.
        let kind = d.pick(&REGULATORS);
        d.two_ended("regulator", &kind, "out", "g.shunt");
        let minus = if d.chance(0.5) {
            d.bias(50.0)
        } else {
            COMMON.to_owned()
        };
        d.leak("g.shunt", &minus);
        let bias = unit.bias_ohms(amps);
        d.resistor("k.shunt", COMMON, bias);
        pass(d, &unit, ["out", "g.shunt", "k.shunt"], volts);
    }
}

/// A pentode or triode that passes one current whatever its plate is at, into anything.
pub(super) fn current_source(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.any_tube();
    let amps = unit.amps * d.between(0.05, 0.8);
    let drop = volts * d.between(0.02, 0.4);
    d.resistor("k", COMMON, (drop + unit.grid.abs()) / amps);
    if d.chance(0.5) {
        let ohms = d.between(1e5, 1e6);
        d.divider(&feed, "g", COMMON, ohms, (drop / volts).min(0.9));
    } else {
        reference(d, &feed, "g", COMMON, volts);
    }
    let screen = d.screen(&unit, &feed, volts, "g2");
    d.tube(&unit, ["p", "g", &screen, "k"]);
    match d.count(0, 3) {
        0 => d.resistor(&feed, "p", volts * 0.3 / amps),
        1 => {
            let kind = d.pick(&REGULATORS);
            d.two_ended("regulator", &kind, &feed, "p");
        }
        2 => {
            let kind = d.pick(&super::types::DIODES);
            d.two_ended("diode", &kind, &feed, "p");
        }
        _ => {
            let upper = d.triode();
            d.tube(&upper, [&feed, "p", &feed, "p"]);
        }
    }
    d.output("p");
}

/// Bias out of the return of the high voltage, by the current of the whole set.
pub(super) fn back_bias(d: &mut Draft) {
    let volts = d.volts();
    d.rectified("raw", "centre", volts);
    let ohms = d.between(50.0, 600.0);
    d.resistor("centre", "tap", ohms);
    d.resistor("tap", COMMON, ohms * 0.3);
    d.part("choke", "L", "250 10H", "raw", "hv");
    d.capacitor("hv", COMMON);
    for stage in 0..d.count(1, 4) {
        let unit = d.any_tube();
        let amps = unit.amps * d.between(0.3, 1.0);
        let (plate, grid) = (format!("p{stage}"), format!("g{stage}"));
        d.resistor("hv", &plate, 0.4 * volts / amps);
        let to = d.pick(&["centre", "tap"]);
        d.leak(&grid, to);
        let screen = d.screen(&unit, "hv", volts, &format!("g2.{stage}"));
        d.tube(&unit, [&plate, &grid, &screen, COMMON]);
        d.output(&plate);
    }
    let bleeder = d.between(10e3, 100e3);
    d.resistor("hv", COMMON, bleeder);
}
