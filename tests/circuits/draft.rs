//! A stage file that is being drawn: statements with designators of their own,
//! values as they are sold and as they are written.

mod tubes;

use std::collections::BTreeMap;
use std::fmt::Write as _;

use deadstage_parts::Series;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::types::{self, Unit};
use super::typist::typed;
use tubes::Bottle;

/// The common node.
pub const COMMON: &str = "chassis";

/// Share of drafts whose values nobody would choose, though they are legal.
const WILD: f64 = 0.12;

/// A stage file in the making, and the chance that decides of it.
///
/// A node is named as its circuit calls it; where several circuits are laid into one file, each
/// gets its own place before its names. A name with `@` before it is the whole file's.
#[derive(Debug)]
pub struct Draft {
    rng: Pcg64Mcg,
    text: String,
    place: String,
    numbers: BTreeMap<&'static str, usize>,
    wild: bool,
    bottle: Option<Bottle>,
    /// Feeds that several circuits share, with their volts.
    rails: Vec<(String, f64)>,
    own_types: Vec<Unit>,
    settings: Vec<String>,
    outputs: Vec<String>,
    inputs: Vec<String>,
}

impl Draft {
    /// An empty draft; everything that chance decides follows from the seed.
    #[must_use]
    pub fn new(seed: u64) -> Self {
        let mut rng = Pcg64Mcg::seed_from_u64(seed);
        let wild = rng.random::<f64>() < WILD;
        Self {
            rng,
            text: String::new(),
            place: String::new(),
            numbers: BTreeMap::new(),
            wild,
            bottle: None,
            rails: Vec::new(),
            own_types: Vec::new(),
            settings: Vec::new(),
            outputs: Vec::new(),
            inputs: Vec::new(),
        }
    }

    /// The file.
    #[must_use]
    pub fn finish(mut self) -> String {
        let mut head = "stage \"Drawn at random\"\n".to_owned();
        if !self.settings.is_empty() {
            // A string can't fail to be written to.
            let _ = writeln!(head, "settings {}", self.settings.join(" "));
        }
        head + &typed(&self.text, &mut self.rng)
    }

    /// A line as it is.
    pub fn line(&mut self, line: impl AsRef<str>) {
        self.text.push_str(line.as_ref());
        self.text.push('\n');
    }

    // Chance.

    /// Anywhere from 0 to 1.
    pub fn share(&mut self) -> f64 {
        self.rng.random()
    }

    /// Whether it happens.
    pub fn chance(&mut self, probability: f64) -> bool {
        self.share() < probability
    }

    /// A whole number, both ends included.
    pub fn count(&mut self, least: usize, most: usize) -> usize {
        self.rng.random_range(least..=most)
    }

    /// One of several.
    pub fn pick<T: Clone>(&mut self, of: &[T]) -> T {
        of[self.rng.random_range(0..of.len())].clone()
    }

    /// Anywhere between, in equal ratios.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low * (high / low).powf(self.share())
    }

    /// Volts of a feed: mostly those of prints.
    pub fn volts(&mut self) -> f64 {
        if self.wild {
            return self.between(1.0, 2500.0).round();
        }
        if self.chance(0.6) {
            return self.pick(&[
                67.5, 90.0, 100.0, 135.0, 150.0, 180.0, 200.0, 225.0, 250.0, 275.0, 300.0, 350.0,
                400.0, 450.0,
            ]);
        }
        self.between(45.0, 500.0).round()
    }

    /// A value as it is sold, near `target`; far off in a draft of values that nobody would choose.
    pub fn sold(&mut self, target: f64) -> f64 {
        let spread: f64 = if self.wild { 30.0 } else { 1.5 };
        let target = target * self.between(1.0 / spread, spread);
        // Before the preferred values came 25 k, 50 k, 250 k.
        let old = [1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 7.5];
        if self.chance(0.15) {
            let decade = 10f64.powf(target.log10().floor());
            return self.pick(&old) * decade;
        }
        let series = self.pick(&[Series::E12, Series::E24]);
        let beside = series.beside(target);
        beside.first().copied().unwrap_or(target)
    }

    // Names.

    /// The whole file's name of a node.
    #[must_use]
    pub fn node(&self, name: &str) -> String {
        match name.strip_prefix('@') {
            Some(whole) => whole.to_owned(),
            None if name == COMMON => name.to_owned(),
            None => format!("{}{name}", self.place),
        }
    }

    /// The next designator of a letter.
    pub fn designator(&mut self, letter: &'static str) -> String {
        let number = self.numbers.entry(letter).or_default();
        *number += 1;
        format!("{letter}{number}")
    }

    /// A statement from one node to another, its designator's letter first; gives the designator.
    pub fn part(
        &mut self,
        keyword: &str,
        letter: &'static str,
        value: &str,
        from: &str,
        to: &str,
    ) -> String {
        let name = self.designator(letter);
        let (from, to) = (self.node(from), self.node(to));
        self.line(format!("{keyword} {name} {value} from {from} to {to}"));
        name
    }

    // Passive parts.

    /// A number as a print or a typist writes it.
    pub fn written(&mut self, value: f64) -> String {
        let (scaled, letter) = match value {
            v if v >= 1e6 => (v / 1e6, "M"),
            v if v >= 1e3 => (v / 1e3, "k"),
            v => (v, "R"),
        };
        let digits = format!("{:.3}", scaled);
        let digits = digits.trim_end_matches('0').trim_end_matches('.');
        match self.count(0, 3) {
            0 if digits.contains('.') => digits.replace('.', letter),
            1 if letter == "M" => format!("{digits}meg"),
            1 if letter == "R" => format!("{digits}ohm"),
            1 => format!("{digits}kΩ"),
            2 => format!("{value:.3}"),
            _ if letter == "R" => digits.to_owned(),
            _ => format!("{digits}{letter}"),
        }
    }

    /// A resistor of about so many ohms.
    pub fn resistor(&mut self, from: &str, to: &str, ohms: f64) {
        if self.node(from) == self.node(to) {
            return;
        }
        let ohms = self.sold(ohms).clamp(0.01, 1e10);
        let mut words = self.written(ohms);
        words += self.pick(&[
            "",
            "",
            " 5%",
            " ±10%",
            " 20%",
            " film",
            " wirewound 10W",
            " 1W",
        ]);
        self.part("resistor", "R", &words, from, to);
    }

    /// A capacitor between two nodes, of coupling or bypass size.
    pub fn capacitor(&mut self, from: &str, to: &str) {
        let words = self.pick(&[
            "20n paper",
            "0.1u 400V",
            "10n mica",
            "0.05mfd paper",
            "8u electrolytic",
            "25u 25V electrolytic",
            "100p ceramic",
            "1u oil",
        ]);
        self.part("capacitor", "C", words, from, to);
    }

    /// A grid's leak.
    pub fn leak(&mut self, grid: &str, to: &str) {
        let ohms = self.between(4.7e4, 4.7e6);
        self.resistor(grid, to, ohms);
    }

    /// Now and then a stopper before a grid, whose node then holds the grid alone; gives the grid's node.
    pub fn stopper(&mut self, at: &str) -> String {
        if !self.chance(0.3) {
            return at.to_owned();
        }
        let behind = format!("{}.s", at.trim_start_matches('@'));
        let ohms = self.between(100.0, 220e3);
        self.resistor(at, &behind, ohms);
        behind
    }

    /// A divider of about so many ohms in all, `share` of its volts at `at`.
    pub fn divider(&mut self, from: &str, at: &str, to: &str, ohms: f64, share: f64) {
        self.resistor(from, at, ohms * (1.0 - share).max(1e-3));
        self.resistor(at, to, ohms * share.max(1e-3));
    }

    /// A potentiometer between two nodes with its wiper at a third.
    pub fn potentiometer(&mut self, ends: [&str; 2], wiper: &str, ohms: f64) -> String {
        let ohms = self.sold(ohms).max(1.0);
        let value = self.written(ohms);
        let place = match self.count(0, 5) {
            0 => "?".to_owned(),
            1 => "0%".to_owned(),
            2 => "100%".to_owned(),
            _ => format!("{}%", self.count(1, 99)),
        };
        let name = self.designator("P");
        let [from, to] = ends.map(|node| self.node(node));
        let wiper = self.node(wiper);
        self.line(format!(
            "potentiometer {name} {value} at {place} from {from} to {to} wiper {wiper}"
        ));
        name
    }

    // Feeds.

    /// A positive feed of so many volts, or one that is there already where circuits share; gives its node.
    pub fn feed(&mut self, volts: f64) -> String {
        if !self.rails.is_empty() && self.chance(0.8) {
            let rails = self.rails.clone();
            return self.pick(&rails).0;
        }
        self.own_feed(volts)
    }

    /// A feed that nothing else is on.
    pub fn own_feed(&mut self, volts: f64) -> String {
        let number = self.numbers.entry("bplus").or_default();
        *number += 1;
        let node = format!("@bplus{number}");
        match self.count(0, 9) {
            0..=3 => {
                let ohms = self.between(2.0, 3000.0).round();
                let words = format!("{volts}V ±5% source {ohms}");
                let follows = self.pick(&["", " follows line"]);
                let name = self.designator("B");
                let at = self.node(&node);
                self.line(format!(
                    "supply {name} {words} from {at} to {COMMON}{follows}"
                ));
            }
            4 | 5 => {
                let raw = format!("{node}.raw");
                self.rectified(&raw, COMMON, volts * 1.1);
                let ohms = self.between(50.0, 3000.0);
                self.resistor(&raw, &node, ohms);
                self.part("capacitor", "C", "20u 450V electrolytic", &node, COMMON);
            }
            6 | 7 => {
                let raw = format!("{node}.raw");
                self.part("supply", "B", &format!("{}V", volts * 1.15), &raw, COMMON);
                let ohms = self.between(100.0, 10e3);
                self.resistor(&raw, &node, ohms);
            }
            _ => {
                self.part("supply", "B", &format!("{volts}V"), &node, COMMON);
            }
        }
        node
    }

    /// A negative feed of so many volts; gives its node.
    pub fn bias(&mut self, volts: f64) -> String {
        let number = self.numbers.entry("minus").or_default();
        *number += 1;
        let node = format!("@minus{number}");
        let words = if self.chance(0.5) {
            let ohms = self.between(10.0, 10e3).round();
            format!("{volts}V source {ohms}")
        } else {
            format!("{volts}V")
        };
        self.part("supply", "B", &words, COMMON, &node);
        node
    }

    /// A rectifier supply of about so many volts with its reservoir or choke.
    pub fn rectified(&mut self, from: &str, to: &str, volts: f64) {
        let kind = self.pick(&types::RECTIFIERS);
        let connection = self.pick(&["full-wave", "half-wave", "bridge", "doubler"]);
        let choke = matches!(connection, "full-wave" | "bridge") && self.chance(0.2);
        let rms = match (choke, connection) {
            (true, _) => volts / 0.85,
            (false, "doubler") => volts / 2.4,
            (false, _) => volts / 1.2,
        };
        let ohms = self.between(10.0, 400.0).round();
        let name = self.designator("V");
        let (from, to) = (self.node(from), self.node(to));
        if choke {
            let before = format!("{from}.wave");
            self.line(format!(
                "rectifier {name} {} {connection} {rms:.1}V winding {ohms} input choke from {before} to {to}",
                kind.name
            ));
            let ohms = self.between(40.0, 400.0).round();
            let henries = self.pick(&[" 10H", " 5H", " 20H"]);
            let name = self.designator("L");
            self.line(format!(
                "choke {name} {ohms}{henries} from {before} to {from}"
            ));
        } else {
            self.line(format!(
                "rectifier {name} {} {connection} {rms:.1}V winding {ohms} input capacitor from {from} to {to}",
                kind.name
            ));
            let name = self.designator("C");
            self.line(format!(
                "capacitor {name} 16u 450V electrolytic from {from} to {to}"
            ));
        }
    }

    // What other circuits may be joined to.

    /// A node that a next circuit may be driven from.
    pub fn output(&mut self, node: &str) {
        let node = format!("@{}", self.node(node));
        self.outputs.push(node);
    }

    /// A node that may be driven.
    pub fn input(&mut self, node: &str) {
        let node = format!("@{}", self.node(node));
        self.inputs.push(node);
    }

    /// A control setting that is not named yet; gives its name.
    pub fn setting(&mut self, name: &str) -> String {
        if !self.settings.iter().any(|s| s == name) {
            self.settings.push(name.to_owned());
        }
        name.to_owned()
    }

    /// What follows gets `place` before its nodes; gives the outputs and inputs so far, which are forgotten.
    pub fn at_place(&mut self, place: &str) -> (Vec<String>, Vec<String>) {
        place.clone_into(&mut self.place);
        (
            std::mem::take(&mut self.outputs),
            std::mem::take(&mut self.inputs),
        )
    }

    /// A feed that the circuits to come share.
    pub fn rail(&mut self, volts: f64) {
        let node = self.own_feed(volts);
        self.rails.push((node, volts));
    }
}
