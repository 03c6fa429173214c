//! A stage as the drawing needs it: which pins each part has, on which net each is, and the words beside it.

use crate::text::short;
use deadstage_netlist::{
    Dielectric, Electrode, PartId, PartKind, RectifierConnection, SectionId, Stage,
};

/// A choke of so many henries has a core of iron: common practice, no source.
const IRON_HENRIES: f64 = 0.1;

/// The net that every part's chassis pin is on.
pub(crate) const COMMON: usize = 0;

/// What a part looks like.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Glyph {
    Supply,
    Rectifier { vacuum: bool },
    Resistor,
    Potentiometer,
    Capacitor { polar: bool },
    Choke { iron: bool },
    Winding,
    Tube(TubeGlyph),
    Diode { vacuum: bool },
    Regulator,
    Transistor { pnp: bool },
    Lamp,
    Fuse,
    Link,
    Thermistor,
    Switch { closed: bool },
    Contact { closed: bool },
    Relay,
    Meter,
}

/// Which electrodes are drawn in a tube's envelope.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(crate) struct TubeGlyph {
    pub(crate) grid: bool,
    pub(crate) screen: bool,
    pub(crate) suppressor: bool,
    /// The suppressor is joined to the cathode, on the same pin.
    pub(crate) suppressor_at_cathode: bool,
    pub(crate) grid3: bool,
    pub(crate) target: bool,
    pub(crate) plate: bool,
    pub(crate) cathode: bool,
}

/// A terminal of a part.
#[derive(Clone, Debug)]
pub(crate) struct Pin {
    /// As the stage file calls it: `from`, `wiper`, `plate`.
    pub(crate) name: &'static str,
    /// Index of its node in the stage.
    pub(crate) net: usize,
    pub(crate) electrode: Option<Electrode>,
}

/// A part with all that the drawing says of it.
#[derive(Clone, Debug)]
pub(crate) struct Part {
    pub(crate) id: PartId,
    /// Designator, with a letter for the section of a bottle that has several: `V1a`.
    pub(crate) label: String,
    /// What to write beside it, under the designator.
    pub(crate) value: String,
    /// What it is, for those who have it read to them: `resistor`.
    pub(crate) what: &'static str,
    pub(crate) glyph: Glyph,
    pub(crate) pins: Vec<Pin>,
    /// Which winding of which transformer it is one of.
    pub(crate) transformer: Option<u32>,
}

impl Part {
    /// Whether signals go through it from a grid to a plate: a tube or a transistor.
    pub(crate) fn is_device(&self) -> bool {
        matches!(self.glyph, Glyph::Tube(_) | Glyph::Transistor { .. })
    }

    /// Whether it passes direct current between its two ends.
    pub(crate) fn conducts(&self) -> bool {
        !self.is_device() && !matches!(self.glyph, Glyph::Capacitor { .. } | Glyph::Diode { .. })
    }

    /// Whether it is where current comes from.
    pub(crate) fn is_source(&self) -> bool {
        matches!(self.glyph, Glyph::Supply | Glyph::Rectifier { .. })
    }

    pub(crate) fn is_capacitor(&self) -> bool {
        matches!(self.glyph, Glyph::Capacitor { .. })
    }

    /// The pin of this electrode.
    pub(crate) fn electrode(&self, electrode: Electrode) -> Option<usize> {
        self.pins
            .iter()
            .position(|pin| pin.electrode == Some(electrode))
    }
}

/// A sheet's parts and nets.
#[derive(Clone, Debug)]
pub(crate) struct Wiring {
    pub(crate) parts: Vec<Part>,
    /// Name of each node of the stage.
    pub(crate) names: Vec<String>,
    /// Pins on each net: part and pin.
    pub(crate) on: Vec<Vec<(usize, usize)>>,
    /// Whether parts of other sheets are on the net too.
    pub(crate) leaves: Vec<bool>,
}

impl Wiring {
    /// The parts of a stage, or of one section of it.
    pub(crate) fn new(stage: &Stage, keep: &dyn Fn(PartId) -> bool) -> Self {
        let mut parts = Vec::new();
        let mut leaves = vec![false; stage.nodes.len()];
        for (index, part) in (0u32..).zip(&stage.parts) {
            let id = PartId(index);
            if keep(id) {
                parts.push(describe(stage, id));
            } else {
                for node in part.kind.terminals() {
                    leaves[node.0 as usize] = true;
                }
            }
        }
        let mut on = vec![Vec::new(); stage.nodes.len()];
        for (index, part) in parts.iter().enumerate() {
            for (pin, terminal) in part.pins.iter().enumerate() {
                on[terminal.net].push((index, pin));
            }
        }
        Self {
            parts,
            names: stage.nodes.iter().map(|node| node.name.clone()).collect(),
            on,
            leaves,
        }
    }

    pub(crate) fn net(&self, part: usize, pin: usize) -> usize {
        self.parts[part].pins[pin].net
    }

    /// The nets of a part other than this one, each once.
    pub(crate) fn beyond(&self, part: usize, net: usize) -> Vec<usize> {
        let mut nets: Vec<usize> = Vec::new();
        for pin in &self.parts[part].pins {
            if pin.net != net && !nets.contains(&pin.net) {
                nets.push(pin.net);
            }
        }
        nets
    }

    /// The parts on a net, each once.
    pub(crate) fn parts_on(&self, net: usize) -> Vec<usize> {
        let mut parts: Vec<usize> = self.on[net].iter().map(|&(part, _)| part).collect();
        parts.dedup();
        parts
    }
}

/// The sections of a stage that hold parts.
pub(crate) fn sections(stage: &Stage) -> Vec<SectionId> {
    (0u32..)
        .map(SectionId)
        .take(stage.sections.len())
        .filter(|&id| stage.parts.iter().any(|part| part.section == Some(id)))
        .collect()
}

fn describe(stage: &Stage, id: PartId) -> Part {
    let part = stage.part(id);
    let pins = pins(&part.kind);
    let (glyph, value, what) = appearance(stage, &part.kind, &pins);
    let transformer = match part.kind {
        PartKind::Winding { transformer, .. } => transformer,
        _ => None,
    };
    Part {
        id,
        label: label(stage, id),
        value,
        what,
        glyph,
        pins,
        transformer,
    }
}

/// The designator, with a letter where one bottle's sections stand apart.
fn label(stage: &Stage, id: PartId) -> String {
    let part = stage.part(id);
    match part.kind {
        PartKind::Tube {
            unit: Some(unit), ..
        } if unit >= 1 => {
            let letter = char::from(b'a' + (unit - 1).min(25));
            format!("{}{letter}", part.name)
        }
        _ => part.name.clone(),
    }
}

fn pins(kind: &PartKind) -> Vec<Pin> {
    let plain = |name, node: deadstage_netlist::NodeId| Pin {
        name,
        net: node.0 as usize,
        electrode: None,
    };
    match kind {
        PartKind::Potentiometer {
            from, to, wiper, ..
        } => vec![
            plain("from", *from),
            plain("to", *to),
            plain("wiper", *wiper),
        ],
        PartKind::Tube { electrodes, .. } => electrodes
            .iter()
            .map(|&(electrode, node)| Pin {
                name: electrode_name(electrode),
                net: node.0 as usize,
                electrode: Some(electrode),
            })
            .collect(),
        PartKind::Transistor {
            emitter,
            base,
            collector,
            ..
        } => [
            ("collector", Electrode::Plate, collector),
            ("base", Electrode::Grid, base),
            ("emitter", Electrode::Cathode, emitter),
        ]
        .into_iter()
        .map(|(name, electrode, node)| Pin {
            name,
            net: node.0 as usize,
            electrode: Some(electrode),
        })
        .collect(),
        _ => match kind.ends() {
            Some((from, to)) => vec![plain("from", from), plain("to", to)],
            None => Vec::new(),
        },
    }
}

fn electrode_name(electrode: Electrode) -> &'static str {
    match electrode {
        Electrode::Plate => "plate",
        Electrode::Grid => "grid",
        Electrode::Screen => "screen",
        Electrode::Suppressor => "suppressor",
        Electrode::Cathode => "cathode",
        Electrode::Grid3 => "grid3",
        Electrode::Target => "target",
    }
}

fn tube_glyph(pins: &[Pin]) -> TubeGlyph {
    let net = |electrode| {
        let pin = pins.iter().find(|pin| pin.electrode == Some(electrode));
        pin.map(|pin| pin.net)
    };
    let cathode = net(Electrode::Cathode);
    let suppressor = net(Electrode::Suppressor);
    TubeGlyph {
        grid: net(Electrode::Grid).is_some(),
        screen: net(Electrode::Screen).is_some(),
        suppressor: suppressor.is_some(),
        suppressor_at_cathode: suppressor.is_some() && suppressor == cathode,
        grid3: net(Electrode::Grid3).is_some(),
        target: net(Electrode::Target).is_some(),
        plate: net(Electrode::Plate).is_some(),
        cathode: cathode.is_some(),
    }
}

/// Glyph, value and kind in words.
fn appearance(stage: &Stage, kind: &PartKind, pins: &[Pin]) -> (Glyph, String, &'static str) {
    let ohms = |ohms: f64| short(ohms, "Ω");
    let coil = |ohms: f64, henries: Option<f64>| match henries {
        Some(henries) => short(henries, "H"),
        None => short(ohms, "Ω"),
    };
    // Controls are drawn as they stand in the first setting.
    let at_rest = |open: bool| !open;
    match kind {
        PartKind::Supply { volts, .. } => (Glyph::Supply, short(volts.0, "V"), "supply"),
        PartKind::Rectifier {
            tube_type,
            connection,
            winding_volts,
            ..
        } => (
            Glyph::Rectifier {
                vacuum: !is_solid(tube_type),
            },
            format!("{tube_type}\n{}", rectifier(*connection, winding_volts.0)),
            "rectifier",
        ),
        PartKind::Resistor { ohms: r, .. } => (Glyph::Resistor, ohms(r.0), "resistor"),
        PartKind::Potentiometer { ohms: r, .. } => {
            (Glyph::Potentiometer, ohms(r.0), "potentiometer")
        }
        PartKind::Capacitor {
            farads, dielectric, ..
        } => {
            let polar = *dielectric == Dielectric::Electrolytic;
            (
                Glyph::Capacitor { polar },
                short(farads.0, "F"),
                "capacitor",
            )
        }
        PartKind::Choke { ohms, henries, .. } => {
            let iron = henries.is_some_and(|henries| henries.0 >= IRON_HENRIES);
            (
                Glyph::Choke { iron },
                coil(ohms.0, henries.map(|h| h.0)),
                "choke",
            )
        }
        PartKind::Winding { ohms: r, .. } => (Glyph::Winding, ohms(r.0), "winding"),
        PartKind::Tube { tube_type, .. } => {
            (Glyph::Tube(tube_glyph(pins)), tube_type.clone(), "tube")
        }
        PartKind::Diode { diode_type, .. } => {
            let vacuum = !is_solid(diode_type);
            (Glyph::Diode { vacuum }, diode_type.clone(), "diode")
        }
        PartKind::Regulator { tube_type, .. } => {
            (Glyph::Regulator, tube_type.clone(), "voltage regulator")
        }
        PartKind::Transistor {
            transistor_type, ..
        } => {
            let pnp = transistor_type.to_lowercase().contains("pnp");
            (
                Glyph::Transistor { pnp },
                transistor_type.clone(),
                "transistor",
            )
        }
        PartKind::Lamp { ohms: r, .. } => (Glyph::Lamp, ohms(r.0), "lamp"),
        PartKind::Fuse { .. } => (Glyph::Fuse, String::new(), "fuse"),
        PartKind::Link { .. } => (Glyph::Link, String::new(), "link"),
        PartKind::Thermistor { ohms: r, .. } => (Glyph::Thermistor, ohms(r.0), "thermistor"),
        PartKind::Switch { closed_in, .. } => {
            let closed = closed_in.iter().any(|setting| setting.0 == 0);
            let names = closed_in
                .iter()
                .filter_map(|setting| stage.settings.get(setting.0 as usize));
            let names: Vec<&str> = names.map(String::as_str).collect();
            (Glyph::Switch { closed }, names.join(" "), "switch")
        }
        PartKind::Relay { ohms: r, .. } => (Glyph::Relay, ohms(r.0), "relay coil"),
        PartKind::Contact {
            relay,
            normally_open,
            ..
        } => {
            let closed = at_rest(*normally_open);
            let value = format!("of {}", stage.part(*relay).name);
            (Glyph::Contact { closed }, value, "relay contact")
        }
        PartKind::Meter {
            full_scale, scale, ..
        } => {
            let value = match scale {
                Some(scale) => format!("{}–{} {}", scale.low, scale.high, scale.unit),
                None => short(full_scale.0, "A"),
            };
            (Glyph::Meter, value, "meter")
        }
    }
}

/// Whether a diode of this type has no envelope.
fn is_solid(named: &str) -> bool {
    ["silicon", "germanium", "selenium"]
        .iter()
        .any(|solid| named.eq_ignore_ascii_case(solid))
}

fn rectifier(connection: RectifierConnection, volts: f64) -> String {
    let volts = short(volts, "V");
    match connection {
        RectifierConnection::FullWave => format!("2 × {volts}"),
        RectifierConnection::HalfWave => format!("half-wave {volts}"),
        RectifierConnection::Bridge => format!("bridge {volts}"),
        RectifierConnection::Doubler => format!("doubler {volts}"),
    }
}
