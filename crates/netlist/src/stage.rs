//! A stage as it was written, with every name resolved.
//!
//! No physics lives here: a [`Part`] says what was typed (a 100 kΩ resistor
//! of 10 % between two nodes), and nothing of what it does.

use crate::names::is_same;
use crate::span::Span;
use crate::units::{Amps, Farads, Henries, Ohms, Siemens, Volts, Watts};

/// Index of a node in [`Stage::nodes`]. Node 0 is the common, at 0 V.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct NodeId(pub u32);

/// The reference node.
pub const COMMON: NodeId = NodeId(0);

/// Index of a part in [`Stage::parts`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct PartId(pub u32);

/// Index of a control setting in [`Stage::settings`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SettingId(pub u32);

/// Index into [`Stage::sections`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct SectionId(pub u32);

/// A whole stage file (with its includes laid in).
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Stage {
    /// Title of the `stage` statement.
    pub title: String,
    /// `notes`, in order.
    pub notes: Vec<String>,
    /// Mains voltage that the values assume, if stated.
    pub line: Option<Volts>,
    /// Control settings; the first is the default. Empty if the unit has none.
    pub settings: Vec<String>,
    /// Section titles in order of appearance.
    pub sections: Vec<String>,
    /// Nodes; index 0 is the common.
    pub nodes: Vec<Node>,
    /// Parts in order of appearance. The two sections of one bottle are two parts of one name.
    pub parts: Vec<Part>,
    /// Transformers that group windings.
    pub transformers: Vec<Transformer>,
    /// Tube types the file defines for itself.
    pub tube_types: Vec<TubeTypeDefinition>,
    /// Values from the print.
    pub expects: Vec<Expect>,
    /// Where a probe reaches. Empty: every node does.
    pub test_points: Vec<TestPoint>,
}

/// A point of equal potential.
#[derive(Clone, Debug, PartialEq)]
pub struct Node {
    /// The name as first written.
    pub name: String,
    /// Where it was first written.
    pub span: Span,
}

/// One part of the print.
#[derive(Clone, Debug, PartialEq)]
pub struct Part {
    /// Designator as first written: `R3`, `V1`.
    pub name: String,
    /// What it is, its value and where it is wired.
    pub kind: PartKind,
    /// Stated tolerance as a fraction (0.1 for ±10 %).
    pub tolerance: Option<f64>,
    /// Stated power rating.
    pub rating_watts: Option<Watts>,
    /// Stated voltage rating.
    pub rating_volts: Option<Volts>,
    /// The section it stands in.
    pub section: Option<SectionId>,
    /// The statement.
    pub span: Span,
}

/// What a part is.
#[derive(Clone, Debug, PartialEq)]
pub enum PartKind {
    /// DC source of `volts` behind `source`.
    Supply {
        /// Open-circuit voltage, positive.
        volts: Volts,
        /// Source resistance; `None` is an ideal source.
        source: Option<Ohms>,
        /// Whether it scales with the mains.
        follows_line: bool,
        /// Node the current comes out of.
        from: NodeId,
        /// Node it returns to.
        to: NodeId,
    },
    /// DC supply behind a transformer winding.
    Rectifier {
        /// Tube type, or `silicon`.
        tube_type: String,
        /// How the winding is used.
        connection: RectifierConnection,
        /// Volts RMS of the winding, each side.
        winding_volts: Volts,
        /// Winding resistance, each side.
        winding_ohms: Ohms,
        /// What the rectifier looks into.
        filter: FilterInput,
        /// Positive output.
        from: NodeId,
        /// Return.
        to: NodeId,
    },
    /// Fixed resistor.
    Resistor {
        /// Resistance.
        ohms: Ohms,
        /// What it is made of.
        material: ResistorMaterial,
        /// First node.
        from: NodeId,
        /// Second node.
        to: NodeId,
    },
    /// Potentiometer: `position` of the track lies between `from` and the wiper.
    Potentiometer {
        /// Resistance of the whole track.
        ohms: Ohms,
        /// Fraction of the track between `from` and the wiper; `None` if not known.
        position: Option<f64>,
        /// One end.
        from: NodeId,
        /// Other end.
        to: NodeId,
        /// The wiper.
        wiper: NodeId,
    },
    /// Capacitor.
    Capacitor {
        /// Capacitance.
        farads: Farads,
        /// Dielectric.
        dielectric: Dielectric,
        /// First node (positive, for an electrolytic).
        from: NodeId,
        /// Second node.
        to: NodeId,
    },
    /// Choke or coil: its DC resistance.
    Choke {
        /// DC resistance.
        ohms: Ohms,
        /// Inductance, if stated.
        henries: Option<Henries>,
        /// First node.
        from: NodeId,
        /// Second node.
        to: NodeId,
    },
    /// Transformer or coil winding: its DC resistance.
    Winding {
        /// DC resistance.
        ohms: Ohms,
        /// Inductance, if stated.
        henries: Option<Henries>,
        /// Index into [`Stage::transformers`], when it belongs to one.
        transformer: Option<u32>,
        /// First node.
        from: NodeId,
        /// Second node.
        to: NodeId,
    },
    /// Amplifying or other multi-electrode tube, or one section of a bottle.
    Tube {
        /// Type, as written.
        tube_type: String,
        /// Which section of the bottle, from 1, as the data sheet numbers its units.
        unit: Option<u8>,
        /// Electrodes wired, in the order written.
        electrodes: Vec<(Electrode, NodeId)>,
        /// Stated drive for a class-C or oscillator stage.
        drive: Option<Drive>,
    },
    /// Diode: solid-state, selenium or vacuum.
    Diode {
        /// `silicon`, `germanium`, `selenium` or a vacuum type.
        diode_type: String,
        /// Anode.
        from: NodeId,
        /// Cathode.
        to: NodeId,
    },
    /// Gas voltage-regulator tube.
    Regulator {
        /// Type, as written.
        tube_type: String,
        /// Anode.
        from: NodeId,
        /// Cathode.
        to: NodeId,
    },
    /// Bipolar transistor.
    Transistor {
        /// `germanium pnp` and the like, or a type of the table.
        transistor_type: String,
        /// Emitter.
        emitter: NodeId,
        /// Base.
        base: NodeId,
        /// Collector.
        collector: NodeId,
    },
    /// Indicator or ballast lamp.
    Lamp {
        /// Hot resistance.
        ohms: Ohms,
        /// Cold resistance, if stated.
        cold: Option<Ohms>,
        /// First node.
        from: NodeId,
        /// Second node.
        to: NodeId,
    },
    /// Fuse.
    Fuse {
        /// Cold resistance.
        ohms: Ohms,
        /// First node.
        from: NodeId,
        /// Second node.
        to: NodeId,
    },
    /// Wire link or jumper.
    Link {
        /// Resistance.
        ohms: Ohms,
        /// First node.
        from: NodeId,
        /// Second node.
        to: NodeId,
    },
    /// Thermistor or ballast.
    Thermistor {
        /// Resistance in working warmth.
        ohms: Ohms,
        /// Cold resistance, if stated.
        cold: Option<Ohms>,
        /// First node.
        from: NodeId,
        /// Second node.
        to: NodeId,
    },
    /// Switch: closed in the settings named, open in all others.
    Switch {
        /// Settings it is closed in.
        closed_in: Vec<SettingId>,
        /// First node.
        from: NodeId,
        /// Second node.
        to: NodeId,
    },
    /// Relay coil.
    Relay {
        /// Coil resistance.
        ohms: Ohms,
        /// Current at which it pulls in.
        pulls_in: Amps,
        /// First node.
        from: NodeId,
        /// Second node.
        to: NodeId,
    },
    /// Contact of the relay of the same designator.
    Contact {
        /// The coil.
        relay: PartId,
        /// Whether it is open with the coil at rest.
        normally_open: bool,
        /// First node.
        from: NodeId,
        /// Second node.
        to: NodeId,
    },
    /// Panel meter: a movement.
    Meter {
        /// Current through the movement at full scale.
        full_scale: Amps,
        /// Resistance of the movement (its coil).
        ohms: Ohms,
        /// What is printed on the face; the movement's own scale if `None`.
        scale: Option<MeterScale>,
        /// Positive terminal.
        from: NodeId,
        /// Negative terminal.
        to: NodeId,
    },
}

/// How a rectifier uses its winding.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum RectifierConnection {
    /// Two plates on a centre-tapped winding.
    FullWave,
    /// One plate.
    HalfWave,
    /// Four rectifiers, no tap.
    Bridge,
    /// Voltage doubler.
    Doubler,
}

/// What a rectifier looks into.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FilterInput {
    /// Reservoir capacitor.
    Capacitor,
    /// Choke.
    Choke,
}

/// What a resistor is made of.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum ResistorMaterial {
    /// Carbon composition, the trade's default.
    #[default]
    Composition,
    /// Carbon or metal film.
    Film,
    /// Wirewound.
    Wirewound,
}

/// What a capacitor is made of.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Dielectric {
    /// Waxed or moulded paper, the trade's default.
    #[default]
    Paper,
    /// Silvered or stacked mica.
    Mica,
    /// Ceramic.
    Ceramic,
    /// Plastic film.
    Film,
    /// Aluminium electrolytic.
    Electrolytic,
    /// Oil-filled paper.
    Oil,
}

/// An electrode of a tube.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Electrode {
    /// Plate.
    Plate,
    /// Control grid.
    Grid,
    /// Screen grid.
    Screen,
    /// Suppressor grid or beam plates.
    Suppressor,
    /// Cathode, or filament where that emits.
    Cathode,
    /// Second control grid of a converter (injection grid, grid 3).
    Grid3,
    /// Fluorescent target of a tuning indicator.
    Target,
}

/// Drive stated for a stage whose DC state depends on its signal.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Drive {
    /// Peak signal voltage at the grid.
    Peak(Volts),
    /// DC grid current.
    GridCurrent(Amps),
}

/// The face of a panel meter.
#[derive(Clone, Debug, PartialEq)]
pub struct MeterScale {
    /// Reading at no current.
    pub low: f64,
    /// Reading at full scale.
    pub high: f64,
    /// Unit printed on the face: `mA`, `V`.
    pub unit: String,
}

/// Windings that are replaced together.
#[derive(Clone, Debug, PartialEq)]
pub struct Transformer {
    /// Designator.
    pub name: String,
    /// The statement.
    pub span: Span,
}

/// A tube type given by one data-sheet operating point.
#[derive(Clone, Debug, PartialEq)]
pub struct TubeTypeDefinition {
    /// Name of the type.
    pub name: String,
    /// `triode`, `pentode`, `beam`.
    pub kind: TubeKind,
    /// Amplification factor (of a pentode: control grid to screen).
    pub mu: f64,
    /// Plate to cathode.
    pub plate_volts: Volts,
    /// Grid to cathode, usually negative.
    pub grid_volts: Volts,
    /// Plate current there.
    pub plate_amps: Amps,
    /// Transconductance there.
    pub gm: Siemens,
    /// Screen to cathode, pentodes.
    pub screen_volts: Option<Volts>,
    /// Screen current, pentodes.
    pub screen_amps: Option<Amps>,
    /// The statement.
    pub span: Span,
}

/// Kind of an amplifying tube.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TubeKind {
    /// Plate, grid, cathode.
    Triode,
    /// With screen and suppressor.
    Pentode,
    /// With screen and beam plates.
    BeamTetrode,
}

/// A place a probe can be put, as the user wrote it and as resolved.
#[derive(Clone, Debug, PartialEq)]
pub struct Point {
    /// As written: `plate1`, `V1 pin 6`, `across R3`.
    pub label: String,
    /// What it comes to.
    pub place: Place,
}

/// What a point comes to.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Place {
    /// Against common.
    Node(NodeId),
    /// From a part's first node to its second.
    Across(PartId),
    /// The current from a part's first node to its second.
    Through(PartId),
}

/// A value from the print.
#[derive(Clone, Debug, PartialEq)]
pub struct Expect {
    /// Where.
    pub point: Point,
    /// What the print says: volts, or the panel meter's reading, by `quantity`.
    pub value: f64,
    /// Unit of `value`.
    pub quantity: Quantity,
    /// Tolerance as a fraction; the print's usual 20 % if not stated.
    pub tolerance: Option<f64>,
    /// Setting it holds in; `None` is the default setting.
    pub setting: Option<SettingId>,
    /// Meter it was taken with; the true value if not stated.
    pub meter: Option<crate::readings::Meter>,
    /// The statement.
    pub span: Span,
}

/// What kind of number an expected value or a reading is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Quantity {
    /// Volts.
    Volts,
    /// Ohms, power off.
    Ohms,
    /// Amperes.
    Amps,
    /// A panel meter, in the units of its scale.
    Panel,
    /// Per cent on a tube tester.
    Tester,
}

/// Where a probe reaches.
#[derive(Clone, Debug, PartialEq)]
pub struct TestPoint {
    /// The place.
    pub point: Point,
    /// How hard it is to get at.
    pub access: Access,
}

/// How hard a test point is to get at.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum Access {
    /// A probe goes straight on.
    #[default]
    Easy,
    /// Under a shield, behind a harness.
    Awkward,
    /// Dangerous to probe live.
    Hazard,
}

impl Stage {
    /// The part with this index.
    pub fn part(&self, id: PartId) -> &Part {
        &self.parts[id.0 as usize]
    }

    /// The node with this index.
    pub fn node(&self, id: NodeId) -> &Node {
        &self.nodes[id.0 as usize]
    }

    /// Whether two parts have one designator, without regard to case: sections of one bottle.
    pub fn are_named_alike(&self, a: PartId, b: PartId) -> bool {
        let [a, b] = [a, b].map(|id| self.part(id).name.as_str());
        is_same(a, b)
    }

    /// Parts of this designator, without regard to case; a bottle's sections are several.
    pub fn parts_named<'a>(&'a self, name: &'a str) -> impl Iterator<Item = PartId> + use<'a> {
        (0u32..)
            .map(PartId)
            .zip(&self.parts)
            .filter(move |(_, part)| is_same(&part.name, name))
            .map(|(id, _)| id)
    }
}

impl PartKind {
    /// First and second node of a part with two terminals (a tube's, potentiometer's or transistor's: `None`).
    pub fn ends(&self) -> Option<(NodeId, NodeId)> {
        match *self {
            Self::Supply { from, to, .. }
            | Self::Rectifier { from, to, .. }
            | Self::Resistor { from, to, .. }
            | Self::Capacitor { from, to, .. }
            | Self::Choke { from, to, .. }
            | Self::Winding { from, to, .. }
            | Self::Diode { from, to, .. }
            | Self::Regulator { from, to, .. }
            | Self::Lamp { from, to, .. }
            | Self::Fuse { from, to, .. }
            | Self::Link { from, to, .. }
            | Self::Thermistor { from, to, .. }
            | Self::Switch { from, to, .. }
            | Self::Relay { from, to, .. }
            | Self::Contact { from, to, .. }
            | Self::Meter { from, to, .. } => Some((from, to)),
            Self::Potentiometer { .. } | Self::Tube { .. } | Self::Transistor { .. } => None,
        }
    }

    /// The type that a tube, rectifier, diode or regulator is stated to be, as it is
    /// written: a tube's, or `silicon`, `germanium`, `selenium`.
    pub fn tube_type(&self) -> Option<&str> {
        match self {
            Self::Tube { tube_type, .. }
            | Self::Rectifier { tube_type, .. }
            | Self::Regulator { tube_type, .. }
            | Self::Diode {
                diode_type: tube_type,
                ..
            } => Some(tube_type),
            _ => None,
        }
    }

    /// The section of a bottle that a tube's statement speaks of, where it says so.
    pub fn section(&self) -> Option<u8> {
        match self {
            Self::Tube { unit, .. } => *unit,
            _ => None,
        }
    }

    /// Every node the part is wired to, in the order of its terminals; a node
    /// that two terminals share comes twice.
    pub fn terminals(&self) -> Vec<NodeId> {
        match self {
            Self::Potentiometer {
                from, to, wiper, ..
            } => vec![*from, *to, *wiper],
            Self::Tube { electrodes, .. } => electrodes.iter().map(|&(_, node)| node).collect(),
            Self::Transistor {
                emitter,
                base,
                collector,
                ..
            } => vec![*emitter, *base, *collector],
            _ => match self.ends() {
                Some((from, to)) => vec![from, to],
                None => Vec::new(),
            },
        }
    }
}
