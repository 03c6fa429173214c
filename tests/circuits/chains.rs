//! Tubes coupled from plate to grid without a capacitor: chains, rings, phase splitters, counters.

use super::draft::{COMMON, Draft};
use super::types::{REGULATORS, Unit};

/// One tube of a chain: its load, and what stands in its cathode.
struct Link<'a> {
    unit: &'a Unit,
    volts: f64,
    amps: f64,
    /// Volts at its grid.
    grid: f64,
}

fn link(d: &mut Draft, of: &Link<'_>, feed: &str, [plate, grid, cathode]: [&str; 3]) {
    let room = (of.volts - of.grid).max(0.2 * of.volts);
    let load = room * d.between(0.3, 0.7) / of.amps;
    d.resistor(feed, plate, load);
    let bias = of.grid + of.unit.grid.abs().max(0.5);
    d.resistor(cathode, COMMON, bias / of.amps);
    if d.chance(0.2) {
        d.capacitor(cathode, COMMON);
    }
    let screen = d.screen(of.unit, feed, of.volts, &format!("{plate}.g2"));
    let grid = d.stopper(grid);
    d.tube(of.unit, [plate, &grid, &screen, cathode]);
}

/// How a plate reaches the next grid; gives the volts that arrive.
fn couple(d: &mut Draft, minus: &str, plate: &str, grid: &str, volts: f64) -> f64 {
    match d.count(0, 5) {
        // Wired straight.
        0 => {
            d.part("link", "J", "", plate, grid);
            volts
        }
        // Through a gas tube that takes its volts off.
        1 => {
            let kind = d.pick(&REGULATORS);
            d.two_ended("regulator", &kind, plate, grid);
            d.leak(grid, minus);
            (volts - kind.glow.map_or(0.0, |glow| glow.volts)).max(0.0)
        }
        _ => {
            let share = d.between(0.05, 0.7);
            let ohms = d.between(2e5, 4e6);
            d.divider(plate, grid, minus, ohms, share);
            if minus == COMMON { share * volts } else { 0.0 }
        }
    }
}

fn chain_of(d: &mut Draft, count: usize, closed: bool) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let below = d.between(30.0, 250.0).round();
    let with_minus = d.chance(0.5);
    let minus = if with_minus {
        d.bias(below)
    } else {
        COMMON.to_owned()
    };
    let same = d.any_tube();
    let mixed = d.chance(0.3);
    let mut grid_volts = 0.0;
    if !closed {
        d.leak("g0", COMMON);
        d.input("g0");
    }
    for stage in 0..count {
        let unit = if mixed { d.any_tube() } else { same.clone() };
        let of = Link {
            amps: unit.amps * d.between(0.05, 0.7),
            unit: &unit,
            volts,
            grid: grid_volts,
        };
        let (plate, grid) = (format!("p{stage}"), format!("g{stage}"));
        link(d, &of, &feed, [&plate, &grid, &format!("k{stage}")]);
        let next = if closed {
            format!("g{}", (stage + 1) % count)
        } else {
            format!("g{}", stage + 1)
        };
        if stage + 1 < count || closed {
            grid_volts = couple(d, &minus, &plate, &next, 0.6 * volts).min(0.6 * volts);
        }
        if d.chance(0.1) {
            // A bridge of feedback over it, or to the stage before the last.
            let back = format!("k{}", stage.saturating_sub(2));
            d.leak(&plate, &back);
        }
    }
    d.output(&format!("p{}", count - 1));
}

pub(super) fn chain(d: &mut Draft) {
    let count = if d.chance(0.15) {
        d.count(9, 30)
    } else {
        d.count(3, 8)
    };
    chain_of(d, count, false);
}

pub(super) fn ring(d: &mut Draft) {
    let count = if d.chance(0.15) {
        d.count(9, 30)
    } else {
        d.count(3, 8)
    };
    chain_of(d, count, true);
}

/// A split load behind a direct-coupled stage, and a pair behind that.
pub(super) fn phase_splitter(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.triode();
    let first = if d.chance(0.7) {
        unit.clone()
    } else {
        d.screened()
    };
    let of = Link {
        amps: first.amps * d.between(0.05, 0.5),
        unit: &first,
        volts,
        grid: 0.0,
    };
    d.leak("g", COMMON);
    d.input("g");
    link(d, &of, &feed, ["p", "g", "k"]);
    let amps = unit.amps * d.between(0.05, 0.6);
    let load = 0.3 * volts / amps;
    d.resistor(&feed, "p.split", load);
    d.resistor("k.split", COMMON, load);
    let grid = d.stopper("p");
    d.tube(&unit, ["p.split", &grid, &feed, "k.split"]);
    for (half, from) in [("a", "p.split"), ("b", "k.split")] {
        let power = d.pick(&super::types::POWER);
        let grid = format!("g.{half}");
        d.capacitor(from, &grid);
        d.leak(&grid, COMMON);
        let amps = power.amps * d.between(0.3, 1.0);
        let cathode = format!("k.{half}");
        d.resistor(&cathode, COMMON, power.bias_ohms(amps));
        d.part("winding", "T", "180", &feed, &format!("p.{half}"));
        let screen = d.screen(&power, &feed, volts, &format!("g2.{half}"));
        d.tube(&power, [&format!("p.{half}"), &grid, &screen, &cathode]);
    }
    // Feedback from an output plate to the first cathode.
    if d.chance(0.5) {
        d.leak("p.a", "k");
    }
    d.output("p.split");
}

/// Cells of two states in a ring, all on one cathode resistor: one is on.
pub(super) fn counter(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let unit = d.triode();
    let count = d.count(3, 10);
    let amps = unit.amps * d.between(0.2, 0.9);
    let load = volts * d.between(0.3, 0.7) / amps;
    let minus = d.bias((0.5 * volts).round().max(1.0));
    d.resistor("k", COMMON, 0.1 * volts / amps);
    for cell in 0..count {
        let plate = format!("p{cell}");
        let grid = format!("g{cell}");
        d.resistor(&feed, &plate, load);
        // Each plate holds every other grid down, or the next cell's alone.
        let holds = d.chance(0.5);
        for other in (0..count).filter(|&other| other != cell) {
            if holds || other == (cell + 1) % count {
                let ohms = load * d.between(3.0, 20.0) * if holds { count as f64 } else { 1.0 };
                d.resistor(&plate, &format!("g{other}"), ohms);
            }
        }
        let down = d.between(100e3, 1e6);
        d.resistor(&grid, &minus, down);
        d.tube(&unit, [&plate, &grid, &feed, "k"]);
    }
    d.output("p0");
    d.input("g0");
}

/// Grids on one line that detectors pull down: automatic volume control.
pub(super) fn control_line(d: &mut Draft) {
    let volts = d.volts();
    let feed = d.feed(volts);
    let count = d.count(2, 5);
    for stage in 0..count {
        let unit = d.screened();
        let amps = unit.amps * d.between(0.2, 1.0);
        let (plate, grid, cathode) = (
            format!("p{stage}"),
            format!("g{stage}"),
            format!("k{stage}"),
        );
        d.part("winding", "L", "12", &feed, &plate);
        d.leak(&grid, "line");
        d.capacitor(&grid, COMMON);
        d.resistor(&cathode, COMMON, unit.bias_ohms(amps));
        let screen = d.screen(&unit, &feed, volts, &format!("g2.{stage}"));
        d.tube(&unit, [&plate, &grid, &screen, &cathode]);
    }
    let kind = d.pick(&super::types::DIODES);
    // A signal that is rectified, as the drop it makes.
    let signal = d.between(0.5, 30.0).round();
    d.part(
        "supply",
        "B",
        &format!("{signal}V source 100k"),
        COMMON,
        "detector",
    );
    d.leak("detector", "line");
    d.capacitor("line", COMMON);
    d.two_ended("diode", &kind, "detector", COMMON);
    // A delay: the line can't rise above a little.
    if d.chance(0.6) {
        let kind = d.pick(&super::types::DIODES);
        d.two_ended("diode", &kind, "line", "delay");
        let share = d.between(0.002, 0.1);
        d.divider(&feed, "delay", COMMON, 220e3, share);
    }
    d.output("line");
}
