//! Two tubes whose cathodes meet: long-tailed pairs, cathode-coupled stages, triggers, flip-flops.

use super::draft::{COMMON, Draft};
use super::types::Unit;

/// Two loads and two tubes on one cathode node, which is given to `tail`.
struct Pair {
    unit: Unit,
    feed: String,
    volts: f64,
    /// Of each half, A.
    amps: f64,
    /// Volts that the grids stand at.
    grid: f64,
}

fn pair(d: &mut Draft) -> Pair {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = if d.chance(0.8) {
        d.triode()
    } else {
        d.screened()
    };
    let amps = unit.amps * d.between(0.03, 0.6);
    let load = volts * d.between(0.15, 0.5) / amps;
    let grid = if d.chance(0.5) {
        0.0
    } else {
        volts * d.between(0.05, 0.4)
    };
    let one_sided = d.chance(0.2);
    for half in ["a", "b"] {
        let plate = format!("p.{half}");
        if one_sided && half == "a" {
            d.resistor(&feed, &plate, 100.0);
        } else {
            d.resistor(&feed, &plate, load);
        }
        d.output(&plate);
        let at = format!("g.{half}");
        if grid > 0.0 && d.chance(0.8) {
            let ohms = d.between(1e5, 3e6);
            d.divider(&feed, &at, COMMON, ohms, (grid / volts).min(0.9));
        } else {
            d.leak(&at, COMMON);
        }
        let screen = d.screen(&unit, &feed, volts, &format!("g2.{half}"));
        let wired = d.stopper(&at);
        let cathode = if d.chance(0.15) {
            let own = format!("k.{half}");
            d.resistor(&own, "tail", 100.0);
            own
        } else {
            "tail".to_owned()
        };
        d.tube(&unit, [&plate, &wired, &screen, &cathode]);
        if d.chance(0.3) {
            d.capacitor(&plate, &format!("out.{half}"));
            d.leak(&format!("out.{half}"), COMMON);
        }
    }
    d.input("g.a");
    Pair {
        unit,
        feed,
        volts,
        amps,
        grid,
    }
}

pub(super) fn long_tailed_on_resistor(d: &mut Draft) {
    let p = pair(d);
    let bias = p.unit.grid.abs().max(0.5);
    let across = p.grid + bias;
    if p.grid == 0.0 && d.chance(0.7) {
        let below = d.volts();
        let minus = d.bias(below);
        d.resistor("tail", &minus, (below + bias) / (2.0 * p.amps));
    } else {
        d.resistor("tail", COMMON, across / (2.0 * p.amps));
    }
}

pub(super) fn long_tailed_on_tube(d: &mut Draft) {
    let p = pair(d);
    let unit = if d.chance(0.6) {
        p.unit.clone()
    } else {
        d.any_tube()
    };
    let amps = 2.0 * p.amps;
    let below = if p.grid == 0.0 || d.chance(0.3) {
        let volts = d.between(50.0, 350.0).round();
        d.bias(volts)
    } else {
        COMMON.to_owned()
    };
    let bias = unit.grid.abs().max(0.5);
    let grid = if d.chance(0.5) {
        // At the negative end itself.
        d.resistor("k.tail", &below, bias / amps);
        below.clone()
    } else {
        let up = d.between(2.0, 60.0);
        d.resistor("k.tail", &below, (bias + up) / amps);
        let ohms = d.between(1e5, 1e6);
        let from = if below == COMMON {
            p.feed.clone()
        } else {
            COMMON.to_owned()
        };
        d.divider(&from, "g.tail", &below, ohms, (up / 250.0).min(0.5));
        "g.tail".to_owned()
    };
    let screen = if unit.has_screen() {
        d.screen(&unit, &p.feed, p.volts, "g2.tail")
    } else {
        COMMON.to_owned()
    };
    d.tube(&unit, ["tail", &grid, &screen, "k.tail"]);
}

/// A follower whose cathode resistor drives a grounded grid.
pub(super) fn cathode_coupled(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.triode();
    let other = if d.chance(0.7) {
        unit.clone()
    } else {
        d.any_tube()
    };
    let amps = unit.amps * d.between(0.05, 0.6);
    let longer = d.between(1.0, 20.0);
    d.resistor("k", COMMON, unit.bias_ohms(2.0 * amps) * longer);
    d.leak("g", COMMON);
    d.input("g");
    let grid = d.stopper("g");
    d.tube(&unit, [&feed, &grid, &feed, "k"]);
    let share = d.between(0.2, 0.5);
    d.resistor(&feed, "p", volts * share / amps);
    d.output("p");
    let screen = d.screen(&other, &feed, volts, "g2");
    let held = match d.count(0, 2) {
        0 => COMMON,
        1 => {
            d.leak("g.b", COMMON);
            "g.b"
        }
        _ => {
            d.divider(&feed, "g.b", COMMON, 1e6, 0.1);
            "g.b"
        }
    };
    d.tube(&other, ["p", held, &screen, "k"]);
}

/// A pair with its first plate at its second grid.
pub(super) fn schmitt_trigger(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.triode();
    let amps = unit.amps * d.between(0.1, 0.8);
    let load = volts * d.between(0.2, 0.5) / amps;
    d.resistor(&feed, "p.a", load);
    let smaller = d.between(0.3, 1.0);
    d.resistor(&feed, "p.b", load * smaller);
    let across = volts * d.between(0.1, 0.35);
    d.resistor("k", COMMON, across / amps);
    let ohms = d.between(2e5, 3e6);
    d.divider("p.a", "g.b", COMMON, ohms, divided(across, volts));
    if d.chance(0.6) {
        d.part("capacitor", "C", "47p mica", "p.a", "g.b");
    }
    // The input anywhere about the threshold.
    let share = (across / volts * d.between(0.3, 2.0)).min(0.9);
    d.divider(&feed, "g.a", COMMON, 470e3, share);
    d.input("g.a");
    let screen = d.screen(&unit, &feed, volts, "g2");
    let grid = d.stopper("g.a");
    d.tube(&unit, ["p.a", &grid, &screen, "k"]);
    let grid = d.stopper("g.b");
    d.tube(&unit, ["p.b", &grid, &screen, "k"]);
    d.output("p.b");
}

fn divided(across: f64, volts: f64) -> f64 {
    (across / (0.7 * volts)).clamp(0.05, 0.9)
}

/// Two tubes, each plate at the other's grid through a divider to a negative feed or to the common.
pub(super) fn flip_flop(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = if d.chance(0.85) {
        d.triode()
    } else {
        d.screened()
    };
    let amps = unit.amps * d.between(0.1, 0.9);
    let load = volts * d.between(0.3, 0.8) / amps;
    let minus = if d.chance(0.6) {
        let volts = d.between(20.0, 200.0).round();
        d.bias(volts)
    } else {
        COMMON.to_owned()
    };
    let cathode = if minus == COMMON {
        d.resistor("k", COMMON, 0.15 * volts / amps);
        "k"
    } else {
        COMMON
    };
    let down = d.between(47e3, 1e6);
    let across = load * d.between(2.0, 30.0);
    for (here, there) in [("a", "b"), ("b", "a")] {
        let plate = format!("p.{here}");
        let grid = format!("g.{here}");
        d.resistor(&feed, &plate, load);
        d.resistor(&plate, &format!("g.{there}"), across);
        if d.chance(0.5) {
            d.part("capacitor", "C", "100p mica", &plate, &format!("g.{there}"));
        }
        d.resistor(&grid, &minus, down);
        let screen = d.screen(&unit, &feed, volts, &format!("g2.{here}"));
        let wired = d.stopper(&grid);
        d.tube(&unit, [&plate, &wired, &screen, cathode]);
        d.output(&plate);
    }
    // A trigger diode or a set resistor now and then decides for one state.
    match d.count(0, 3) {
        0 => d.resistor("g.a", COMMON, 100e3),
        1 => {
            let kind = d.pick(&super::types::DIODES);
            d.two_ended("diode", &kind, "p.a", "trigger");
            d.leak("trigger", &feed);
        }
        _ => {}
    }
    d.input("g.a");
}

/// Two tubes coupled by capacitors, both on at rest.
pub(super) fn multivibrator(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.triode();
    let amps = unit.amps * d.between(0.1, 0.9);
    let load = volts * d.between(0.2, 0.8) / amps;
    let positive = d.chance(0.4);
    for (here, there) in [("a", "b"), ("b", "a")] {
        let plate = format!("p.{here}");
        d.resistor(&feed, &plate, load);
        d.capacitor(&plate, &format!("g.{there}"));
        let leak_to = if positive { &feed } else { COMMON };
        d.leak(&format!("g.{here}"), leak_to);
        let grid = d.stopper(&format!("g.{here}"));
        d.tube(&unit, [&plate, &grid, &feed, COMMON]);
        d.output(&plate);
    }
}

/// A bridge of two triodes with a meter between their cathodes or plates.
pub(super) fn meter_bridge(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.triode();
    let amps = unit.amps * d.between(0.05, 0.5);
    let below = d.between(0.05, 0.5) * volts;
    let minus = if d.chance(0.5) {
        d.bias(below.round().max(1.0))
    } else {
        COMMON.to_owned()
    };
    let at_cathodes = d.chance(0.6);
    d.potentiometer(["k.a", "k.b"], "zero", 2e3);
    d.resistor("zero", &minus, (below + unit.grid.abs()) / (2.0 * amps));
    for half in ["a", "b"] {
        let plate = if at_cathodes {
            feed.clone()
        } else {
            let plate = format!("p.{half}");
            d.resistor(&feed, &plate, 0.3 * volts / amps);
            plate
        };
        let grid = format!("g.{half}");
        d.leak(&grid, COMMON);
        d.leak(&grid, &format!("in.{half}"));
        d.tube(&unit, [&plate, &grid, &feed, &format!("k.{half}")]);
    }
    let (one, other) = if at_cathodes {
        ("k.a", "k.b")
    } else {
        ("p.a", "p.b")
    };
    let movement = d.pick(&["200uA 1.5k", "1mA 100", "50uA 2k"]);
    d.part("meter", "M", movement, one, "m");
    d.resistor("m", other, 4.7e3);
    d.input("g.a");
}
