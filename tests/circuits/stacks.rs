//! Tubes one above the other, whose nodes between them hang on their plates and
//! cathodes alone: cascodes, stacks, series-connected amplifiers.

use super::draft::{COMMON, Draft};
use super::types::Unit;

/// What holds the grid of an upper tube.
fn hold(d: &mut Draft, feed: &str, grid: &str, share: f64) {
    match d.count(0, 3) {
        0 => {
            let volts = 300.0 * share;
            let at = d.own_feed(volts);
            d.resistor(&at, grid, 10e3);
        }
        1 => {
            let ohms = d.between(50e3, 3e6);
            let tap = format!("{grid}.tap");
            d.divider(feed, &tap, COMMON, ohms, share);
            let stop = d.between(47.0, 1e6);
            d.resistor(&tap, grid, stop);
        }
        _ => {
            let ohms = d.between(50e3, 3e6);
            d.divider(feed, grid, COMMON, ohms, share);
        }
    }
    if d.chance(0.7) {
        d.capacitor(grid, COMMON);
    }
}

/// The tube at the bottom, with its leak and bias; `fed` is where a screen of its own gets its current.
fn lowest(d: &mut Draft, unit: &Unit, plate: &str, amps: f64, fed: (&str, f64)) {
    let screen = d.screen(unit, fed.0, fed.1, "g2.low");
    let cathode = match d.count(0, 5) {
        0 => COMMON,
        _ => "k",
    };
    if cathode == "k" {
        d.resistor("k", COMMON, unit.bias_ohms(amps));
        if d.chance(0.5) {
            d.capacitor("k", COMMON);
        }
    }
    if d.chance(0.2) {
        let minus = d.bias(unit.grid.abs().max(1.0));
        d.leak("g", &minus);
    } else {
        d.leak("g", COMMON);
    }
    d.input("g");
    let grid = d.stopper("g");
    d.tube(unit, [plate, &grid, &screen, cathode]);
}

/// Two tubes of any two sorts in cascode.
fn cascode_of(d: &mut Draft, lower: &Unit, upper: &Unit) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let amps = lower.amps.min(upper.amps) * d.between(0.05, 0.8);
    let share = d.between(0.15, 0.5);
    hold(d, &feed, "g.up", share);
    let load = volts * d.between(0.1, 0.5) / amps;
    match d.count(0, 5) {
        0 => {
            d.part("winding", "T", "250", &feed, "p");
        }
        _ => d.resistor(&feed, "p", load),
    }
    if d.chance(0.6) {
        d.capacitor("p", "out");
        d.leak("out", COMMON);
    }
    d.output("p");
    // Now and then a resistor brings the lower tube more current than passes the upper.
    if d.chance(0.2) {
        d.resistor(&feed, "mid", 2.0 * load);
    }
    let screen = d.screen(upper, &feed, volts, "g2.up");
    lowest(d, lower, "mid", amps, (&feed, volts));
    let grid = d.stopper("g.up");
    d.tube(upper, ["p", &grid, &screen, "mid"]);
}

pub(super) fn cascode(d: &mut Draft) {
    let lower = d.triode();
    let upper = if d.chance(0.7) {
        lower.clone()
    } else {
        d.triode()
    };
    cascode_of(d, &lower, &upper);
}

pub(super) fn pentode_cascode(d: &mut Draft) {
    let (lower, upper) = (d.screened(), d.screened());
    cascode_of(d, &lower, &upper);
}

pub(super) fn triode_on_pentode(d: &mut Draft) {
    let (lower, upper) = (d.screened(), d.triode());
    cascode_of(d, &lower, &upper);
}

pub(super) fn pentode_on_triode(d: &mut Draft) {
    let (lower, upper) = (d.triode(), d.screened());
    cascode_of(d, &lower, &upper);
}

fn stack_of(d: &mut Draft, count: usize) {
    let volts = d.volts() * if d.chance(0.3) { 2.0 } else { 1.0 };
    let feed = d.feed(volts);
    let same = d.triode();
    let mixed = d.chance(0.3);
    let units: Vec<Unit> = (0..count)
        .map(|_| if mixed { d.any_tube() } else { same.clone() })
        .collect();
    let least = units.iter().map(|u| u.amps).fold(f64::INFINITY, f64::min);
    let amps = least * d.between(0.05, 0.6);
    let load = volts * d.between(0.05, 0.4) / amps;
    d.resistor(&feed, "p", load);
    let node = |level: usize| match level {
        _ if level == count => "p".to_owned(),
        level => format!("m{level}"),
    };
    d.output("p");
    lowest(d, &units[0], &node(1), amps, (&feed, volts));
    // The upper grids on one chain, or each held by its own.
    let chain = d.chance(0.6);
    if chain {
        let ohms = d.between(1e5, 4.7e6) / count as f64;
        for level in 1..count {
            let from = if level == 1 {
                COMMON.to_owned()
            } else {
                format!("g{}", level - 1)
            };
            d.resistor(&format!("g{level}"), &from, ohms);
        }
        d.resistor(&feed, &format!("g{}", count - 1), ohms);
    }
    for (level, unit) in units.iter().enumerate().skip(1) {
        let grid = format!("g{level}");
        if !chain {
            hold(d, &feed, &grid, level as f64 / count as f64 * 0.8);
        } else if d.chance(0.5) {
            d.capacitor(&grid, COMMON);
        }
        let screen = d.screen(unit, &feed, volts, &format!("g2.{level}"));
        let grid = d.stopper(&grid);
        d.tube(unit, [&node(level + 1), &grid, &screen, &node(level)]);
    }
}

pub(super) fn stack_of_three(d: &mut Draft) {
    stack_of(d, 3);
}

pub(super) fn stack_of_four(d: &mut Draft) {
    stack_of(d, 4);
}

/// An upper tube as the load of a lower one, its own current through a resistor the bias of it.
pub(super) fn series_amplifier(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let lower = d.any_tube();
    let upper = if lower.has_screen() || d.chance(0.2) {
        d.any_tube()
    } else {
        lower.clone()
    };
    let amps = lower.amps.min(upper.amps) * d.between(0.05, 0.7);
    lowest(d, &lower, "p", amps, (&feed, volts));
    d.resistor("p", "k.up", upper.bias_ohms(amps));
    let grid = match d.count(0, 3) {
        // At the lower plate itself.
        0 | 1 => d.stopper("p"),
        // Behind a capacitor, with its leak to a tap of the resistor or to its lower end.
        2 => {
            d.capacitor("p", "g.up");
            d.leak("g.up", "p");
            "g.up".to_owned()
        }
        _ => {
            d.capacitor("p", "g.up");
            let more = d.between(1e3, 47e3);
            d.resistor("k.up", "load", more);
            d.resistor("load", "p", more);
            d.leak("g.up", "load");
            "g.up".to_owned()
        }
    };
    let screen = d.screen(&upper, &feed, volts, "g2.up");
    d.tube(&upper, [&feed, &grid, &screen, "k.up"]);
    d.output("k.up");
    if d.chance(0.5) {
        d.capacitor("k.up", "out");
        d.leak("out", COMMON);
    }
}

/// Two power tubes in series over the feed, the load at the node between them.
pub(super) fn totem_pole(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.pick(&super::types::POWER);
    let amps = unit.amps * d.between(0.2, 0.9);
    let split = d.chance(0.4);
    let bottom = if split {
        d.bias(volts)
    } else {
        COMMON.to_owned()
    };
    d.resistor("k.low", &bottom, unit.bias_ohms(amps));
    d.leak("g.low", &bottom);
    let screen = d.screen(&unit, "mid", volts / 2.0, "g2.low");
    let grid = d.stopper("g.low");
    d.tube(&unit, ["mid", &grid, &screen, "k.low"]);
    d.resistor("k.up", "mid", unit.bias_ohms(amps));
    d.leak("g.up", "mid");
    let screen = d.screen(&unit, &feed, volts, "g2.up");
    let grid = d.stopper("g.up");
    d.tube(&unit, [&feed, &grid, &screen, "k.up"]);
    d.input("g.low");
    d.output("mid");
    match d.count(0, 2) {
        0 => {
            d.capacitor("mid", "speaker");
            d.resistor("speaker", COMMON, 400.0);
        }
        1 if split => d.resistor("mid", COMMON, 800.0),
        _ => {}
    }
    // The splitter that drives them, its upper half at the output.
    if d.chance(0.4) {
        let driver = d.triode();
        let amps = driver.amps * d.between(0.1, 0.5);
        d.resistor(&feed, "p.drive", 0.3 * volts / amps);
        d.resistor("k.drive", COMMON, 0.3 * volts / amps);
        d.capacitor("p.drive", "g.up");
        d.capacitor("k.drive", "g.low");
        d.leak("g.drive", "k.drive");
        d.tube(&driver, ["p.drive", "g.drive", &feed, "k.drive"]);
    }
}

/// Two tubes across two feeds of their own, each feed's end at the other's cathode.
pub(super) fn crossed_feeds(d: &mut Draft) {
    let volts = d.volts();
    let unit = d.pick(&super::types::POWER);
    for (here, there) in [("a", "b"), ("b", "a")] {
        let plate = format!("p.{here}");
        let cathode = format!("k.{here}");
        let source = d.between(10.0, 500.0).round();
        d.part(
            "supply",
            "B",
            &format!("{volts}V source {source}"),
            &plate,
            &format!("k.{there}"),
        );
        d.resistor(&cathode, COMMON, 1000.0);
        let grid = format!("g.{here}");
        let minus = d.bias(unit.grid.abs().max(1.0));
        d.leak(&grid, &minus);
        let grid = d.stopper(&grid);
        d.tube(&unit, [&plate, &grid, &plate, &cathode]);
        d.output(&plate);
    }
    d.resistor("k.a", "k.b", 600.0);
}
