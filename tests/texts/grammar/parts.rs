//! Statements of a stage.

use deadstage_netlist::{Electrode, TubeName, TubeRole};
use rand::{Rng, RngExt};

use super::{Grammar, SETTINGS};

impl<R: Rng> Grammar<'_, R> {
    /// A statement that is no part, or a part.
    pub(super) fn statement(&mut self) -> String {
        match self.rng.random_range(0..24) {
            0 => format!("notes {}", self.quoted()),
            1 => format!("section {}", self.quoted()),
            2 => format!("defaults resistor {}", self.pick(&["10%", "5% 2W", "film"])),
            3 => {
                let path = self.pick(&["a", "a", "b", "itself", "gone"]);
                let prefix = format!("as P{}", self.next);
                self.next += 1;
                format!("include \"{path}\" {prefix}")
            }
            4..=6 => self.tube(),
            7..=8 => self.source(),
            9 => self.switched(),
            10 => self.coil(),
            11..=12 => self.small(),
            13 => {
                let track = format!(
                    "{} at {}",
                    self.ohms(),
                    self.pick(&["30%", "?", "0%", "100%"])
                );
                format!(
                    "potentiometer {} {track} {} wiper {}",
                    self.designator("VR"),
                    self.ends(),
                    self.node()
                )
            }
            14..=16 => {
                let farads = self.number(&["n", "u", "p", "mfd", "mmf", "µF"]);
                let make = self.pick(&["paper", "mica", "400V", "electrolytic 25V", ""]);
                let tolerance = self.perhaps(3, |g| g.pick(&["10%", "±20%"]).to_owned());
                format!(
                    "capacitor {} {farads} {make}{tolerance} {}",
                    self.designator("C"),
                    self.ends()
                )
            }
            _ => {
                let (ohms, ratings) = (self.ohms(), self.ratings());
                let make = self.perhaps(4, |g| {
                    g.pick(&["film", "wirewound", "composition"]).to_owned()
                });
                format!(
                    "resistor {} {ohms} {ratings}{make} {}",
                    self.designator("R"),
                    self.ends()
                )
            }
        }
    }

    /// Tolerance and ratings in any order.
    fn ratings(&mut self) -> String {
        let mut said = Vec::new();
        if self.once_in(2) {
            said.push(self.pick(&["10%", "±5%", "+-20%", "± 10%", "1%", "0%", "100%"]));
        }
        if self.once_in(3) {
            said.push(self.pick(&["0.5W", "1/2W", "10W", "2watts", "500mW"]));
        }
        if self.rng.random() {
            said.reverse();
        }
        said.join(" ")
    }

    fn coil(&mut self) -> String {
        if self.rng.random() {
            let henries = self.perhaps(2, |g| g.number(&["", "m", "u"]) + "H");
            let ohms = self.number(&["", "k"]);
            return format!(
                "choke {} {ohms}{henries} {}",
                self.designator("L"),
                self.ends()
            );
        }
        let name = self.designator("T");
        let ohms = self.number(&["", "k"]);
        format!(
            "transformer {name}\nwinding {name}p {ohms} of {name} {}",
            self.ends()
        )
    }

    fn small(&mut self) -> String {
        let cold = self.perhaps(3, |g| format!("cold {}", g.ohms()));
        let perhaps_ohms = self.perhaps(2, |g| g.number(&["", ""]));
        match self.rng.random_range(0..4) {
            0 => {
                let ohms = self.ohms();
                let volts = self.pick(&["6.3V", "", "12V"]);
                format!(
                    "lamp {} {ohms} {volts}{cold} {}",
                    self.designator("P"),
                    self.ends()
                )
            }
            1 => {
                let ohms = self.ohms();
                format!(
                    "thermistor {} {ohms}{cold} {}",
                    self.designator("TH"),
                    self.ends()
                )
            }
            2 => format!(
                "fuse {}{perhaps_ohms} {}",
                self.designator("F"),
                self.ends()
            ),
            _ => format!(
                "link {}{perhaps_ohms} {}",
                self.designator("J"),
                self.ends()
            ),
        }
    }

    fn source(&mut self) -> String {
        if self.once_in(3) {
            let tube_type = self.type_of(TubeRole::Rectifier, &["silicon", "selenium"]);
            let connection = self.pick(&["full-wave", "half-wave", "bridge", "doubler"]);
            let filter = match connection {
                "doubler" => "capacitor",
                _ => self.pick(&["capacitor", "choke"]),
            };
            let winding = format!("{} winding {}", self.volts(), self.number(&["", "k"]));
            return format!(
                "rectifier {} {tube_type} {connection} {winding} input {filter} {}",
                self.designator("V"),
                self.ends()
            );
        }
        let source = self.perhaps(2, |g| format!("source {}", g.ohms()));
        let follows = self.perhaps(2, |_| "follows line".to_owned());
        let volts = self.volts();
        format!(
            "supply {} {volts}{source} {}{follows}",
            self.designator("B"),
            self.ends()
        )
    }

    fn switched(&mut self) -> String {
        let ends = self.ends();
        let rests = self.pick(&["open", "closed"]);
        match self.rng.random_range(0..4) {
            0 => {
                let (one, other) = (self.pick(&SETTINGS), self.pick(&SETTINGS));
                format!(
                    "switch {} {ends} closed in {one} {other}",
                    self.designator("S")
                )
            }
            1 => {
                let coil = format!("{} pulls-in {}A", self.ohms(), self.number(&["m", "u"]));
                let name = self.designator("K");
                format!(
                    "relay {name} {coil} {ends}\ncontact {name}b of {name} {} normally {rests}",
                    self.ends()
                )
            }
            2 => match self.used_of("K") {
                Some(relay) => {
                    let name = self.designator("KC");
                    format!("contact {name} of {relay} {ends} normally {rests}")
                }
                None => format!("link {} {ends}", self.designator("J")),
            },
            _ => {
                let movement =
                    self.pick(&["1mA 100", "50uA 1.7k", "75mV 0.5", "1A 0.1", "1mA 10M"]);
                let scale = self.pick(&[
                    "0-500 mA",
                    "-10 to 10 dB",
                    "0-300 V",
                    "0-1",
                    "0 - 1e300 A",
                    "5-5 V",
                    "0-100 %",
                ]);
                format!(
                    "meter {} {movement} scale \"{scale}\" {ends}",
                    self.designator("M")
                )
            }
        }
    }

    /// A type of the table, or one of `others`.
    fn type_of(&mut self, role: TubeRole, others: &[&str]) -> String {
        if !others.is_empty() && self.rng.random() {
            return self.pick(others).to_owned();
        }
        self.table_type(role).name.clone()
    }

    fn table_type(&mut self, role: TubeRole) -> &TubeName {
        let types = &self.corpus.names.types;
        let such: Vec<&TubeName> = types.iter().filter(|tube| tube.role == role).collect();
        such[self.rng.random_range(0..such.len())]
    }

    fn tube(&mut self) -> String {
        match self.rng.random_range(0..8) {
            0 => {
                let name = self.type_of(TubeRole::Regulator, &[]);
                format!("regulator {} {name} {}", self.designator("V"), self.ends())
            }
            1 => {
                let name = self.type_of(TubeRole::Rectifier, &["silicon", "germanium", "selenium"]);
                format!("diode {} {name} {}", self.designator("D"), self.ends())
            }
            2 => {
                let of = self.pick(&["germanium pnp", "silicon npn", "germanium npn", "X-1"]);
                let [emitter, base, collector] = [(); 3].map(|()| self.node());
                format!(
                    "transistor {} {of} emitter={emitter} base={base} collector={collector}",
                    self.designator("Q")
                )
            }
            3 if self.has_own_type => {
                let (plate, grid) = (self.node(), self.node());
                format!(
                    "tube {} OWN3 plate={plate} grid={grid} cathode=chassis",
                    self.designator("V")
                )
            }
            _ => self.table_tube(),
        }
    }

    fn table_tube(&mut self) -> String {
        let tube = self.table_type(TubeRole::Amplifier).clone();
        let unit = self.rng.random_range(0..tube.units.len());
        let mut line = format!("tube {} {}", self.designator("V"), tube.name);
        if tube.units.len() > 1 || self.once_in(5) {
            line.push_str(&format!(" section {}", unit + 1));
        }
        let mut electrodes: Vec<Electrode> = tube.units[unit].iter().map(|(e, _)| *e).collect();
        electrodes.sort_unstable();
        electrodes.dedup();
        for electrode in electrodes {
            if electrode == Electrode::Suppressor && self.rng.random() {
                continue;
            }
            let word = match electrode {
                Electrode::Plate => "plate",
                Electrode::Grid => "grid",
                Electrode::Screen => "screen",
                Electrode::Suppressor => "suppressor",
                Electrode::Cathode => "cathode",
                Electrode::Grid3 => "grid3",
                Electrode::Target => "target",
            };
            line.push_str(&format!(" {word}={}", self.node()));
        }
        let drive = ["drive 25V peak", "drive 2mA grid"];
        line + &self.perhaps(10, |g| g.pick(&drive).to_owned())
    }

    /// A value of the print, or where a probe reaches.
    pub(super) fn about_a_point(&mut self) -> String {
        let place = match self.rng.random_range(0..8) {
            0 => self.used_of("R").map(|name| format!("across {name}")),
            1 => self.used_of("R").map(|name| format!("through {name}")),
            2 => {
                let terminal = self.pick(&["plate", "cathode", "pin 3", "section 2 plate"]);
                self.used_of("V").map(|name| format!("{name} {terminal}"))
            }
            3 => self.used_of("M").map(|name| format!("panel {name}")),
            _ => None,
        };
        let point = place.unwrap_or_else(|| self.used_node().to_owned());
        if self.once_in(3) {
            return format!(
                "testpoint {point} {}",
                self.pick(&["", "awkward", "hazard"])
            );
        }
        let unit = if point.starts_with("through") {
            "mA"
        } else {
            "V"
        };
        let sign = self.pick(&["", "", "-"]);
        let number = self.rng.random_range(0..400);
        let tolerance = self.perhaps(2, |g| g.pick(&["±15%", "10%", "±2V", "±0V"]).to_owned());
        let setting = self.perhaps(4, |g| format!("in {}", g.pick(&SETTINGS)));
        let meter = self.perhaps(4, |g| format!("with {}", g.meter()));
        format!("expect {point} {sign}{number}{unit}{tolerance}{setting}{meter}")
    }
}
