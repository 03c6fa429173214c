//! Heaters, lamps and thermistors in series, and bridges of them.

use super::draft::{COMMON, Draft};

/// A lamp or a heater of so many volts and amperes, or a thermistor.
fn filament(d: &mut Draft, from: &str, to: &str, amps: f64) -> f64 {
    let volts = d.pick(&[
        1.4, 2.0, 2.5, 5.0, 6.3, 6.3, 6.3, 7.5, 12.6, 25.0, 35.0, 50.0, 117.0,
    ]);
    let ohms = d.sold(volts / amps).clamp(0.05, 1e6);
    let cold = match d.count(0, 2) {
        0 => String::new(),
        _ => format!(" cold {:.3}", ohms * d.between(0.05, 0.5)),
    };
    match d.count(0, 9) {
        0 => {
            let cold = ohms * d.between(3.0, 30.0);
            let words = format!("{ohms:.3} cold {cold:.1}");
            d.part("thermistor", "TH", &words, from, to);
        }
        // A ballast lamp has no stated volts.
        1 => {
            d.part("lamp", "P", &format!("{ohms:.3}{cold}"), from, to);
        }
        _ => {
            d.part("lamp", "P", &format!("{ohms:.3}{cold} {volts}V"), from, to);
        }
    }
    volts
}

pub(super) fn heaters(d: &mut Draft) {
    let line = d.pick(&[24.0, 110.0, 117.0, 220.0]);
    let feed = d.own_feed(line);
    let amps = d.pick(&[0.05, 0.1, 0.15, 0.2, 0.3, 0.45, 0.6]);
    let count = d.count(2, 14);
    let mut sum = 0.0;
    let mut last = 0;
    for place in 0..count {
        let (from, to) = (format!("h{place}"), format!("h{}", place + 1));
        sum += filament(d, &from, &to, amps);
        last = place + 1;
        // Dial lamps and shunts across one.
        if d.chance(0.15) {
            filament(d, &from, &to, amps * 0.5);
        }
        if d.chance(0.1) {
            d.resistor(&from, &to, 3.0 * line / amps / count as f64);
        }
        if d.chance(0.1) {
            let kind = d.pick(&super::types::DIODES);
            d.two_ended("diode", &kind, &from, &to);
        }
        if d.chance(0.1) {
            d.capacitor(&to, COMMON);
        }
        if sum > line {
            break;
        }
    }
    d.resistor(&feed, "h0", ((line - sum) / amps).max(5.0));
    d.part(
        "thermistor",
        "TH",
        "20 cold 500",
        &format!("h{last}"),
        COMMON,
    );
    d.output("h1");
}

/// Lamps and resistors in a bridge, across which a level is held; and lamps in antiparallel strings.
pub(super) fn lamp_bridge(d: &mut Draft) {
    let volts = d.between(1.0, 60.0).round();
    let feed = d.own_feed(volts);
    let amps = d.between(0.005, 0.3);
    d.resistor(&feed, "top", 0.3 * volts / amps);
    for side in ["a", "b"] {
        for (from, to) in [("top", side), (side, COMMON)] {
            if d.chance(0.5) {
                filament(d, from, to, amps);
            } else {
                d.resistor(from, to, 0.3 * volts / amps);
            }
        }
    }
    if d.chance(0.7) {
        let ohms = d.between(1.0, 10e3);
        d.resistor("a", "b", ohms);
    }
    d.output("a");
}

/// Filaments of battery tubes in series, whose cathodes are their negative ends.
pub(super) fn battery_set(d: &mut Draft) {
    let volts = d.pick(&[45.0, 67.5, 90.0]);
    let feed = d.own_feed(volts);
    let cell = d.own_feed(7.5);
    let count = d.count(2, 5);
    d.resistor(&cell, &format!("f{count}"), 10.0);
    let battery: Vec<_> = super::types::SCREENED
        .iter()
        .filter(|u| u.name.starts_with('1') && u.name.len() == 3)
        .collect();
    for place in 0..count {
        let low = if place == 0 {
            COMMON.to_owned()
        } else {
            format!("f{place}")
        };
        let high = format!("f{}", place + 1);
        d.part("lamp", "P", "28 1.4V", &high, &low);
        let unit = d.pick(&battery).clone();
        let n = |what: &str| format!("{what}{place}");
        let amps = unit.amps * d.between(0.2, 1.0);
        d.resistor(&feed, &n("p"), 0.3 * volts / amps);
        let to = d.pick(&[low.clone(), COMMON.to_owned()]);
        d.leak(&n("g"), &to);
        let screen = d.screen(&unit, &feed, volts, &n("g2."));
        d.tube(&unit, [&n("p"), &n("g"), &screen, &low]);
        d.output(&n("p"));
    }
}
