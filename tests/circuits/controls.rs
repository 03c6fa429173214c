//! Switches in several settings, potentiometers, meters with shunts and multipliers; networks without a tube.

use super::draft::{COMMON, Draft};

const SETTINGS: [&str; 5] = ["a", "b", "c", "d", "e"];

/// A switch between two nodes, closed in some of the settings.
fn switch(d: &mut Draft, settings: &[String], from: &str, to: &str) {
    let mut closed: Vec<String> = settings
        .iter()
        .filter(|_| d.chance(0.45))
        .cloned()
        .collect();
    if closed.is_empty() {
        closed.push(d.pick(settings));
    }
    let words = format!("closed in {}", closed.join(" "));
    d.part("switch", "S", &words, from, to);
}

fn settings(d: &mut Draft) -> Vec<String> {
    let count = d.count(2, 5);
    SETTINGS[..count].iter().map(|s| d.setting(s)).collect()
}

/// A stage whose feed, bias and load are switched.
pub(super) fn switched_stage(d: &mut Draft) {
    let settings = settings(d);
    let volts = d.volts();
    let feed = d.feed(volts);
    switch(d, &settings, &feed, "fed");
    if d.chance(0.5) {
        let lower = d.own_feed((0.4 * volts).round().max(1.0));
        switch(d, &settings, &lower, "fed");
    }
    for stage in 0..d.count(1, 3) {
        let unit = d.any_tube();
        let amps = unit.amps * d.between(0.1, 0.8);
        let n = |what: &str| format!("{what}{stage}");
        d.resistor("fed", &n("p"), 0.4 * volts / amps);
        if d.chance(0.4) {
            switch(d, &settings, &n("p"), "bus");
        }
        d.resistor(&n("k"), COMMON, unit.bias_ohms(amps));
        if d.chance(0.4) {
            switch(d, &settings, &n("k"), COMMON);
        }
        if d.chance(0.5) {
            d.leak(&n("g"), COMMON);
        } else {
            let minus = d.bias(20.0);
            d.leak(&n("m"), &minus);
            switch(d, &settings, &n("m"), &n("g"));
            switch(d, &settings, &n("g"), COMMON);
        }
        let screen = d.screen(&unit, "fed", volts, &n("g2."));
        let grid = d.stopper(&n("g"));
        d.tube(&unit, [&n("p"), &grid, &screen, &n("k")]);
    }
    d.output("p0");
}

/// One movement that a switch lays across shunts and multipliers.
pub(super) fn metering(d: &mut Draft) {
    let settings = settings(d);
    let volts = d.volts();
    let feed = d.feed(volts);
    let (full, ohms) = d.pick(&[
        (1e-3, 100.0),
        (50e-6, 2000.0),
        (200e-6, 500.0),
        (5e-3, 10.0),
    ]);
    let words = format!("{}uA {ohms} scale \"0-100\"", full * 1e6);
    d.part("meter", "M", &words, "m.plus", "m.minus");
    if d.chance(0.4) {
        d.potentiometer(["m.plus", "m.minus"], "m.zero", 20.0 * ohms);
    }
    for setting in settings.iter().take(4) {
        let only = [setting.clone()];
        let n = |what: &str| format!("{what}.{setting}");
        if d.chance(0.5) {
            // A shunt in a lead that carries the current.
            let amps = full * d.between(2.0, 500.0);
            let shunt = ohms / (amps / full - 1.0);
            d.resistor(&feed, &n("hot"), 0.9 * volts / amps);
            let value = format!("{shunt:.4} 1% wirewound");
            d.part("resistor", "R", &value, &n("hot"), &n("cold"));
            d.resistor(&n("cold"), COMMON, 0.1 * volts / amps);
            switch(d, &only, &n("hot"), "m.plus");
            switch(d, &only, &n("cold"), "m.minus");
        } else {
            let reach = volts * d.between(0.5, 3.0);
            d.resistor(&feed, &n("mult"), reach / full);
            switch(d, &only, &n("mult"), "m.plus");
            switch(d, &only, COMMON, "m.minus");
        }
    }
    if d.chance(0.5) {
        // A contact that clips what goes past the scale.
        let kind = d.pick(&super::types::DIODES);
        d.two_ended("diode", &kind, "m.plus", "m.minus");
    }
    d.output("m.plus");
}

/// Potentiometers loaded by one another's wipers, in feeds, cathodes and grids.
pub(super) fn potentiometers(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let mut top = feed.clone();
    for place in 0..d.count(1, 5) {
        let wiper = format!("w{place}");
        let ohms = d.between(100.0, 2e6);
        let low = if d.chance(0.7) {
            COMMON.to_owned()
        } else {
            let low = format!("l{place}");
            d.resistor(&low, COMMON, 0.3 * ohms);
            low
        };
        d.potentiometer([&top, &low], &wiper, ohms);
        // A wiper at its own end is a rheostat.
        if d.chance(0.2) {
            d.part("link", "J", "", &wiper, &low);
        }
        top = wiper;
    }
    if d.chance(0.7) {
        let unit = d.any_tube();
        let amps = unit.amps * d.between(0.1, 0.8);
        d.resistor(&feed, "p", 0.4 * volts / amps);
        d.potentiometer(["k", COMMON], "k.tap", unit.bias_ohms(amps));
        let screen = d.screen(&unit, &feed, volts, "g2");
        let grid = d.stopper(&top);
        d.tube(&unit, ["p", &grid, &screen, "k"]);
        d.output("p");
    }
    d.output(&top);
}

/// Resistors, supplies, coils, fuses and links between nodes picked at random.
pub(super) fn linear(d: &mut Draft) {
    let nodes = d.count(2, 40);
    let name = |index: usize| {
        if index == 0 {
            COMMON.to_owned()
        } else {
            format!("n{index}")
        }
    };
    for node in 1..nodes {
        // A tree first, so that most hang together; then as many again at random.
        let to = d.count(0, node - 1);
        element(d, &name(node), &name(to));
    }
    for _ in 0..d.count(1, nodes) {
        let (from, to) = (d.count(0, nodes - 1), d.count(0, nodes - 1));
        if from != to {
            element(d, &name(from), &name(to));
        }
    }
    let feed = d.feed(100.0);
    d.resistor(&feed, "n1", 1e4);
    d.output("n1");
}

fn element(d: &mut Draft, from: &str, to: &str) {
    match d.count(0, 19) {
        0 => {
            let ohms = d.between(0.1, 1e5).round().max(0.1);
            let volts = d.between(0.1, 500.0).round().max(0.1);
            d.part("supply", "B", &format!("{volts}V source {ohms}"), from, to);
        }
        1 => {
            d.part("link", "J", "", from, to);
        }
        2 => {
            let words = d.pick(&["", "0.5", "2", "10"]);
            d.part("fuse", "F", words, from, to);
        }
        3 => {
            let ohms = d.between(0.2, 500.0).round().max(0.2);
            let words = format!("{ohms} 10H");
            d.part("choke", "L", &words, from, to);
        }
        4 => d.capacitor(from, to),
        5 => {
            d.part("meter", "M", "1mA 100", from, to);
        }
        _ => {
            let ohms = d.between(0.1, 1e7);
            d.resistor(from, to, ohms);
        }
    }
}

/// Four arms with a detector across: near balance a small difference of large voltages.
pub(super) fn resistor_bridge(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.own_feed(volts);
    let ohms = d.between(10.0, 1e6);
    let ratio = d.between(0.01, 100.0);
    for (from, to, value) in [
        (feed.as_str(), "a", ohms),
        ("a", COMMON, ohms * ratio),
        (feed.as_str(), "b", ohms),
        ("b", COMMON, ohms * ratio),
    ] {
        let value = d.written(value);
        d.part("resistor", "R", &value, from, to);
    }
    d.part("meter", "M", "50uA 2000", "a", "b");
    if d.chance(0.5) {
        d.resistor("a", COMMON, 1e3 * ohms);
    }
    d.output("a");
}
