//! Tubes in a draft: which type, in which bottle, wired where.

use std::fmt::Write as _;

use deadstage_netlist::Electrode;

use super::super::types::{self, TwoEnded, Unit};
use super::{COMMON, Draft};

/// A bottle with a section to spare.
#[derive(Debug)]
pub(super) struct Bottle {
    designator: String,
    /// The type as this bottle has it.
    written: String,
    unit: String,
    first: usize,
    left: Vec<usize>,
}

impl Draft {
    /// A triode of the table, or now and then one described by its sheet.
    pub fn triode(&mut self) -> Unit {
        if self.chance(0.04) {
            return self.described();
        }
        if self.chance(0.5) {
            return self.pick(&types::TWINS);
        }
        self.pick(&types::TRIODES)
    }

    /// A tube with a screen.
    pub fn screened(&mut self) -> Unit {
        self.pick(&types::SCREENED)
    }

    /// A tube of either sort.
    pub fn any_tube(&mut self) -> Unit {
        if self.chance(0.65) {
            self.triode()
        } else {
            self.screened()
        }
    }

    /// A triode that the table lacks.
    fn described(&mut self) -> Unit {
        if let Some(own) = self.own_types.first() {
            return own.clone();
        }
        let name = format!("LOCAL{}", self.own_types.len() + 1);
        let mu = self.between(4.0, 90.0).round();
        let amps = self.between(1e-3, 50e-3);
        let gm = self.between(0.8e-3, 8e-3);
        let grid = -(0.5 * 200.0 / mu).round().max(1.0);
        let unit = Unit {
            name: name.clone(),
            aliases: Vec::new(),
            section: 1,
            alike: vec![1],
            electrodes: vec![Electrode::Plate, Electrode::Grid, Electrode::Cathode],
            plate: 200.0,
            grid,
            screen: 0.0,
            amps,
            screen_amps: 0.0,
        };
        self.line(format!(
            "tubetype {name} triode mu {mu} plate 200V grid {grid}V current {:.2}mA gm {:.0}umho",
            amps * 1e3,
            gm * 1e6,
        ));
        self.own_types.push(unit.clone());
        unit
    }

    /// A tube where it is wired; the third node is the screen's, and a tuning eye's target's.
    pub fn tube(&mut self, unit: &Unit, wired: [&str; 4]) -> String {
        self.driven_tube(unit, wired, "")
    }

    /// The same with more words at its end.
    pub fn driven_tube(&mut self, unit: &Unit, wired: [&str; 4], words: &str) -> String {
        let section = self.section(unit);
        let cathode = self.node(wired[3]);
        let third = self.third_grid(unit, &section.0, &cathode);
        self.statement(unit, section, wired, &third, words)
    }

    /// One with its suppressor or third grid at a node of the circuit.
    pub fn tube_with_third(&mut self, unit: &Unit, wired: [&str; 4], third: &str) -> String {
        let section = self.section(unit);
        let third = self.node(third);
        self.statement(unit, section, wired, &third, "")
    }

    fn statement(
        &mut self,
        unit: &Unit,
        (name, kind, section): (String, String, usize),
        wired: [&str; 4],
        third: &str,
        words: &str,
    ) -> String {
        let [plate, grid, screen, cathode] = wired.map(|node| self.node(node));
        let mut line = format!("tube {name} {kind} section {section}");
        if self.own_types.iter().any(|own| own.name == unit.name) {
            line = format!("tube {name} {}", unit.name);
        }
        for electrode in &unit.electrodes {
            let (word, node) = match electrode {
                Electrode::Plate => ("plate", plate.as_str()),
                Electrode::Grid => ("grid", grid.as_str()),
                Electrode::Screen => ("screen", screen.as_str()),
                Electrode::Cathode => ("cathode", cathode.as_str()),
                Electrode::Suppressor => ("suppressor", third),
                Electrode::Grid3 => ("grid3", third),
                Electrode::Target => ("target", screen.as_str()),
            };
            let _ = write!(line, " {word}={node}");
        }
        self.line(line + words);
        name
    }

    /// Where a suppressor, or the second grid of a converter, goes: mostly to the cathode.
    fn third_grid(&mut self, unit: &Unit, name: &str, cathode: &str) -> String {
        let [suppressor, grid3] = [Electrode::Suppressor, Electrode::Grid3]
            .map(|electrode| unit.electrodes.contains(&electrode));
        if suppressor && self.chance(0.15) {
            return self.pick(&[COMMON.to_owned(), cathode.to_owned()]);
        }
        if !grid3 || self.chance(0.6) {
            return cathode.to_owned();
        }
        let node = format!("@{name}.g3");
        self.leak(&node, COMMON);
        if self.chance(0.5) {
            // The oscillator's own bias.
            let volts = self.between(1.0, 20.0).round();
            let words = format!("{volts}V source 47k");
            self.part("supply", "B", &words, COMMON, &node);
        }
        self.node(&node)
    }

    /// A type by one of its names.
    fn also_named(&mut self, name: &str, aliases: &[String]) -> String {
        if aliases.is_empty() || self.chance(0.8) {
            return name.to_owned();
        }
        self.pick(aliases)
    }

    /// The bottle that a unit is put in, the one before where that has a section left: designator, type, section.
    fn section(&mut self, unit: &Unit) -> (String, String, usize) {
        if let Some(mut bottle) = self.bottle.take()
            && bottle.unit == unit.name
            && unit.alike.contains(&bottle.first)
            && let Some(section) = bottle.left.pop()
        {
            return (bottle.designator, bottle.written, section);
        }
        let designator = self.designator("V");
        let written = self.also_named(&unit.name, &unit.aliases);
        let left: Vec<usize> = unit
            .alike
            .iter()
            .copied()
            .filter(|&section| section != unit.section)
            .collect();
        if self.chance(0.6) && !left.is_empty() {
            self.bottle = Some(Bottle {
                designator: designator.clone(),
                written: written.clone(),
                unit: unit.name.clone(),
                first: unit.section,
                left,
            });
        }
        (designator, written, unit.section)
    }

    /// A screen's node: the feed itself, or one behind a dropper or on a divider.
    pub fn screen(&mut self, unit: &Unit, feed: &str, volts: f64, name: &str) -> String {
        if !unit.has_screen() || unit.screen >= 0.9 * volts || self.chance(0.1) {
            return feed.to_owned();
        }
        let drawn = unit.screen_amps.max(2e-5);
        let spread = self.between(0.5, 2.0);
        let dropper = (volts - unit.screen).max(1.0) / drawn * spread;
        if self.chance(0.7) {
            self.resistor(feed, name, dropper);
        } else {
            let share = (unit.screen / volts).clamp(0.05, 0.95);
            self.divider(feed, name, COMMON, 0.5 * dropper / (1.0 - share), share);
        }
        if self.chance(0.8) {
            self.capacitor(name, COMMON);
        }
        name.to_owned()
    }

    /// A part with two ends.
    pub fn two_ended(&mut self, keyword: &str, kind: &TwoEnded, from: &str, to: &str) -> String {
        let letter = if keyword == "regulator" { "V" } else { "D" };
        let name = self.also_named(&kind.name, &kind.aliases);
        self.part(keyword, letter, &name, from, to)
    }
}
