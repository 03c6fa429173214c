//! Power stages: push-pull with fixed bias, driven (class C) tubes one behind the other, clamps, keying.

use super::draft::{COMMON, Draft};
use super::types::{POWER, Unit};

/// Two tubes or four on a winding with a centre tap, their grids at one fixed bias.
pub(super) fn push_pull(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.pick(&POWER);
    let bias = unit.grid.abs().max(1.0) * d.between(0.7, 1.5);
    let minus = if d.chance(0.5) {
        d.rectified(COMMON, "neg.raw", 1.3 * bias);
        d.resistor("neg.raw", "neg", 15e3);
        d.potentiometer(["neg", COMMON], "bias", 10e3);
        "bias".to_owned()
    } else {
        d.bias(bias.round().max(1.0))
    };
    let count = d.pick(&[2, 2, 4, 6]);
    d.line(format!("transformer {}", d.node("T")));
    let transformer = d.node("T");
    for half in ["a", "b"] {
        let ohms = d.between(40.0, 300.0).round();
        let words = format!("{ohms} of {transformer}");
        d.part("winding", "T", &words, &feed, &format!("p.{half}"));
    }
    for place in 0..count {
        let half = if place % 2 == 0 { "a" } else { "b" };
        let plate = format!("p.{half}");
        let grid = format!("g{place}");
        d.leak(&grid, &minus);
        let wired = d.stopper(&grid);
        let cathode = if d.chance(0.4) {
            let own = format!("k{place}");
            let ohms = d.between(1.0, 50.0);
            d.resistor(&own, COMMON, ohms);
            own
        } else {
            COMMON.to_owned()
        };
        let screen = match d.count(0, 2) {
            // Through a stopper from the plate's half of the winding.
            0 => {
                let own = format!("g2.{place}");
                d.resistor(&plate, &own, 100.0);
                own
            }
            _ => d.screen(&unit, &feed, volts, &format!("g2.{place}")),
        };
        d.tube(&unit, [&plate, &wired, &screen, &cathode]);
    }
    d.output("p.a");
    d.input("g0");
}

/// The drive of a tube in words.
fn drive(d: &mut Draft, unit: &Unit) -> String {
    if d.chance(0.6) {
        let volts = unit.grid.abs().max(1.0) * d.between(0.5, 8.0);
        format!(" drive {volts:.2}V peak")
    } else {
        let amps = unit.amps * d.between(0.001, 0.15);
        format!(" drive {:.4}mA grid", amps * 1e3)
    }
}

/// One driven stage; gives its grid's cold end, where its bias stands.
fn stage(d: &mut Draft, number: usize, (feed, volts): (&str, f64), minus: Option<&str>) -> String {
    let unit = if d.chance(0.5) {
        d.pick(&POWER)
    } else {
        d.any_tube()
    };
    let n = |what: &str| format!("{what}{number}");
    match d.count(0, 3) {
        0 => {
            let amps = unit.amps * d.between(0.2, 1.0);
            d.resistor(feed, &n("p"), 0.3 * volts / amps);
        }
        _ => {
            let ohms = d.between(2.0, 60.0).round();
            d.part("choke", "L", &format!("{ohms} 2.5mH"), feed, &n("p"));
        }
    }
    let cold = if d.chance(0.4) {
        d.part("choke", "L", "30 2.5mH", &n("g"), &n("cold"));
        n("cold")
    } else {
        n("g")
    };
    let ohms = d.between(4.7e3, 470e3);
    d.resistor(&cold, minus.unwrap_or(COMMON), ohms);
    let cathode = if d.chance(0.5) {
        let amps = unit.amps * d.between(0.5, 1.5);
        d.resistor(&n("k"), COMMON, unit.bias_ohms(amps));
        n("k")
    } else {
        COMMON.to_owned()
    };
    let screen = d.screen(&unit, feed, volts, &n("g2."));
    let words = drive(d, &unit);
    d.driven_tube(&unit, [&n("p"), &n("g"), &screen, &cathode], &words);
    d.output(&n("p"));
    cold
}

/// Oscillator, buffers, doublers, final.
pub(super) fn driven_chain(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let minus = if d.chance(0.4) {
        let volts = d.between(20.0, 150.0).round();
        Some(d.bias(volts))
    } else {
        None
    };
    for number in 0..d.count(1, 5) {
        // Each behind a dropper of its own, or on a common one.
        let own = if d.chance(0.5) {
            let own = format!("f{number}");
            let ohms = d.between(100.0, 10e3);
            d.resistor(&feed, &own, ohms);
            d.capacitor(&own, COMMON);
            own
        } else {
            feed.clone()
        };
        stage(d, number, (&own, volts), minus.as_deref());
    }
}

/// A final whose screen a second tube pulls down when the drive is gone.
pub(super) fn clamp(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let cold = stage(d, 0, (&feed, volts), None);
    let (unit, final_tube) = (d.pick(&POWER), d.screened());
    let dropper = d.between(5e3, 50e3);
    d.resistor(&feed, "screen", dropper);
    d.tube(&unit, ["screen", &cold, "screen", COMMON]);
    let words = drive(d, &final_tube);
    let grid = d.stopper(&cold);
    d.part("choke", "L", "15", &feed, "p.final");
    d.driven_tube(&final_tube, ["p.final", &grid, "screen", COMMON], &words);
}

/// A driven tube fed through another, whose grid is the modulator's: and keying in the cathodes.
pub(super) fn series_modulated(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let over = d.pick(&POWER);
    let share = d.between(0.2, 0.8);
    d.divider(&feed, "g.mod", COMMON, 1e6, share);
    let grid = d.stopper("g.mod");
    d.tube(&over, [&feed, &grid, &feed, "fed"]);
    d.input("g.mod");
    stage(d, 0, ("fed", volts * share), None);
    if d.chance(0.5) {
        let key = d.triode();
        let on = d.setting("down");
        d.setting("up");
        stage(d, 1, ("fed", volts * share), None);
        let minus = d.bias(100.0);
        d.leak("g.key", &minus);
        d.part("switch", "S", &format!("closed in {on}"), "g.key", COMMON);
        d.tube(&key, ["fed", "g.key", "fed", "k.key"]);
        d.resistor("k.key", COMMON, 470.0);
    }
}

/// A follower straight at the grid of a power tube: with a resistor of its own to a negative
/// feed, or with that grid as the whole current's way.
pub(super) fn grid_driver(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let (driver, power) = (d.triode(), d.pick(&POWER));
    let amps = driver.amps * d.between(0.05, 0.8);
    let hangs = d.chance(0.4);
    if hangs {
        d.leak("g", COMMON);
    } else {
        let below = power.grid.abs().max(2.0) * d.between(1.5, 5.0);
        let minus = d.bias(below.round());
        d.resistor("drive", &minus, below / amps);
        let share = d.between(0.2, 0.9);
        d.divider(COMMON, "g", &minus, 470e3, share);
    }
    d.input("g");
    let grid = d.stopper("g");
    d.tube(&driver, [&feed, &grid, &feed, "drive"]);
    let screen = d.screen(&power, &feed, volts, "g2");
    d.part("winding", "T", "150", &feed, "p");
    let grid = d.stopper("drive");
    let cathode = if hangs && d.chance(0.5) {
        d.resistor("k", COMMON, 100.0);
        "k"
    } else {
        COMMON
    };
    d.tube(&power, ["p", &grid, &screen, cathode]);
    d.output("p");
}

/// A power tube whose cathode stands up by what the stage before it, direct-coupled, needs.
pub(super) fn raised_output(d: &mut Draft) {
    let volts = 1.5 * d.volts();
    let feed = d.feed(volts);
    let (first, power) = (d.screened(), d.pick(&POWER));
    let amps = power.amps * d.between(0.3, 1.0);
    let up = volts * d.between(0.2, 0.5);
    d.resistor("k.out", COMMON, (up + power.grid.abs()) / amps);
    let small = first.amps * d.between(0.01, 0.3);
    // The first stage lives on what the power tube's cathode stands at.
    let from = d.pick(&["k.out".to_owned(), feed.clone()]);
    d.resistor(&from, "p.first", 0.6 * up / small);
    let screen = if d.chance(0.6) {
        d.divider("k.out", "g2", COMMON, 220e3, 0.3);
        "g2".to_owned()
    } else {
        d.screen(&first, &from, up, "g2")
    };
    d.resistor("k", COMMON, first.bias_ohms(small));
    d.leak("g", COMMON);
    d.input("g");
    d.tube(&first, ["p.first", "g", &screen, "k"]);
    let grid = d.stopper("p.first");
    let screen = d.screen(&power, &feed, volts, "g2.out");
    d.part("winding", "T", "250", &feed, "p");
    d.tube(&power, ["p", &grid, &screen, "k.out"]);
    d.output("p");
}
