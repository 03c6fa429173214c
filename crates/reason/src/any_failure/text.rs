//! Stages as a designer of the time might have drawn them, about the published
//! points of the tube table, as text.

use std::fmt::Write;
use std::sync::LazyLock;

use deadstage_circuit::tube_names;
use deadstage_netlist::Electrode;
use deadstage_parts::{LawForm, UnitKind, tube_table};
use proptest::prelude::*;

/// An amplifying unit of the table and a published point to design about.
struct Unit {
    name: String,
    /// From 1.
    section: usize,
    electrodes: Vec<Electrode>,
    grid: f64,
    screen: f64,
    amps: f64,
    screen_amps: f64,
}

static UNITS: LazyLock<Vec<Unit>> = LazyLock::new(|| {
    let names = tube_names();
    let mut units = Vec::new();
    for tube in tube_table().types() {
        let written = names.find(&tube.name).expect("the names are the table's");
        for (index, unit) in tube.units.iter().enumerate() {
            if !matches!(unit.kind, UnitKind::Amplifier(_)) || unit.fit(LawForm::TwoPitch).is_err()
            {
                continue;
            }
            let points = unit.points.iter().map(|p| &p.point);
            let Some((point, amps)) = points
                .filter_map(|p| Some((p, p.plate_amps.or(p.cathode_amps)?)))
                .max_by(|a, b| a.1.total_cmp(&b.1))
            else {
                continue;
            };
            // An electrode may come out at two pins.
            let mut electrodes: Vec<Electrode> =
                written.units[index].iter().map(|(e, _)| *e).collect();
            electrodes.dedup();
            units.push(Unit {
                name: tube.name.clone(),
                section: index + 1,
                electrodes,
                grid: point.grid_volts,
                screen: point.screen_volts,
                amps,
                screen_amps: point.screen_amps.unwrap_or(0.25 * amps),
            });
        }
    }
    units
});

/// Rectifiers of the table with their greatest current, and what stands in their place.
static RECTIFIERS: LazyLock<Vec<(String, f64)>> = LazyLock::new(|| {
    let of_table = tube_table().types().iter().filter_map(|tube| {
        let unit = tube.units.first()?;
        matches!(unit.kind, UnitKind::Rectifier | UnitKind::GasRectifier)
            .then(|| (tube.name.clone(), unit.ratings.dc_amps.unwrap_or(0.05)))
    });
    of_table
        .chain([("silicon".to_owned(), 0.2), ("selenium".to_owned(), 0.1)])
        .collect()
});

/// Regulators of the table: name, maintaining and striking volts, greatest current.
static REGULATORS: LazyLock<Vec<(String, f64, f64, f64)>> = LazyLock::new(|| {
    let glows = tube_table()
        .types()
        .iter()
        .filter_map(|t| Some((t, t.units.first()?.glow?)));
    glows
        .map(|(t, g)| (t.name.clone(), g.volts, g.strike_volts, g.most_amps))
        .collect()
});

/// Everything that chance decides of one stage.
#[derive(Clone, Debug)]
pub(super) struct Draw {
    /// Of [`KINDS`].
    kind: usize,
    /// Which tubes, rectifier, regulator.
    which: [usize; 4],
    /// Volts of the feed.
    bplus: f64,
    /// Factors of design, 0 to 1 each.
    shares: [f64; 10],
}

/// Amplifier, output stage, cathode follower, split load, long-tailed pair,
/// regulator, supply, regulated supply with a stage on it, strings of lamps and regulators.
const KINDS: usize = 9;

pub(super) fn draws() -> impl Strategy<Value = Draw> {
    (
        0..KINDS,
        proptest::array::uniform4(0usize..10_000),
        60.0f64..450.0,
        proptest::array::uniform10(0.0f64..1.0),
    )
        .prop_map(|(kind, which, bplus, shares)| Draw {
            kind,
            which,
            bplus,
            shares,
        })
}

/// `low` to `high` in equal ratios.
fn between(low: f64, high: f64, share: f64) -> f64 {
    low * (high / low).powf(share)
}

struct Writer<'a> {
    text: String,
    draw: &'a Draw,
}

impl Draw {
    /// The stage file.
    pub(super) fn text(&self) -> String {
        let mut writer = Writer {
            text: "stage \"Drawn\"\n".to_owned(),
            draw: self,
        };
        let [a, b, ..] = self.shares;
        let volts = self.bplus;
        if self.kind < 5 {
            let source = between(5.0, 3000.0, a);
            writer.line(format!(
                "supply B1 {volts}V source {source} from bplus to chassis follows line"
            ));
        }
        match self.kind {
            0 => writer.amplifier("bplus", volts, false),
            1 => writer.amplifier("bplus", volts, true),
            2 => writer.follower(),
            3 => writer.split_load(),
            4 => writer.pair(),
            5 => {
                let source = between(5.0, 500.0, a);
                writer.line(format!(
                    "supply B1 {volts}V source {source} from bplus to chassis follows line"
                ));
                writer.regulator("bplus", volts, b);
            }
            6 => writer.supply(volts, between(2e3, 1e5, b)),
            8 => writer.strings(volts),
            _ => {
                writer.supply(volts, 1e5);
                let on = writer.regulator("bplus", volts, b);
                writer.amplifier("regulated", on, false);
            }
        }
        writer.text
    }
}

impl Writer<'_> {
    fn line(&mut self, line: impl AsRef<str>) {
        let _ = writeln!(self.text, "{}", line.as_ref());
    }

    fn unit(&self, which: usize) -> &'static Unit {
        &UNITS[self.draw.which[which] % UNITS.len()]
    }

    /// The statement of a tube, its screen wired to `screen`, other grids at the cathode.
    fn tube(&mut self, name: &str, unit: &Unit, [plate, grid, screen, cathode]: [&str; 4]) {
        let mut line = format!("tube {name} {} section {}", unit.name, unit.section);
        for electrode in &unit.electrodes {
            let (word, node) = match electrode {
                Electrode::Plate => ("plate", plate),
                Electrode::Grid => ("grid", grid),
                Electrode::Screen => ("screen", screen),
                Electrode::Cathode => ("cathode", cathode),
                Electrode::Suppressor => ("suppressor", cathode),
                Electrode::Grid3 => ("grid3", cathode),
                Electrode::Target => ("target", screen),
            };
            let _ = write!(line, " {word}={node}");
        }
        self.line(line);
    }

    /// A screen fed from `feed`, by a dropper where the sheet's screen is lower; gives its node.
    fn screen(&mut self, unit: &Unit, feed: &str, volts: f64, share: f64) -> String {
        if !unit.electrodes.contains(&Electrode::Screen) || unit.screen >= 0.9 * volts {
            return feed.to_owned();
        }
        let ohms = (volts - unit.screen) / unit.screen_amps.max(1e-5) * between(0.5, 2.0, share);
        self.line(format!("resistor R8 {ohms} from {feed} to screen"));
        self.line("capacitor C8 0.1u paper from screen to chassis");
        "screen".to_owned()
    }

    /// The cathode resistor that gives the sheet's bias, or nearly.
    fn cathode_ohms(unit: &Unit, amps: f64, share: f64) -> f64 {
        let bias = unit.grid.abs().max(0.5);
        bias / amps * between(0.6, 1.8, share)
    }

    fn amplifier(&mut self, feed: &str, volts: f64, transformer: bool) {
        let unit = self.unit(0);
        let s = self.draw.shares;
        let amps = unit.amps * between(0.1, 1.0, s[2]);
        if transformer {
            let ohms = between(100.0, 800.0, s[3]);
            self.line(format!("winding T1 {ohms} from {feed} to plate"));
        } else {
            let ohms = volts * (0.25 + 0.5 * s[3]) / amps;
            self.line(format!("resistor R1 {ohms} from {feed} to plate"));
        }
        let screen = self.screen(unit, feed, volts, s[4]);
        let bias = Self::cathode_ohms(unit, amps, s[5]);
        self.line(format!("resistor R2 {bias} from cathode to chassis"));
        self.line("capacitor C2 25u electrolytic from cathode to chassis");
        let leak = between(1e5, 2.2e6, s[6]);
        self.line(format!("resistor R3 {leak} from grid to chassis"));
        self.line(format!(
            "supply B2 {volts}V source 68000 from before to chassis"
        ));
        self.line("capacitor C1 20n paper from before to grid");
        let next = between(1e5, 1e6, s[7]);
        self.line("capacitor C3 20n paper from plate to next");
        self.line(format!("resistor R4 {next} from next to chassis"));
        self.tube("V1", unit, ["plate", "grid", &screen, "cathode"]);
    }

    fn follower(&mut self) {
        let unit = self.unit(0);
        let s = self.draw.shares;
        let volts = self.draw.bplus;
        let amps = unit.amps * between(0.1, 0.8, s[2]);
        let grid = volts * (0.05 + 0.5 * s[3]);
        let load = (grid + unit.grid.abs()) / amps;
        let chain = between(2e5, 2e6, s[4]);
        let upper = chain * (1.0 - grid / volts);
        self.line(format!("resistor R1 {upper} from bplus to grid"));
        self.line(format!(
            "resistor R3 {} from grid to chassis",
            chain - upper
        ));
        self.line(format!("resistor R2 {load} from cathode to chassis"));
        self.line("capacitor C1 20n paper from bplus to grid");
        self.line("capacitor C3 20n paper from cathode to next");
        self.line("resistor R4 100k from next to chassis");
        self.tube("V1", unit, ["bplus", "grid", "bplus", "cathode"]);
    }

    /// A phase inverter with equal loads at plate and cathode.
    fn split_load(&mut self) {
        let unit = self.unit(0);
        let s = self.draw.shares;
        let volts = self.draw.bplus;
        let amps = unit.amps * between(0.05, 0.6, s[2]);
        let load = volts * (0.15 + 0.15 * s[3]) / amps;
        let bias = Self::cathode_ohms(unit, amps, s[4]);
        let screen = self.screen(unit, "bplus", volts, s[5]);
        self.line(format!("resistor R1 {load} from bplus to plate"));
        self.line(format!("resistor R2 {bias} from cathode to tail"));
        self.line(format!("resistor R5 {load} from tail to chassis"));
        let leak = between(2e5, 2e6, s[6]);
        self.line(format!("resistor R3 {leak} from grid to tail"));
        self.line(format!(
            "supply B2 {volts}V source 100k from before to chassis"
        ));
        self.line("capacitor C1 20n paper from before to grid");
        for (number, from) in [(3, "plate"), (4, "tail")] {
            self.line(format!(
                "capacitor C{number} 50n paper from {from} to next{number}"
            ));
            self.line(format!(
                "resistor R{number}0 220k from next{number} to chassis"
            ));
        }
        self.tube("V1", unit, ["plate", "grid", &screen, "cathode"]);
    }

    /// A phase inverter with a common cathode resistor, its first grid at a direct-coupled plate.
    fn pair(&mut self) {
        let (unit, first) = (self.unit(0), self.unit(1));
        let s = self.draw.shares;
        let volts = self.draw.bplus;
        let amps = unit.amps * between(0.05, 0.4, s[2]);
        let load = volts * (0.2 + 0.2 * s[3]) / amps;
        let before = first.amps * between(0.05, 0.4, s[4]);
        let grid = volts * (0.15 + 0.2 * s[5]);
        self.line(format!(
            "resistor R1 {} from bplus to grid1",
            (volts - grid) / before
        ));
        let bias = Self::cathode_ohms(first, before, s[6]);
        self.line(format!("resistor R2 {bias} from cathode1 to chassis"));
        self.line(format!(
            "resistor R3 {} from grid to chassis",
            between(1e5, 2e6, s[7])
        ));
        let screen = self.screen(first, "bplus", volts, s[8]);
        self.tube("V1", first, ["grid1", "grid", &screen, "cathode1"]);
        self.line(format!(
            "resistor R4 {} from grid1 to grid2",
            between(2e5, 2e6, s[9])
        ));
        self.line("capacitor C1 0.1u paper from grid2 to chassis");
        let tail = grid / (2.0 * amps);
        self.line(format!("resistor R5 {tail} from tail to chassis"));
        for half in [1, 2] {
            self.line(format!(
                "resistor R6{half} {load} from bplus to plate{half}"
            ));
            self.line(format!(
                "capacitor C3{half} 50n paper from plate{half} to next{half}"
            ));
            self.line(format!("resistor R7{half} 220k from next{half} to chassis"));
            let (plate, grid) = (format!("plate{half}"), format!("grid{half}"));
            self.tube(&format!("V2{half}"), unit, [&plate, &grid, "bplus", "tail"]);
        }
    }

    /// A regulator behind its resistor and with a load, from `feed` at about `volts`; gives what it holds.
    fn regulator(&mut self, feed: &str, volts: f64, share: f64) -> f64 {
        let held = &REGULATORS[self.draw.which[2] % REGULATORS.len()];
        let (name, glow, strike, most) = held;
        // Too low a feed to strike from is a design too: the tube stays dark.
        let amps = most * (0.2 + 0.7 * share);
        let ohms = ((volts - glow) / amps).max(500.0);
        let load = glow / (most * between(0.02, 0.5, self.draw.shares[8]));
        self.line(format!("resistor R91 {ohms} from {feed} to regulated"));
        self.line(format!("regulator V9 {name} from regulated to chassis"));
        self.line(format!("resistor R92 {load} from regulated to chassis"));
        self.line("capacitor C9 0.1u paper from regulated to chassis");
        if volts > *strike { *glow } else { volts }
    }

    /// Lamps in series behind a dropper, and two regulators in series, on one supply.
    fn strings(&mut self, volts: f64) {
        let s = self.draw.shares;
        let source = between(5.0, 500.0, s[0]);
        self.line(format!(
            "supply B1 {volts}V source {source} from bplus to chassis follows line"
        ));
        let lamps = 1 + self.draw.which[0] % 3;
        let (rated, hot) = (between(2.0, 60.0, s[1]), between(10.0, 2000.0, s[2]));
        let excess = volts / (rated * lamps as f64) - 1.0;
        let dropper = excess.max(0.02) * hot * lamps as f64 * between(0.3, 3.0, s[3]);
        self.line(format!(
            "resistor R7 {dropper} 50W wirewound from bplus to p0"
        ));
        for lamp in 1..=lamps {
            let to = if lamp == lamps {
                "chassis".to_owned()
            } else {
                format!("p{lamp}")
            };
            // Lamps of one string are alike, or nearly.
            let ohms = hot * (1.0 + 0.3 * s[4] * lamp as f64);
            let from = lamp - 1;
            self.line(format!("lamp P{lamp} {ohms} {rated}V from p{from} to {to}"));
        }
        let glow = |which: usize| &REGULATORS[self.draw.which[which] % REGULATORS.len()];
        let (upper, lower) = (glow(1), glow(2));
        let most = upper.3.min(lower.3);
        let ohms = ((volts - upper.1 - lower.1) / (most * (0.2 + 0.7 * s[5]))).max(500.0);
        let load = (upper.1 + lower.1) / (most * between(0.02, 0.5, s[6]));
        let (upper, lower) = (upper.0.clone(), lower.0.clone());
        self.line(format!("resistor R91 {ohms} from bplus to top"));
        self.line(format!("regulator V8 {upper} from top to middle"));
        self.line(format!("regulator V9 {lower} from middle to chassis"));
        self.line(format!("resistor R92 {load} from top to chassis"));
        if s[7] < 0.5 {
            let tap = between(1e4, 1e6, s[8]);
            self.line(format!("resistor R93 {tap} from middle to chassis"));
        }
    }

    /// Rectifier, filter, bleeder and load, its output `bplus` at about `volts`.
    fn supply(&mut self, volts: f64, bleeder: f64) {
        let (name, most) = &RECTIFIERS[self.draw.which[3] % RECTIFIERS.len()];
        let s = self.draw.shares;
        let kind = ["full-wave", "half-wave", "bridge", "doubler"][self.draw.which[1] % 4];
        let choke = matches!(kind, "full-wave" | "bridge") && self.draw.which[0].is_multiple_of(3);
        let input = if choke { "choke" } else { "capacitor" };
        let rms = if choke {
            volts / 0.85
        } else if kind == "doubler" {
            volts / 2.4
        } else {
            volts / 1.2
        };
        let winding = between(10.0, 300.0, s[2]);
        self.line(format!(
            "rectifier V8 {name} {kind} {rms}V winding {winding} input {input} from raw to chassis"
        ));
        if choke {
            self.line(format!(
                "choke L1 {} 10H from raw to bplus",
                between(40.0, 400.0, s[3])
            ));
        } else {
            self.line("capacitor C81 10u electrolytic from raw to chassis");
            let ohms = between(50.0, 3000.0, s[3]);
            self.line(format!("resistor R81 {ohms} wirewound from raw to bplus"));
        }
        self.line("capacitor C82 20u electrolytic from bplus to chassis");
        self.line(format!(
            "resistor R82 {bleeder} wirewound from bplus to chassis"
        ));
        let load = volts / (most * between(0.02, 1.0, s[4]));
        self.line(format!(
            "resistor R83 {load} wirewound from bplus to chassis"
        ));
    }
}
