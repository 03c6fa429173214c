//! Texts from the grammar: stages that mostly hold together, sheets and rates files about their parts.
//!
//! Most of what is drawn here reads without an error, so that what lies behind the reader is
//! reached: printing, the wiring, the network. One number in twenty is out of all reason.

mod about;
mod parts;

use rand::{Rng, RngExt};

use super::Kind;
use super::corpus::Corpus;

const NODES: [&str; 14] = [
    "chassis", "chassis", "bplus", "bplus", "a", "b", "c", "plate1", "grid1", "cathode1", "PLATE1",
    "x.y", "k_", "é+",
];

const SETTINGS: [&str; 4] = ["receive", "transmit", "tune", "Ω-test"];

/// Numbers that no part has.
const ODD_NUMBERS: [&str; 10] = [
    "0",
    "-0",
    "-1",
    "1e999",
    "1e-999",
    "inf",
    "nan",
    ".",
    "1,5",
    "0.0000001",
];

/// Draws texts of the grammar.
pub struct Grammar<'g, R> {
    rng: &'g mut R,
    corpus: &'g Corpus,
    /// Number of the next designator.
    next: u32,
    /// Designators used so far.
    parts: Vec<String>,
    /// Nodes used so far.
    nodes: Vec<&'static str>,
    /// Whether the stage defines a tube type of its own.
    has_own_type: bool,
}

impl<'g, R: Rng> Grammar<'g, R> {
    /// A grammar that draws by `rng` and takes its tubes and stages from `corpus`.
    pub fn new(rng: &'g mut R, corpus: &'g Corpus) -> Self {
        Self {
            rng,
            corpus,
            next: 1,
            parts: Vec::new(),
            nodes: Vec::new(),
            has_own_type: false,
        }
    }

    /// A text of that kind.
    pub fn of(&mut self, kind: Kind) -> String {
        match kind {
            Kind::Stage => self.stage(),
            Kind::Sheet(of) => self.sheet(self.corpus.stage_of(of)),
            Kind::Rates(of) => self.rates(self.corpus.stage_of(of)),
            Kind::Argument(of) => self.argument(self.corpus.stage_of(of)),
        }
    }

    fn stage(&mut self) -> String {
        let mut text = format!("stage {}\n", self.quoted());
        if self.once_in(4) {
            text.push_str("common chassis\n");
        }
        if self.once_in(3) {
            text.push_str("line 117V\n");
        }
        text.push_str("settings receive transmit tune Ω-test\n");
        if self.once_in(4) {
            self.has_own_type = true;
            text.push_str("tubetype OWN3 triode mu 20 plate 250V grid -8V current 9mA gm 2.6mS\n");
        }
        for _ in 0..self.length(10, 30) {
            let line = self.statement();
            text.push_str(&line);
            text.push('\n');
        }
        for _ in 0..self.length(3, 6) {
            let line = self.about_a_point();
            text.push_str(&line);
            text.push('\n');
        }
        text
    }

    /// How many lines: few most of the time, for a fault seldom needs many.
    fn length(&mut self, few: usize, many: usize) -> usize {
        let most = if self.once_in(10) { many } else { few };
        self.rng.random_range(0..=most)
    }

    fn pick<'t>(&mut self, from: &[&'t str]) -> &'t str {
        let index = self.rng.random_range(0..from.len());
        from[index]
    }

    /// Once in so many times.
    fn once_in(&mut self, times: u32) -> bool {
        self.rng.random_ratio(1, times)
    }

    /// The text, once in so many times; nothing otherwise.
    fn perhaps(&mut self, times: u32, text: impl FnOnce(&mut Self) -> String) -> String {
        if self.once_in(times) {
            format!(" {}", text(self))
        } else {
            String::new()
        }
    }

    /// A text in quotes.
    fn quoted(&mut self) -> String {
        const WORDS: [&str; 9] = [
            "Phono",
            "",
            "\\\"",
            "\\\\",
            "\\n",
            "left # right",
            "é°Ω",
            "\u{202e}",
            "\t",
        ];
        let words: Vec<&str> = (0..self.rng.random_range(0..4))
            .map(|_| self.pick(&WORDS))
            .collect();
        format!("\"{}\"", words.join(" "))
    }

    /// A designator of its own, or once in a while one that is taken.
    fn designator(&mut self, letters: &str) -> String {
        if !self.parts.is_empty() && self.once_in(100) {
            return self.used();
        }
        let name = format!("{letters}{}", self.next);
        self.next += 1;
        self.parts.push(name.clone());
        name
    }

    /// A designator that stands above, or one that stands nowhere.
    fn used(&mut self) -> String {
        match self.parts.len() {
            0 => "R9".to_owned(),
            many => self.parts[self.rng.random_range(0..many)].clone(),
        }
    }

    /// A designator that begins so, if one stands above; any other once in a while.
    fn used_of(&mut self, letters: &str) -> Option<String> {
        if self.once_in(30) {
            return Some(self.used());
        }
        let is_such = |name: &&String| name.trim_end_matches(|c: char| c.is_numeric()) == letters;
        let such: Vec<&String> = self.parts.iter().filter(is_such).collect();
        match such.len() {
            0 => None,
            many => Some(such[self.rng.random_range(0..many)].clone()),
        }
    }

    fn node(&mut self) -> &'static str {
        let node = self.pick(&NODES);
        self.nodes.push(node);
        node
    }

    /// A node that stands above; any other once in a while.
    fn used_node(&mut self) -> &'static str {
        if self.nodes.is_empty() || self.once_in(30) {
            return self.pick(&NODES);
        }
        self.nodes[self.rng.random_range(0..self.nodes.len())]
    }

    fn ends(&mut self) -> String {
        let from = self.node();
        let mut to = self.node();
        // Seldom the same node twice, which is an error.
        for _ in 0..3 {
            if to.eq_ignore_ascii_case(from) {
                to = self.node();
            }
        }
        if self.once_in(8) {
            format!("to {to} from {from}")
        } else {
            format!("from {from} to {to}")
        }
    }

    /// A number with a prefix or a letter in place of its point.
    fn number(&mut self, prefixes: &[&str]) -> String {
        let prefix = self.pick(prefixes);
        let whole = self.rng.random_range(1..1000);
        let part = self.rng.random_range(0..10);
        match self.rng.random_range(0..40) {
            0 => format!("{whole}e{}{prefix}", self.rng.random_range(-14..14)),
            1 => self.pick(&ODD_NUMBERS).to_owned(),
            2..=5 => format!("{whole}.{part}{prefix}"),
            6..=8 if prefix.len() == 1 => format!("{whole}{prefix}{part}"),
            9..=10 => format!("{part}.{whole:03}{prefix}"),
            _ => format!("{whole}{prefix}"),
        }
    }

    fn ohms(&mut self) -> String {
        match self.rng.random_range(0..12) {
            0 => self.number(&["R", "K", "M"]),
            1 => self.number(&["meg", "M"]),
            2 => self.number(&["", "k"]) + self.pick(&["Ω", "ohm", "ohms", "\u{2126}"]),
            _ => self.number(&["", "k", "k"]),
        }
    }

    fn volts(&mut self) -> String {
        let number = self.number(&["", "", "", "", "", "m"]);
        number + self.pick(&["V", "V", "V", "volts"])
    }

    fn meter(&mut self) -> String {
        let input = self.pick(&["20k/V", "11M", "10M", "ideal", "1k/V", "1000/volt"]);
        format!(
            "{input} {}",
            self.pick(&["", "3%", "0.8% + 0.02V", "0.8%+20mV", "2%"])
        )
    }
}
