//! Cathode followers and grounded grids, direct-coupled to what drives them.

use super::draft::{COMMON, Draft};

pub(super) fn direct_coupled(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let first = d.any_tube();
    let unit = if d.chance(0.6) && !first.has_screen() {
        first.clone()
    } else {
        d.any_tube()
    };
    let amps = first.amps * d.between(0.05, 0.6);
    let share = d.between(0.25, 0.7);
    d.resistor(&feed, "p", volts * share / amps);
    d.resistor("k", COMMON, first.bias_ohms(amps));
    d.leak("g", COMMON);
    d.input("g");
    let screen = d.screen(&first, &feed, volts, "g2");
    let grid = d.stopper("g");
    d.tube(&first, ["p", &grid, &screen, "k"]);
    let follows = unit.amps * d.between(0.05, 0.8);
    d.resistor("out", COMMON, volts * (1.0 - share) / follows);
    let screen = d.screen(&unit, &feed, volts, "g2.f");
    let grid = d.stopper("p");
    d.tube(&unit, [&feed, &grid, &screen, "out"]);
    // A second one on the first, and the tone network behind.
    if d.chance(0.3) {
        let next = d.triode();
        d.resistor("out.b", COMMON, volts / (next.amps * 0.3));
        d.tube(&next, [&feed, "out", &feed, "out.b"]);
    }
    if d.chance(0.3) {
        d.leak("out", "g");
    }
    d.output("out");
}

/// The leak, and now and then the plate's or the driver's load, tied to the cathode.
pub(super) fn bootstrapped(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.any_tube();
    let amps = unit.amps * d.between(0.05, 0.7);
    let bias = unit.bias_ohms(amps);
    d.resistor("k", "tap", bias);
    let rest = volts * d.between(0.2, 0.6) / amps;
    d.resistor("tap", COMMON, rest);
    d.leak("g", "tap");
    d.input("g");
    let screen = if unit.has_screen() && d.chance(0.6) {
        // The screen follows the cathode through a capacitor.
        d.resistor(&feed, "g2", 0.3 * volts / unit.screen_amps.max(1e-5));
        d.capacitor("g2", "k");
        "g2".to_owned()
    } else {
        d.screen(&unit, &feed, volts, "g2")
    };
    let grid = d.stopper("g");
    d.tube(&unit, [&feed, &grid, &screen, "k"]);
    if d.chance(0.6) {
        let driver = d.triode();
        let amps = driver.amps * d.between(0.05, 0.4);
        d.resistor(&feed, "boot", 0.2 * volts / amps);
        d.resistor("boot", "p", 0.3 * volts / amps);
        d.capacitor("boot", "k");
        d.resistor("k.d", COMMON, driver.bias_ohms(amps));
        d.leak("g.d", COMMON);
        d.tube(&driver, ["p", "g.d", &feed, "k.d"]);
        if d.chance(0.5) {
            d.capacitor("p", "g");
        } else {
            d.part("link", "J", "", "p", "g");
        }
    }
    d.output("k");
}

/// A follower on a tube that the follower's own plate drives.
pub(super) fn driven_tail(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.triode();
    let amps = unit.amps * d.between(0.1, 0.8);
    let sense = d.between(100.0, 20e3);
    d.resistor(&feed, "p", sense);
    let share = d.between(0.2, 0.6);
    d.divider(&feed, "g", COMMON, 2e6, share);
    d.input("g");
    d.tube(&unit, ["p", "g", &feed, "out"]);
    if d.chance(0.7) {
        d.capacitor("p", "g.low");
        d.leak("g.low", COMMON);
    } else {
        // Straight, through a divider to a negative feed.
        let minus = d.bias(volts);
        let ohms = d.between(5e5, 3e6);
        d.divider("p", "g.low", &minus, ohms, 0.5);
    }
    d.resistor("k.low", COMMON, unit.bias_ohms(amps));
    let lower = if d.chance(0.6) {
        unit.clone()
    } else {
        d.any_tube()
    };
    let screen = d.screen(&lower, &feed, volts, "g2.low");
    let grid = d.stopper("g.low");
    d.tube(&lower, ["out", &grid, &screen, "k.low"]);
    d.output("out");
}

pub(super) fn grounded_grid(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.any_tube();
    let amps = unit.amps * d.between(0.1, 0.9);
    let share = d.between(0.05, 0.45);
    d.resistor(&feed, "p", volts * share / amps);
    match d.count(0, 3) {
        // Through the winding that feeds it.
        0 => {
            d.part("choke", "L", "12", "k", "k.cold");
            d.resistor("k.cold", COMMON, unit.bias_ohms(amps));
        }
        // On the plate of another tube, which is the whole current's way.
        1 => {
            let driver = d.triode();
            d.resistor("k.d", COMMON, driver.bias_ohms(amps));
            d.leak("g.d", COMMON);
            d.tube(&driver, ["k", "g.d", &feed, "k.d"]);
            d.input("g.d");
        }
        _ => d.resistor("k", COMMON, unit.bias_ohms(amps)),
    }
    let held = match d.count(0, 2) {
        0 => {
            d.leak("g", COMMON);
            d.capacitor("g", COMMON);
            "g"
        }
        _ => COMMON,
    };
    let screen = d.screen(&unit, &feed, volts, "g2");
    d.tube(&unit, ["p", held, &screen, "k"]);
    d.output("p");
}
