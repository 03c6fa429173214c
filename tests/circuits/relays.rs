//! Relays: held by their own contacts, one behind another, locking one another out, in plates and returns.

use super::draft::{COMMON, Draft};

/// A relay coil; gives its designator.
fn coil(d: &mut Draft, from: &str, to: &str, volts: f64) -> String {
    let ohms = d.between(50.0, 10e3).round();
    // Mostly it pulls in at what it gets, with something to spare.
    let amps = volts / ohms * d.between(0.2, 1.3);
    let words = format!("{ohms} pulls-in {:.4}mA", amps * 1e3);
    d.part("relay", "K", &words, from, to)
}

fn contact(d: &mut Draft, of: &str, rest: &str, from: &str, to: &str) {
    let number = d.designator("KC");
    let (from, to) = (d.node(from), d.node(to));
    d.line(format!(
        "contact {number} of {of} from {from} to {to} normally {rest}"
    ));
}

/// Coils behind switches, a contact that holds, contacts that others wait for.
pub(super) fn sequence(d: &mut Draft) {
    let volts = d.pick(&[6.3, 12.0, 24.0, 48.0, 110.0]);
    let feed = d.own_feed(volts);
    let on = d.setting("start");
    let run = d.setting("run");
    d.setting("off");
    let words = d.pick(&[
        format!("closed in {on}"),
        format!("closed in {on} {run}"),
        format!("closed in {run}"),
    ]);
    d.part("switch", "S", &words, &feed, "c0");
    let count = d.count(1, 5);
    for relay in 0..count {
        let at = format!("c{relay}");
        let name = coil(d, &at, COMMON, volts);
        if relay == 0 && d.chance(0.6) {
            // It holds itself; with the settings apart there are then two states.
            contact(d, &name, "open", &feed, &at);
        }
        if d.chance(0.3) {
            let kind = d.pick(&super::types::DIODES);
            d.two_ended("diode", &kind, COMMON, &at);
        }
        let next = format!("c{}", relay + 1);
        let rest = if d.chance(0.8) { "open" } else { "closed" };
        contact(d, &name, rest, &feed, &next);
    }
    d.resistor(&format!("c{count}"), COMMON, 1e3);
    // Two that lock each other out.
    if d.chance(0.5) {
        d.part("switch", "S", &format!("closed in {on}"), &feed, "x.a");
        // Apart, or both at once: then the one that is in first keeps the other out.
        let then = d.pick(&[run, format!("{on} run"), on.clone()]);
        d.part("switch", "S", &format!("closed in {then}"), &feed, "x.b");
        let one = coil(d, "y.a", COMMON, volts);
        let other = coil(d, "y.b", COMMON, volts);
        contact(d, &other, "closed", "x.a", "y.a");
        contact(d, &one, "closed", "x.b", "y.b");
    }
}

/// A coil through its own resting contact: it has no steady state unless it lacks the current.
pub(super) fn through_itself(d: &mut Draft) {
    let volts = d.pick(&[6.3, 12.0, 24.0, 110.0]);
    let feed = d.own_feed(volts);
    let name = coil(d, "coil", COMMON, volts);
    if d.chance(0.5) {
        contact(d, &name, "closed", &feed, "coil");
        if d.chance(0.3) {
            let ohms = d.between(100.0, 100e3);
            d.resistor(&feed, "coil", ohms);
        }
    } else {
        // An economy resistor, bridged until it has pulled in.
        contact(d, &name, "closed", &feed, "coil");
        let ohms = d.between(50.0, 10e3);
        d.resistor(&feed, "coil", ohms);
    }
}

/// Coils in plates and returns of tubes, their contacts in the feed, the bias or the screen.
pub(super) fn with_tubes(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.any_tube();
    let amps = unit.amps * d.between(0.3, 1.0);
    let ohms = d.between(200.0, 15e3).round();
    let pulls_in = amps * d.between(0.3, 1.2);
    let words = format!("{ohms} pulls-in {:.4}mA", pulls_in * 1e3);
    let in_plate = d.chance(0.6);
    let name = if in_plate {
        d.part("relay", "K", &words, &feed, "p")
    } else {
        let name = d.part("relay", "K", &words, "k", COMMON);
        d.resistor(&feed, "p", 0.3 * volts / amps);
        name
    };
    d.leak("g", COMMON);
    d.input("g");
    let screen = d.screen(&unit, &feed, volts, "g2");
    let grid = d.stopper("g");
    if in_plate {
        d.resistor("k", COMMON, unit.bias_ohms(amps));
    }
    d.tube(&unit, ["p", &grid, &screen, "k"]);
    let rest = d.pick(&["open", "closed"]);
    match d.count(0, 3) {
        // It bridges its tube's bias, or part of its own circuit.
        0 => contact(d, &name, rest, "k", COMMON),
        1 => {
            d.resistor(&feed, "g.bias", 1e6);
            contact(d, &name, rest, "g.bias", "g");
        }
        2 => {
            contact(d, &name, rest, &feed, "next");
            d.resistor("next", COMMON, 10e3);
        }
        _ => {
            // The next tube's feed.
            let other = d.triode();
            contact(d, &name, rest, &feed, "p.next");
            d.resistor("k.next", COMMON, other.bias_ohms(other.amps * 0.5));
            d.leak("g.next", COMMON);
            d.tube(&other, ["p.next", "g.next", &feed, "k.next"]);
        }
    }
    d.output("p");
}
