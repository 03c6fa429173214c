//! What nothing ties to the common, and nodes that hang on capacitors and grids alone.

use super::draft::{COMMON, Draft};

/// A supply with its own load and whatever else, tied nowhere or by a capacitor.
pub(super) fn floating_supply(d: &mut Draft) {
    let volts = d.volts();
    for island in 0..d.count(1, 3) {
        let (top, low) = (format!("t{island}"), format!("l{island}"));
        if d.chance(0.4) {
            d.rectified(&top, &low, volts);
        } else {
            let ohms = d.between(1.0, 5e3).round();
            d.part(
                "supply",
                "B",
                &format!("{volts}V source {ohms}"),
                &top,
                &low,
            );
        }
        let ohms = d.between(1e3, 1e6);
        d.resistor(&top, &low, ohms);
        if d.chance(0.4) {
            let unit = d.triode();
            let amps = unit.amps * d.between(0.1, 0.8);
            let n = |what: &str| format!("{what}{island}");
            d.resistor(&top, &n("p"), 0.4 * volts / amps);
            d.resistor(&n("k"), &low, unit.bias_ohms(amps));
            d.leak(&n("g"), &low);
            d.tube(&unit, [&n("p"), &n("g"), &top, &n("k")]);
        }
        match d.count(0, 3) {
            0 => d.capacitor(&low, COMMON),
            1 => {
                let kind = d.pick(&super::types::DIODES);
                d.two_ended("diode", &kind, &low, COMMON);
            }
            2 => {
                let kind = d.pick(&super::types::REGULATORS);
                d.two_ended("regulator", &kind, &top, COMMON);
            }
            _ => {}
        }
    }
    d.output("t0");
}

/// Electrodes that a print leaves to capacitors and grids.
pub(super) fn hanging_electrodes(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    for stage in 0..d.count(1, 4) {
        let unit = d.any_tube();
        let amps = unit.amps * d.between(0.1, 0.9);
        let n = |what: &str| format!("{what}{stage}");
        // Each of its electrodes may lack its way for direct current.
        if d.chance(0.75) {
            d.resistor(&feed, &n("p"), 0.3 * volts / amps);
        } else {
            d.capacitor(&feed, &n("p"));
        }
        match d.count(0, 4) {
            0 => d.capacitor(&n("k"), COMMON),
            1 => {}
            _ => d.resistor(&n("k"), COMMON, unit.bias_ohms(amps)),
        }
        let grid = match d.count(0, 4) {
            0 => {
                d.capacitor(&n("g"), COMMON);
                n("g")
            }
            1 => "shared".to_owned(),
            2 => n("g"),
            _ => {
                d.leak(&n("g"), COMMON);
                n("g")
            }
        };
        let screen = match d.count(0, 3) {
            0 => {
                d.capacitor(&n("g2."), COMMON);
                n("g2.")
            }
            _ => d.screen(&unit, &feed, volts, &n("g2.")),
        };
        d.tube(&unit, [&n("p"), &grid, &screen, &n("k")]);
        d.output(&n("p"));
    }
    d.capacitor("shared", COMMON);
}

/// Capacitors in strings and stars, with resistors between that lead nowhere.
pub(super) fn capacitors(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let count = d.count(2, 9);
    let mut from = feed.clone();
    for place in 0..count {
        let to = if place + 1 == count {
            COMMON.to_owned()
        } else {
            format!("c{place}")
        };
        if d.chance(0.75) {
            d.capacitor(&from, &to);
        } else {
            let ohms = d.between(1.0, 10e6);
            d.resistor(&from, &to, ohms);
        }
        if d.chance(0.3) {
            let aside = format!("x{place}");
            d.resistor(&to, &aside, 47e3);
            d.capacitor(&aside, COMMON);
        }
        if d.chance(0.2) {
            d.resistor(&to, COMMON, 1e6);
        }
        if d.chance(0.2) {
            let unit = d.triode();
            d.tube(&unit, [&feed, &to, &feed, &format!("k{place}")]);
            d.resistor(&format!("k{place}"), COMMON, unit.bias_ohms(unit.amps));
        }
        from = to;
    }
    d.output("c0");
}
