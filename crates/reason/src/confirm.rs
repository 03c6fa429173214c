//! How to confirm a suspect with the power off: what the ohmmeter should show
//! in circuit if it is so and if it is not, computed for this stage; and where
//! the ohmmeter can't tell, what must be lifted, tested or substituted.

use deadstage_circuit::{Base, ElementId, Network, Overlay, Probe, Scratch, electrode_name};
use deadstage_netlist::{
    Dielectric, Electrode, OHMMETER_REACH, PartId, PartKind, Place, Stage, engineering,
};
use deadstage_parts::{self as parts, Mode, tube_table};

use crate::failure::{Action, Failure};
use crate::model::Held;
use crate::observe::ends;
use crate::wording;

/// Said before every check.
const FIRST: &str = "Power off and plug out; bleed the capacitors through a resistor and prove them empty with a meter.";

/// Two resistances this far apart are told from each other in circuit.
const TOLD_APART: f64 = 1.3;

/// Least resistance that an ohmmeter tells from its leads, ohms.
const LEAST_OHMS: f64 = 0.5;

/// Resistances below this are measured by the drop of a current, ohms.
const DROP_OHMS: f64 = 1.0;

/// A leak up to this is seen by an ohmmeter as it is seen by the set, ohms.
const OHMMETER_LEAK: f64 = 1e6;

/// The unpowered stage, to take ohms in.
pub(crate) struct Bench<'a> {
    pub(crate) stage: &'a Stage,
    pub(crate) network: &'a Network,
    /// Power off; `None` where it has no solution, and then no ohms are foretold.
    pub(crate) off: Option<Base<'a>>,
}

/// What an ohmmeter shows in circuit.
#[derive(Clone, Copy, Debug, PartialEq)]
struct InCircuit {
    good: f64,
    failed: f64,
}

impl InCircuit {
    fn tells(&self) -> bool {
        let seen = |ohms: f64| ohms.clamp(LEAST_OHMS, OHMMETER_REACH);
        let (good, failed) = (seen(self.good), seen(self.failed));
        (good / failed).max(failed / good) >= TOLD_APART
    }
}

/// How to confirm a set of failures, in sentences. `volts_across` gives the
/// voltage on a part in the faulty state, for want of a rating.
pub(crate) fn confirm(
    bench: &Bench<'_>,
    held: &[Held<'_>],
    volts_across: &dyn Fn(PartId) -> Option<f64>,
    scratch: &mut Scratch,
) -> String {
    let mut said = FIRST.to_owned();
    for (failure, u) in held {
        said.push(' ');
        said.push_str(&bench.step(failure, *u, volts_across, scratch));
    }
    said
}

impl Bench<'_> {
    fn step(
        &self,
        failure: &Failure,
        u: f64,
        volts_across: &dyn Fn(PartId) -> Option<f64>,
        scratch: &mut Scratch,
    ) -> String {
        let part = self.stage.part(failure.part);
        match &part.kind {
            PartKind::Tube { .. } => self.tube(failure, u),
            PartKind::Rectifier { tube_type, .. } => self.rectifier(failure, tube_type),
            PartKind::Regulator { .. } => self.regulator(failure, scratch),
            PartKind::Diode { .. } => self.diode(failure),
            PartKind::Transistor { .. } => format!(
                "{}: out of circuit, test both junctions each way with the ohmmeter, then substitute.",
                part.name
            ),
            PartKind::Supply { .. } => self.supply(failure, scratch),
            PartKind::Capacitor { dielectric, .. } => {
                self.capacitor(failure, u, *dielectric, volts_across, scratch)
            }
            PartKind::Potentiometer { .. } => self.potentiometer(failure, u, scratch),
            PartKind::Switch { .. } => self.contact(failure, u, "work it a few times", scratch),
            PartKind::Contact { .. } => {
                self.contact(failure, u, "move the armature by hand", scratch)
            }
            PartKind::Winding { .. } if matches!(failure.action, Action::TapOpen(_)) => format!(
                "Ohms from end to end of {} and its other half: as by the print if only the tap's lead is off; from the tap to either end: no reading. Look at the joint and the lead-out of the tap first.",
                part.name
            ),
            PartKind::Relay { .. } if failure.mode == Mode::Stuck => format!(
                "Work the armature of {} by hand: it must move freely and come back by its spring, and every contact must change over with it.",
                part.name
            ),
            PartKind::Meter { .. } if matches!(failure.action, Action::Indication(_)) => format!(
                "Take {} out and compare it on the bench with another meter in series, on a low-voltage source with a resistor that keeps the current within its scale.",
                part.name
            ),
            _ => self.resistance(failure, u, scratch),
        }
    }

    /// Ohms across a part in circuit, good and failed.
    fn in_circuit(&self, failure: &Failure, u: f64, scratch: &mut Scratch) -> Option<InCircuit> {
        let (from, to) = ends(self.stage, Place::Across(failure.part));
        self.between(from, to, Some((failure, u)), scratch)
    }

    fn between(
        &self,
        from: usize,
        to: usize,
        held: Option<Held<'_>>,
        scratch: &mut Scratch,
    ) -> Option<InCircuit> {
        let base = self.off.as_ref()?;
        if from == to {
            return None;
        }
        let probe = Probe::Ohms { from, to };
        let good = base
            .solve(&[], None, scratch)
            .ok()?
            .read(&probe, scratch, None);
        let mut overlay = Overlay::new();
        if let Some((failure, u)) = held {
            failure.lay(u, base, &mut overlay);
        }
        let failed = base
            .solve(&overlay, None, scratch)
            .ok()?
            .read(&probe, scratch, None);
        Some(InCircuit { good, failed })
    }

    /// An element's resistance with the power off, or by the print where that leaves it open.
    fn cold_ohms(&self, id: ElementId) -> f64 {
        let off = self.off.as_ref();
        off.map(|base| base.values().elements[id.0 as usize].ohms)
            .filter(|ohms| ohms.is_finite())
            .unwrap_or_else(|| self.network.element(id).ohms)
    }

    /// The part's own resistance, by the print and as failed, where it has one.
    fn own(&self, failure: &Failure, u: f64) -> Option<(f64, f64)> {
        let value = failure.range.value(u);
        match &failure.action {
            Action::Ohms(elements) | Action::Ratio(elements) => {
                let nominal: f64 = elements.iter().map(|&e| self.cold_ohms(e)).sum();
                let failed = if matches!(failure.action, Action::Ratio(_)) {
                    value * nominal
                } else {
                    value
                };
                Some((nominal, failed))
            }
            Action::Series(element) | Action::Filament(element, _) => {
                let nominal = self.cold_ohms(*element);
                Some((nominal, nominal + value))
            }
            _ => None,
        }
    }

    /// Resistors and everything else that is one resistance between two ends.
    fn resistance(&self, failure: &Failure, u: f64, scratch: &mut Scratch) -> String {
        let name = &self.stage.part(failure.part).name;
        let Some((good, failed)) = self.own(failure, u) else {
            return format!("Lift one lead of {name} and measure it.");
        };
        if good.max(failed) < DROP_OHMS {
            return format!(
                "An ohmmeter's leads hide {name}: lift one lead of it and measure the drop across it of a known small current from a bench supply, {} if {}, {} if it is good.",
                engineering(failed, "Ω"),
                so(failure.mode),
                engineering(good, "Ω")
            );
        }
        let alone = format!(
            "which alone should then show {} if {}, {} if it is good",
            about(failed),
            so(failure.mode),
            about(good)
        );
        match self
            .in_circuit(failure, u, scratch)
            .filter(InCircuit::tells)
        {
            Some(seen) => {
                let mut said = format!(
                    "Ohms across {name} in circuit: {} if {}, {} if it is good.",
                    about(seen.failed),
                    so(failure.mode),
                    about(seen.good)
                );
                if seen.failed < seen.good {
                    said.push_str(&format!(
                        " A low reading is not yet proof, for other paths lower it too: lift one lead of {name}, {alone}."
                    ));
                }
                said
            }
            None => format!(
                "Other paths hide {name} from the ohmmeter in circuit: lift one lead of it, {alone}."
            ),
        }
    }

    fn capacitor(
        &self,
        failure: &Failure,
        u: f64,
        dielectric: Dielectric,
        volts_across: &dyn Fn(PartId) -> Option<f64>,
        scratch: &mut Scratch,
    ) -> String {
        let part = self.stage.part(failure.part);
        let name = &part.name;
        if failure.mode == Mode::Open {
            return format!(
                "Lift one lead of {name} and measure its capacitance; or tack a good one of its capacitance and voltage across it, switch on, and the supply must rise. Discharge both afterwards."
            );
        }
        let leak = failure.range.value(u);
        let mut said = String::new();
        let seen = self.in_circuit(failure, u, scratch);
        if let Some(seen) = seen.filter(InCircuit::tells) {
            said = format!(
                "Ohms across {name} in circuit, once it has charged: {} if {}, {} if it is good. ",
                about(seen.failed),
                so(failure.mode),
                about(seen.good)
            );
        }
        if failure.mode == Mode::Short {
            said.push_str(&format!(
                "Lift one lead of {name}: the short must stay with the capacitor and leave the circuit."
            ));
            return said;
        }
        let good = healthy_leak_ohms(self.stage, failure.part);
        if leak <= OHMMETER_LEAK {
            said.push_str(&format!(
                "Lift one lead of {name}, which alone should then show about {} if it leaks so, {} if it is good.",
                engineering(leak, "Ω"),
                good.filter(|ohms| *ohms <= OHMMETER_REACH)
                    .map_or_else(|| "no reading".to_owned(), |ohms| format!("{} or more", engineering(ohms, "Ω")))
            ));
            return said;
        }
        said.push_str(&format!(
            "Lift one lead of {name} and test it for leakage in a capacitor tester"
        ));
        let volts = part
            .rating_volts
            .map(|v| (v.0, "its rated"))
            .or_else(|| volts_across(failure.part).map(|v| (v.abs(), "its working")))
            .filter(|(v, _)| *v > 1.0);
        let Some((volts, whose)) = volts else {
            said.push_str(&format!(
                ": about {} across it if it leaks so.",
                engineering(leak, "Ω")
            ));
            return said;
        };
        said.push_str(&format!(" at {whose} {}", engineering(volts, "V")));
        if dielectric == Dielectric::Electrolytic {
            said.push_str(", raised slowly behind a resistor");
        }
        said.push_str(&format!(
            ": about {} if it leaks so ({}), {} if it is good; discharge it afterwards. The few volts of an ohmmeter may not show such a leak.",
            engineering(volts / leak, "A"),
            engineering(leak, "Ω"),
            good.map_or_else(
                || "next to nothing".to_owned(),
                |ohms| format!("under {}", engineering(volts / ohms, "A"))
            )
        ));
        said
    }

    fn tube(&self, failure: &Failure, u: f64) -> String {
        let name = wording::part(self.stage, failure.part, failure.section);
        let bottle = &self.stage.part(failure.part).name;
        match failure.mode {
            Mode::Dead => format!(
                "Pull {bottle} and measure ohms between its heater pins{}; then a tube tester, or another tube known good.",
                self.heater(failure.part)
            ),
            Mode::Gassy => format!(
                "Pull {bottle} and test it for gas (grid current) in a tube tester when it is well warm, or put in another known good. If the positive grid stays with the tube out, it is not the tube."
            ),
            Mode::HeaterCathodeLeak => format!(
                "Test {bottle} for leakage between heater and cathode in a tube tester, warm, or put in another known good; about {} is to be found.",
                engineering(failure.range.value(u), "Ω")
            ),
            Mode::GridCathodeShort => format!(
                "Pull {bottle}: ohms between its {} and {}, {} if they touch, no reading if good. They may touch only when warm: a tube tester's short test, tapping the tube, says more.",
                self.pin(failure.part, Electrode::Grid),
                self.pin(failure.part, Electrode::Cathode),
                about(failure.range.value(u))
            ),
            Mode::PoorContact => self.socket(failure, u),
            _ => format!(
                "Test {name} in a tube tester, or put in another known good of the same type, with its socket clean."
            ),
        }
    }

    fn socket(&self, failure: &Failure, u: f64) -> String {
        let bottle = &self.stage.part(failure.part).name;
        let pin = match &failure.action {
            Action::Pin(device, port) => {
                let electrode = port
                    .and_then(|p| self.network.device(*device).electrodes.get(p).copied())
                    .unwrap_or(Electrode::Cathode);
                self.pin(failure.part, electrode)
            }
            _ => "heater pins".to_owned(),
        };
        let expect = match &failure.action {
            Action::Pin(..) => format!(
                ": under 1 Ω if good, {} or changing as the tube is rocked if not",
                about(failure.range.value(u))
            ),
            _ => ": under 1 Ω each if good".to_owned(),
        };
        format!(
            "Pull {bottle}, clean its {pin} and the socket's clip, tighten the clip and look at the joint behind it. Tube back in, ohms from the clip's lug to the pin where it enters{expect}."
        )
    }

    /// `: under 21 Ω cold if it is whole (6.3 V, 0.3 A hot), no reading if it is burnt out`.
    fn heater(&self, id: PartId) -> String {
        let heater = match &self.stage.part(id).kind {
            PartKind::Tube { tube_type, .. } => {
                tube_table().find(tube_type).and_then(|t| t.heater.as_ref())
            }
            _ => None,
        };
        match heater {
            Some(heater) if heater.amps > 0.0 => {
                let pins: Vec<String> = heater.pins.iter().map(ToString::to_string).collect();
                let pins = if pins.is_empty() {
                    String::new()
                } else {
                    format!(" {}", wording::listed(&pins))
                };
                // Tungsten has several times less resistance cold than hot (common practice, no source).
                format!(
                    "{pins}: well under {} cold if it is whole, no reading if it is burnt out",
                    engineering(heater.volts / heater.amps, "Ω")
                )
            }
            _ => ": a few ohms cold if it is whole, no reading if it is burnt out".to_owned(),
        }
    }

    /// `plate pin 6`, `top cap`, `grid pin` where the basing is not known.
    fn pin(&self, id: PartId, electrode: Electrode) -> String {
        let name = electrode_name(electrode);
        let PartKind::Tube {
            tube_type, unit, ..
        } = &self.stage.part(id).kind
        else {
            return format!("{name} pin");
        };
        let wanted = match electrode {
            Electrode::Plate => parts::Electrode::Plate,
            Electrode::Grid => parts::Electrode::Grid,
            Electrode::Screen => parts::Electrode::Screen,
            Electrode::Suppressor => parts::Electrode::Suppressor,
            Electrode::Cathode => parts::Electrode::Cathode,
            Electrode::Grid3 => parts::Electrode::Grid3,
            Electrode::Target => parts::Electrode::Target,
        };
        let index = usize::from(unit.unwrap_or(1)).saturating_sub(1);
        let pins: Vec<parts::Pin> = tube_table()
            .find(tube_type)
            .and_then(|t| t.units.get(index))
            .and_then(|unit| unit.pins.get(&wanted))
            .cloned()
            .unwrap_or_default();
        match pins.first() {
            Some(parts::Pin::Number(number)) => format!("{name} pin {number}"),
            Some(cap) => format!("{name} {cap}"),
            None => format!("{name} pin"),
        }
    }

    fn rectifier(&self, failure: &Failure, tube_type: &str) -> String {
        let name = &self.stage.part(failure.part).name;
        let solid = ["silicon", "selenium"]
            .iter()
            .any(|kind| tube_type.eq_ignore_ascii_case(kind));
        match failure.mode {
            Mode::PoorContact => format!(
                "Pull {name}, clean its pins and the clips of its socket, tighten the clips and look at the joints behind them."
            ),
            Mode::SiliconInPlace => format!(
                "Look: a solid-state plug-in or diodes wired under the socket of {name} show at sight."
            ),
            Mode::SideDead if !solid => format!(
                "Test both sides of {name} in a tube tester or put in another known good. If it is good, half of the winding is open: ohms from each plate clip to its centre tap must be alike."
            ),
            Mode::SideDead if solid => format!(
                "Lift one lead of each diode of {name}: low ohms one way and no reading the other if good, no reading either way if open. If they are good, half of the winding or a lead of it is: ohms from the centre tap to both ends must be alike."
            ),
            _ if solid => format!(
                "Lift one lead of each diode of {name}: low ohms one way and no reading the other if good, the same both ways if not."
            ),
            _ => format!(
                "Test {name} in a tube tester, or put in another known good of the same type; before that make sure by ohms that no filter capacitor behind it is shorted."
            ),
        }
    }

    fn regulator(&self, failure: &Failure, scratch: &mut Scratch) -> String {
        let name = &self.stage.part(failure.part).name;
        match failure.mode {
            Mode::Short | Mode::Leaky => {
                let seen = self.in_circuit(failure, failure.range.low, scratch);
                let good = seen.map_or_else(String::new, |s| {
                    format!(
                        " ({} with it out if nothing else is at fault)",
                        about(s.good)
                    )
                });
                format!(
                    "Ohms across the socket of {name} with it in and pulled{good}: a fault of the tube goes with it. A good gas tube shows no reading on an ohmmeter."
                )
            }
            _ => format!(
                "An ohmmeter can't strike {name}: clean its pins and socket, check the jumper between its pins if the set uses it, and put in another known good."
            ),
        }
    }

    fn diode(&self, failure: &Failure) -> String {
        let part = self.stage.part(failure.part);
        let name = &part.name;
        match &part.kind {
            PartKind::Diode { diode_type, .. } if tube_table().find(diode_type).is_some() => {
                format!("Test {name} in a tube tester, or put in another known good.")
            }
            _ => format!(
                "Lift one lead of {name} and measure both ways: low ohms one way and far more the other if good; {}.",
                match failure.mode {
                    Mode::Open => "no reading either way if open",
                    Mode::Short => "near nothing both ways if shorted",
                    _ => "little between the two if it is failing",
                }
            ),
        }
    }

    fn supply(&self, failure: &Failure, scratch: &mut Scratch) -> String {
        let name = &self.stage.part(failure.part).name;
        let (from, to) = ends(self.stage, Place::Across(failure.part));
        let load = self
            .between(from, to, None, scratch)
            .map(|seen| {
                let node = |n: usize| self.network.node_names[n].as_str();
                format!(
                    " Ohms from {} to {} should show {}, so that no short loads it.",
                    node(from),
                    node(to),
                    about(seen.good)
                )
            })
            .unwrap_or_default();
        format!(
            "{name} itself is not drawn in this stage: check its mains lead, fuse, transformer windings, rectifier and filter by ohms.{load}"
        )
    }

    fn potentiometer(&self, failure: &Failure, u: f64, scratch: &mut Scratch) -> String {
        let part = self.stage.part(failure.part);
        let name = &part.name;
        let PartKind::Potentiometer { ohms, .. } = part.kind else {
            return String::new();
        };
        if failure.mode == Mode::PoorContact {
            return format!(
                "Clean {name} and turn it through its travel a few times; ohms from its wiper to either end must then run evenly from near nothing to about {}, without jumps.",
                engineering(ohms.0, "Ω")
            );
        }
        if let Some(seen) = self
            .in_circuit(failure, u, scratch)
            .filter(InCircuit::tells)
        {
            return format!(
                "Ohms from end to end of {name} in circuit: {} if {}, {} if it is good; the wiper to each end shows which side.",
                about(seen.failed),
                so(failure.mode),
                about(seen.good)
            );
        }
        format!(
            "Other paths hide the track of {name}: free two of its lugs and measure end to end, about {} if it is good.",
            engineering(ohms.0, "Ω")
        )
    }

    fn contact(&self, failure: &Failure, u: f64, how: &str, scratch: &mut Scratch) -> String {
        let name = &self.stage.part(failure.part).name;
        let seen = self.in_circuit(failure, u, scratch);
        if failure.mode == Mode::PoorContact {
            return match seen.filter(InCircuit::tells) {
                Some(seen) => format!(
                    "Ohms across {name} when closed: {} now, {} if it is good; clean its contacts and {how}: the reading must fall and stay.",
                    about(seen.failed),
                    about(seen.good)
                ),
                None => format!(
                    "Clean the contacts of {name} and {how}; closed it must show under 1 Ω with one lead lifted."
                ),
            };
        }
        match seen.filter(InCircuit::tells) {
            Some(seen) => format!(
                "Ohms across {name}: {} if it sticks, {} if it is good; {how}, and the reading must change between its positions.",
                about(seen.failed),
                about(seen.good)
            ),
            None => format!(
                "Lift one lead of {name} and {how}: ohms across it must change between under 1 Ω and no reading."
            ),
        }
    }
}

/// `about 104 kΩ`, `no reading`, `under 1 Ω`.
fn about(ohms: f64) -> String {
    let said = wording::ohms(ohms);
    if said.starts_with(|c: char| c.is_ascii_digit()) {
        format!("about {said}")
    } else {
        said
    }
}

/// The failure as a condition: `it is open`, `its contact is poor`.
fn so(mode: Mode) -> String {
    match mode {
        Mode::Short => "it is shorted".to_owned(),
        Mode::Leaky => "it leaks so".to_owned(),
        Mode::PoorContact => "its contact is poor".to_owned(),
        other => format!("it is {}", other.phrase()),
    }
}

/// Leakage resistance below which a capacitor is no longer a good one, ohms.
fn healthy_leak_ohms(stage: &Stage, id: PartId) -> Option<f64> {
    let kind = &stage.part(id).kind;
    let PartKind::Capacitor { farads, .. } = kind else {
        return None;
    };
    // A third of what is typical: there the table of failures begins to call it leaky.
    parts::healthy_leakage_ohms(deadstage_circuit::class_of(kind), farads.0).map(|r| r / 3.0)
}
