//! Texts about a stage that is there: sheets, rates files, words of the command line.

use deadstage_netlist::{PartKind, Stage};
use deadstage_parts::{Mode, PartClass};
use rand::{Rng, RngExt};

use super::Grammar;

const LOOKS: [&str; 5] = ["burnt", "cracked", "leaking", "hot", "arcing"];

impl<R: Rng> Grammar<'_, R> {
    /// A part's designator and, of a tube, perhaps a section.
    fn part_of(&mut self, stage: &Stage) -> String {
        let part = &stage.parts[self.rng.random_range(0..stage.parts.len())];
        match part.kind {
            PartKind::Tube {
                unit: Some(unit), ..
            } if self.rng.random() => {
                format!("{} section {unit}", part.name)
            }
            _ => part.name.clone(),
        }
    }

    /// A part that a question of this kind can be asked of, as often as not.
    fn such_part(&mut self, stage: &Stage, is_such: impl Fn(&PartKind) -> bool) -> String {
        let such: Vec<&str> = stage
            .parts
            .iter()
            .filter(|part| is_such(&part.kind))
            .map(|part| part.name.as_str())
            .collect();
        if such.is_empty() || self.once_in(10) {
            return self.part_of(stage);
        }
        such[self.rng.random_range(0..such.len())].to_owned()
    }

    fn probe_of(&mut self, stage: &Stage) -> String {
        let two_ended = |kind: &PartKind| kind.ends().is_some();
        let tube = |kind: &PartKind| matches!(kind, PartKind::Tube { .. });
        match self.rng.random_range(0..6) {
            0 => format!("across {}", self.such_part(stage, two_ended)),
            1 => {
                let terminal = self.pick(&["plate", "grid", "screen", "cathode", "pin 1", "pin 6"]);
                format!("{} {terminal}", self.such_part(stage, tube))
            }
            _ => stage.nodes[self.rng.random_range(0..stage.nodes.len())]
                .name
                .clone(),
        }
    }

    pub(super) fn sheet(&mut self, stage: &Stage) -> String {
        let mut text = format!("readings {}\n", self.quoted());
        for _ in 0..self.length(8, 30) {
            let line = self.sheet_line(stage);
            text.push_str(&line);
            text.push('\n');
        }
        text
    }

    fn sheet_line(&mut self, stage: &Stage) -> String {
        let bound = self.perhaps(6, |g| g.pick(&[">", "<"]).to_owned());
        let tail = self.perhaps(4, |g| g.tail(stage));
        let two_ended = |kind: &PartKind| kind.ends().is_some();
        let is_meter = |kind: &PartKind| matches!(kind, PartKind::Meter { .. });
        let is_tube = |kind: &PartKind| matches!(kind, PartKind::Tube { .. });
        match self.rng.random_range(0..14) {
            0 => format!("meter {}", self.meter()),
            1 => format!("line {}", self.pick(&["117V", "121", "90V", "117V", "9kV"])),
            2 if !stage.settings.is_empty() => {
                let index = self.rng.random_range(0..stage.settings.len());
                format!("setting {}", stage.settings[index])
            }
            2 | 3 => format!("notes {}", self.quoted()),
            4 => {
                let part = self.such_part(stage, two_ended);
                format!(
                    "amps through {part}{bound} {}A{tail}",
                    self.number(&["m", "u"])
                )
            }
            5 => {
                let part = self.such_part(stage, is_meter);
                format!("panel {part}{bound} {}{tail}", self.number(&["", "m"]))
            }
            6 => {
                let part = self.such_part(stage, is_tube);
                format!("tester {part}{bound} {}%", self.rng.random_range(0..320))
            }
            7 => format!("seen {} {}", self.part_of(stage), self.pick(&LOOKS)),
            8 => {
                let what = self.pick(&["good", "replaced"]);
                format!("{what} {}", self.part_of(stage))
            }
            9 | 10 => {
                let ohms = self.pick(&["inf", "1.02M", "0", "470k", "-5", "4K7"]);
                format!("ohms {}{bound} {ohms}{tail}", self.probe_of(stage))
            }
            _ => {
                let sign = self.pick(&["", "", "-"]);
                let volts = self.volts();
                format!("volts {}{bound} {sign}{volts}{tail}", self.probe_of(stage))
            }
        }
    }

    /// What may stand behind a reading.
    fn tail(&mut self, stage: &Stage) -> String {
        let is_tube = |kind: &PartKind| matches!(kind, PartKind::Tube { .. });
        let is_soldered = |kind: &PartKind| matches!(kind, PartKind::Capacitor { .. });
        match self.rng.random_range(0..4) {
            0 => format!("with {} pulled", self.such_part(stage, is_tube)),
            1 => format!("with {} lifted", self.such_part(stage, is_soldered)),
            2 => "range 250V".to_owned(),
            _ => "bench 80mA".to_owned(),
        }
    }

    pub(super) fn rates(&mut self, stage: &Stage) -> String {
        let mut text = format!("rates {}\n", self.quoted());
        if self.once_in(3) {
            let from = ["from in-service\n", "from decades-old\n", "from table\n"];
            text.push_str(self.pick(&from));
        }
        for _ in 0..self.length(6, 15) {
            let class = PartClass::ALL[self.rng.random_range(0..PartClass::ALL.len())];
            let what = match self.rng.random_range(0..3) {
                0 => class.name().to_owned(),
                1 => self
                    .pick(&["resistor", "capacitor", "diode", "rectifier"])
                    .to_owned(),
                _ => self.part_of(stage),
            };
            let mode = self.perhaps(3, |g| {
                let index = g.rng.random_range(0..Mode::ALL.len());
                Mode::ALL[index].name().to_owned()
            });
            let often = [
                "x3", "x0", "x0.5", "2%", "0%", "95%", "x1000", "×2", "99%", "x",
            ];
            text.push_str(&format!("{what}{mode} {}\n", self.pick(&often)));
        }
        text
    }

    pub(super) fn argument(&mut self, stage: &Stage) -> String {
        match self.rng.random_range(0..5) {
            0 => self.meter(),
            1 => self.volts(),
            2 => self.probe_of(stage),
            3 => self.number(&["m", "k", "", "u"]) + self.pick(&["A", "V", "", "ohm"]),
            _ => {
                let (point, volts) = (self.probe_of(stage), self.volts());
                format!(
                    "{point}={volts}{}",
                    self.perhaps(4, |_| "range 250V".to_owned())
                )
            }
        }
    }
}
