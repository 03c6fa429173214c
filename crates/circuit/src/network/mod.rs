//! A stage as a network: which resistances, sources and devices stand
//! between which nodes, and by how much each may be off.
//!
//! Built once a stage. What differs from reading to reading (the control
//! setting, the mains, a tube pulled) is a [`Situation`](crate::Situation);
//! what differs from suspicion to suspicion is an [`Overlay`](crate::Overlay).

use deadstage_netlist::{
    Drive, Electrode, FilterInput, NodeId, Part, PartId, PartKind, RectifierConnection, SettingId,
    Stage, Volts,
};
use deadstage_parts::{
    self as parts, Device, DrivenTube, LawForm, PlateLoad, RateProfile, Trait, TubeDrive,
};

pub(crate) mod catalogue;
pub(crate) mod classes;
pub(crate) mod input_choke;

use crate::error::{CompileError, LawMismatch};
use classes::class_of;
use input_choke::{input_choke, mains_hertz};

/// Resistance taken for a closed switch or relay contact, ohms.
pub(crate) const CLOSED_CONTACT_OHMS: f64 = 0.02;

/// Below this resistance, ohms, an element is solved for its current: as a
/// conductance it would drown the rest of the matrix.
pub(crate) const STIFF_OHMS: f64 = 1.0;

/// Smallest resistance an element can have, ohms: a few centimetres of wire.
pub(crate) const LEAST_OHMS: f64 = 1e-3;

/// Index into [`Network::elements`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ElementId(pub u32);

/// Index into [`Network::devices`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct DeviceId(pub u32);

/// Index into [`Network::parameters`].
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ParameterId(pub u32);

/// A resistance between two nodes, perhaps with a source in series.
///
/// Its current flows from `from` to `to`: (v_from − v_to − emf) / ohms.
#[derive(Clone, Debug, PartialEq)]
pub struct Element {
    /// The part it belongs to.
    pub part: PartId,
    /// Node index.
    pub from: usize,
    /// Node index.
    pub to: usize,
    /// Resistance by the print, ohms; infinite for an open contact.
    pub ohms: f64,
    /// Voltage of the source in series, volts.
    pub emf: f64,
    /// Capacitance of a capacitor, farads; 0 of anything else.
    pub farads: f64,
    /// What else its value depends on.
    pub role: ElementRole,
}

/// What an element's value depends on besides its part's tolerance.
#[derive(Clone, Debug, PartialEq)]
pub enum ElementRole {
    /// Nothing.
    Plain,
    /// A source: absent with the power off; follows the mains where `true`.
    Source {
        /// Whether it scales with the mains.
        follows_line: bool,
    },
    /// Closed only in these settings.
    Switch(Vec<SettingId>),
    /// Contact of a relay whose coil is this part.
    Contact {
        /// The coil.
        relay: PartId,
        /// Whether it is open at rest.
        normally_open: bool,
    },
    /// The leakage of a capacitor.
    Leakage,
    /// Warmed by its own current: of this resistance with the power off, ohms.
    Warmed {
        /// Cold resistance, ohms.
        cold_ohms: f64,
    },
}

/// A non-linear part: its law and where its ports are wired.
#[derive(Clone, Debug)]
pub struct DeviceSlot {
    /// The part.
    pub part: PartId,
    /// The law.
    pub law: Device,
    /// Node of the common terminal (cathode, negative output, emitter).
    pub common: usize,
    /// Node of each port, in the law's order.
    pub ports: Vec<usize>,
    /// Electrode of each port; empty for two-terminal devices.
    pub electrodes: Vec<Electrode>,
    /// Index of its first port among all ports of the network.
    pub first_port: usize,
    /// Whether it is a supply driven by the mains.
    pub follows_line: bool,
    /// Of a rectifier with choke input: its choke.
    pub input_choke: Option<PartId>,
}

/// One thing in which a healthy unit differs from the print.
#[derive(Clone, Debug, PartialEq)]
pub struct Parameter {
    /// What moves.
    pub kind: ParameterKind,
    /// One standard deviation: of the logarithm, or in the trait's own measure.
    pub sigma: f64,
    /// The part it belongs to; `None` for the mains.
    pub part: Option<PartId>,
}

/// What a parameter moves.
#[derive(Clone, Debug, PartialEq)]
pub enum ParameterKind {
    /// The resistance of elements, together, in the logarithm.
    Ohms(Vec<ElementId>),
    /// The wiper of a potentiometer, as a fraction of the track.
    Wiper(ElementId, ElementId),
    /// A source's voltage, in the logarithm.
    Emf(ElementId),
    /// The mains, in the logarithm: every source and rectifier that follows it.
    Line,
    /// A trait of a device.
    Device(DeviceId, Trait),
}

/// What became of one part.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PartModel {
    /// Its elements.
    pub elements: Vec<ElementId>,
    /// Its device.
    pub device: Option<DeviceId>,
}

/// A stage as a network.
#[derive(Clone, Debug)]
pub struct Network {
    /// Number of nodes, the common (node 0) included: those of the stage first, then inner ones.
    pub nodes: usize,
    /// Their names, for messages.
    pub node_names: Vec<String>,
    /// Designators by part, for messages.
    pub part_names: Vec<String>,
    /// Linear elements.
    pub elements: Vec<Element>,
    /// Non-linear devices.
    pub devices: Vec<DeviceSlot>,
    /// Ports of all devices together.
    pub port_count: usize,
    /// What may be off in a healthy unit.
    pub parameters: Vec<Parameter>,
    /// By part.
    pub parts: Vec<PartModel>,
    /// Relays: coil part, coil element, current at which it pulls in (A).
    pub relays: Vec<Relay>,
}

/// A relay coil and the current it needs.
#[derive(Clone, Debug, PartialEq)]
pub struct Relay {
    /// The coil's part.
    pub part: PartId,
    /// Its element.
    pub coil: ElementId,
    /// Current at which it pulls in, A.
    pub pulls_in: f64,
}

/// One standard deviation of the mains about what is written for it, as a fraction.
pub const LINE_SIGMA: f64 = 0.015;

impl Network {
    /// Builds the network of `stage`, with tubes following the law of `form`.
    ///
    /// # Errors
    /// Every part that this library has no physics for, or whose type or
    /// wiring leaves it without a meaning, by name.
    pub fn compile(stage: &Stage, form: LawForm) -> Result<Self, Vec<CompileError>> {
        let mut builder = Builder {
            stage,
            form,
            errors: Vec::new(),
            network: Network {
                nodes: stage.nodes.len(),
                node_names: stage.nodes.iter().map(|n| n.name.clone()).collect(),
                part_names: stage.parts.iter().map(|p| p.name.clone()).collect(),
                elements: Vec::new(),
                devices: Vec::new(),
                port_count: 0,
                parameters: vec![Parameter {
                    kind: ParameterKind::Line,
                    sigma: LINE_SIGMA,
                    part: None,
                }],
                parts: vec![PartModel::default(); stage.parts.len()],
                relays: Vec::new(),
            },
        };
        for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
            builder.part(id, part);
        }
        if builder.errors.is_empty() {
            Ok(builder.network)
        } else {
            Err(builder.errors)
        }
    }

    /// Puts another law in the place of a device's own: see
    /// [`DeviceLaw`](deadstage_parts::DeviceLaw). What the old law's specimens
    /// differed in is forgotten, and what the new one's do takes its place.
    ///
    /// # Errors
    /// [`LawMismatch`] where the law has another number of ports; the network stays as it was.
    pub fn set_law(&mut self, id: DeviceId, law: Device) -> Result<(), LawMismatch> {
        let slot = &mut self.devices[id.0 as usize];
        if law.ports() != slot.ports.len() {
            return Err(LawMismatch {
                part: self.part_names[slot.part.0 as usize].clone(),
                wired: slot.ports.len(),
                has: law.ports(),
            });
        }
        let of_device = |p: &Parameter| matches!(p.kind, ParameterKind::Device(d, _) if d == id);
        let at = self
            .parameters
            .iter()
            .position(of_device)
            .unwrap_or(self.parameters.len());
        self.parameters.retain(|p| !of_device(p));
        let part = Some(slot.part);
        let spreads = law.spreads().into_iter().map(|spread| Parameter {
            kind: ParameterKind::Device(id, spread.of),
            sigma: spread.sigma,
            part,
        });
        self.parameters.splice(at..at, spreads);
        slot.law = law;
        Ok(())
    }

    /// The element with this index.
    pub fn element(&self, id: ElementId) -> &Element {
        &self.elements[id.0 as usize]
    }

    /// The device with this index.
    pub fn device(&self, id: DeviceId) -> &DeviceSlot {
        &self.devices[id.0 as usize]
    }

    /// Node of a port, by its index among all ports.
    pub(crate) fn port_node(&self, port: usize) -> usize {
        let after = self.devices.partition_point(|slot| slot.first_port <= port);
        let slot = after.checked_sub(1).map(|device| &self.devices[device]);
        slot.map_or(0, |slot| slot.ports[port - slot.first_port])
    }

    /// What became of a part.
    pub fn part(&self, id: PartId) -> &PartModel {
        &self.parts[id.0 as usize]
    }
}

struct Builder<'a> {
    stage: &'a Stage,
    form: LawForm,
    errors: Vec<CompileError>,
    network: Network,
}

impl Builder<'_> {
    fn part(&mut self, id: PartId, part: &Part) {
        let class = class_of(&part.kind);
        let tolerance = part
            .tolerance
            .unwrap_or_else(|| parts::default_tolerance(class));
        let sigma = parts::scatter(class, tolerance, RateProfile::InService).sigma;
        match &part.kind {
            PartKind::Supply {
                volts,
                source,
                follows_line,
                from,
                to,
            } => {
                let ohms = source.map_or(LEAST_OHMS, |r| r.0);
                let element = self.element(
                    id,
                    (from.0, to.0),
                    ohms,
                    volts.0,
                    ElementRole::Source {
                        follows_line: *follows_line,
                    },
                );
                self.parameter(ParameterKind::Emf(element), sigma, id);
            }
            PartKind::Resistor { ohms, from, to, .. }
            | PartKind::Choke { ohms, from, to, .. }
            | PartKind::Winding { ohms, from, to, .. }
            | PartKind::Fuse { ohms, from, to }
            | PartKind::Meter { ohms, from, to, .. }
            | PartKind::Link { ohms, from, to } => {
                self.plain(id, (from.0, to.0), ohms.0, sigma);
            }
            PartKind::Lamp {
                ohms,
                cold,
                from,
                to,
            } => {
                let cold = cold.map_or(ohms.0 * COLD_FILAMENT, |r| r.0);
                let rating = part.rating_volts.map(|volts| volts.0);
                match rating.and_then(|volts| parts::LampLaw::new(volts, ohms.0, cold)) {
                    Some(law) => self.lamp(id, (from.0, to.0), law, (ohms.0, cold), sigma),
                    None => self.warmed(id, (from.0, to.0), ohms.0, cold, sigma),
                }
            }
            PartKind::Thermistor {
                ohms,
                cold,
                from,
                to,
            } => {
                let cold = cold.map_or(ohms.0, |r| r.0);
                self.warmed(id, (from.0, to.0), ohms.0, cold, sigma);
            }
            PartKind::Relay {
                ohms,
                pulls_in,
                from,
                to,
            } => {
                let coil = self.plain(id, (from.0, to.0), ohms.0, sigma);
                self.network.relays.push(Relay {
                    part: id,
                    coil,
                    pulls_in: pulls_in.0,
                });
            }
            PartKind::Potentiometer {
                ohms,
                position,
                from,
                to,
                wiper,
            } => {
                self.potentiometer(id, ohms.0, *position, [from.0, to.0, wiper.0], sigma);
            }
            PartKind::Capacitor {
                farads, from, to, ..
            } => {
                let leakage =
                    parts::healthy_leakage_ohms(class, farads.0).unwrap_or(MOST_LEAKAGE_OHMS);
                let element = self.element(id, (from.0, to.0), leakage, 0.0, ElementRole::Leakage);
                self.network.elements[element.0 as usize].farads = farads.0;
                self.parameter(
                    ParameterKind::Ohms(vec![element]),
                    parts::leakage_ln_sigma(class).unwrap_or(0.0),
                    id,
                );
            }
            PartKind::Switch {
                closed_in,
                from,
                to,
            } => {
                let role = ElementRole::Switch(closed_in.clone());
                self.element(id, (from.0, to.0), CLOSED_CONTACT_OHMS, 0.0, role);
            }
            PartKind::Contact {
                relay,
                normally_open,
                from,
                to,
            } => {
                let role = ElementRole::Contact {
                    relay: *relay,
                    normally_open: *normally_open,
                };
                self.element(id, (from.0, to.0), CLOSED_CONTACT_OHMS, 0.0, role);
            }
            PartKind::Tube {
                tube_type,
                unit,
                electrodes,
                drive,
            } => {
                self.tube(id, part, tube_type, *unit, electrodes, *drive);
            }
            PartKind::Diode {
                diode_type,
                from,
                to,
            } => match catalogue::diode_law(diode_type) {
                Some(law) => self.two_terminal(id, law, from.0, to.0, false),
                None => self.unknown_type(part, diode_type),
            },
            PartKind::Regulator {
                tube_type,
                from,
                to,
            } => match catalogue::regulator_law(tube_type) {
                Some(law) => {
                    self.two_terminal(id, law, from.0, to.0, false);
                }
                None => self.unknown_type(part, tube_type),
            },
            PartKind::Rectifier {
                tube_type,
                connection,
                winding_volts,
                winding_ohms,
                filter,
                from,
                to,
            } => {
                self.rectifier(
                    id,
                    part,
                    tube_type,
                    *connection,
                    (*winding_volts, winding_ohms.0),
                    *filter,
                    (from.0, to.0),
                );
            }
            PartKind::Transistor {
                transistor_type,
                emitter,
                base,
                collector,
            } => match catalogue::transistor_law(transistor_type) {
                Some(law) => self.device(id, law, emitter.0, &[base.0, collector.0], &[], false),
                None => self.unknown_type(part, transistor_type),
            },
        }
    }

    fn element(
        &mut self,
        part: PartId,
        ends: (u32, u32),
        ohms: f64,
        emf: f64,
        role: ElementRole,
    ) -> ElementId {
        let id = ElementId(u32::try_from(self.network.elements.len()).unwrap_or(u32::MAX));
        self.network.elements.push(Element {
            part,
            from: ends.0 as usize,
            to: ends.1 as usize,
            ohms: ohms.max(LEAST_OHMS),
            emf,
            farads: 0.0,
            role,
        });
        self.network.parts[part.0 as usize].elements.push(id);
        id
    }

    fn plain(&mut self, part: PartId, ends: (u32, u32), ohms: f64, sigma: f64) -> ElementId {
        let element = self.element(part, ends, ohms, 0.0, ElementRole::Plain);
        self.parameter(ParameterKind::Ohms(vec![element]), sigma, part);
        element
    }

    /// A part of one resistance in working warmth and of another cold.
    fn warmed(&mut self, part: PartId, ends: (u32, u32), hot: f64, cold: f64, sigma: f64) {
        let role = ElementRole::Warmed {
            cold_ohms: cold.max(LEAST_OHMS),
        };
        let element = self.element(part, ends, hot, 0.0, role);
        self.parameter(ParameterKind::Ohms(vec![element]), sigma, part);
    }

    /// A lamp of known rating: its law while the power is on, its cold resistance with it off.
    fn lamp(
        &mut self,
        id: PartId,
        ends: (u32, u32),
        law: parts::LampLaw,
        (hot, cold): (f64, f64),
        sigma: f64,
    ) {
        self.warmed(id, ends, parts::LAMP_BYPASS * hot, cold, sigma);
        self.two_terminal(id, Device::Lamp(law), ends.0, ends.1, false);
        if let Some(device) = self.network.part(id).device {
            self.parameter(ParameterKind::Device(device, Trait::Filament), sigma, id);
        }
    }

    fn parameter(&mut self, kind: ParameterKind, sigma: f64, part: PartId) {
        if sigma > 0.0 {
            self.network.parameters.push(Parameter {
                kind,
                sigma,
                part: Some(part),
            });
        }
    }

    /// Two resistances that meet at a node of their own, and the wiper's
    /// contact from there. A position that nobody knows starts in the middle
    /// and may be anywhere.
    fn potentiometer(
        &mut self,
        id: PartId,
        ohms: f64,
        position: Option<f64>,
        nodes: [u32; 3],
        sigma: f64,
    ) {
        let [from, to, wiper] = nodes;
        let at = position.unwrap_or(0.5).clamp(0.0, 1.0);
        let track = u32::try_from(self.network.nodes).unwrap_or(u32::MAX);
        self.network.nodes += 1;
        let name = format!("{} track under the wiper", self.stage.part(id).name);
        self.network.node_names.push(name);
        let upper = self.element(id, (from, track), ohms * at, 0.0, ElementRole::Plain);
        let lower = self.element(id, (track, to), ohms * (1.0 - at), 0.0, ElementRole::Plain);
        self.element(id, (track, wiper), WIPER_OHMS, 0.0, ElementRole::Plain);
        self.parameter(ParameterKind::Ohms(vec![upper, lower]), sigma, id);
        let wiper_sigma = if position.is_some() {
            KNOWN_WIPER_SIGMA
        } else {
            UNKNOWN_WIPER_SIGMA
        };
        self.parameter(ParameterKind::Wiper(upper, lower), wiper_sigma, id);
    }

    fn tube(
        &mut self,
        id: PartId,
        part: &Part,
        tube_type: &str,
        unit: Option<u8>,
        electrodes: &[(Electrode, deadstage_netlist::NodeId)],
        drive: Option<Drive>,
    ) {
        let Some(law) = catalogue::tube_law(self.stage, tube_type, unit, self.form) else {
            self.unknown_type(part, tube_type);
            return;
        };
        let node = |wanted: Electrode| {
            electrodes
                .iter()
                .find(|(e, _)| *e == wanted)
                .map(|(_, n)| n.0)
        };
        let third = node(Electrode::Grid3).or_else(|| node(Electrode::Suppressor));
        let Some(cathode) = node(Electrode::Cathode) else {
            self.errors.push(CompileError::MissingElectrode {
                part: part.name.clone(),
                electrode: "cathode",
                span: part.span,
            });
            return;
        };
        // A suppressor at the cathode is no port: the law is built for it there.
        let law = match law {
            Device::Tube(tube) if third.is_none_or(|n| n == cathode) => {
                Device::Tube(tube.with_grid3(false))
            }
            other => other,
        };
        let law = match (law, drive) {
            (Device::Tube(tube), Some(drive)) => {
                let drive = match drive {
                    Drive::Peak(volts) => TubeDrive::PeakVolts(volts.0),
                    Drive::GridCurrent(amps) => TubeDrive::GridAmps(amps.0),
                };
                let load = self.plate_load(node(Electrode::Plate), cathode);
                Device::Driven(DrivenTube::new(tube, drive, load))
            }
            (other, _) => other,
        };
        let mut ports = Vec::new();
        let mut wired = Vec::new();
        for electrode in [
            Electrode::Plate,
            Electrode::Grid,
            Electrode::Screen,
            Electrode::Grid3,
        ]
        .into_iter()
        .take(law.ports())
        {
            let wired_to = if electrode == Electrode::Grid3 {
                third
            } else {
                node(electrode)
            };
            match wired_to {
                Some(n) => ports.push(n),
                None => {
                    self.errors.push(CompileError::MissingElectrode {
                        part: part.name.clone(),
                        electrode: electrode_name(electrode),
                        span: part.span,
                    });
                    return;
                }
            }
            wired.push(electrode);
        }
        // A target that nothing is known of draws nothing.
        if let (Some(target), Some(glow)) = (
            node(Electrode::Target),
            catalogue::target_law(tube_type, unit),
        ) {
            self.device(id, glow, cathode, &[target], &[Electrode::Target], false);
        }
        // The part's own device is the last.
        self.device(id, law, cathode, &ports, &wired, false);
    }

    /// A plate with a large capacitor to the common or its own cathode does not follow the signal.
    fn plate_load(&self, plate: Option<u32>, cathode: u32) -> PlateLoad {
        let bypassed = self.stage.parts.iter().any(|part| match part.kind {
            PartKind::Capacitor {
                farads, from, to, ..
            } => {
                let ends = [from.0, to.0];
                farads.0 >= BYPASS_FARADS
                    && plate.is_some_and(|plate| ends.contains(&plate))
                    && (ends.contains(&0) || ends.contains(&cathode))
            }
            _ => false,
        });
        if bypassed {
            PlateLoad::Bypassed
        } else {
            PlateLoad::Tuned
        }
    }

    #[allow(clippy::too_many_arguments, reason = "the fields of one statement")]
    fn rectifier(
        &mut self,
        id: PartId,
        part: &Part,
        tube_type: &str,
        connection: RectifierConnection,
        winding: (Volts, f64),
        filter: FilterInput,
        ends: (u32, u32),
    ) {
        let choke = input_choke(self.stage, NodeId(ends.0), NodeId(ends.1));
        let Some(law) = catalogue::rectifier_law(
            tube_type,
            connection,
            winding.0.0,
            winding.1,
            filter,
            choke.and_then(|choke| choke.henries),
        ) else {
            self.unknown_type(part, tube_type);
            return;
        };
        let law = law.at_hertz(mains_hertz(self.stage));
        self.two_terminal(id, Device::Rectifier(law), ends.0, ends.1, true);
        if let (Some(slot), FilterInput::Choke) = (self.network.devices.last_mut(), filter) {
            slot.input_choke = choke.map(|choke| choke.part);
        }
    }

    fn two_terminal(
        &mut self,
        id: PartId,
        law: Device,
        port: u32,
        common: u32,
        follows_line: bool,
    ) {
        self.device(id, law, common, &[port], &[], follows_line);
    }

    fn device(
        &mut self,
        part: PartId,
        law: Device,
        common: u32,
        ports: &[u32],
        electrodes: &[Electrode],
        follows_line: bool,
    ) {
        let id = DeviceId(u32::try_from(self.network.devices.len()).unwrap_or(u32::MAX));
        for spread in law.spreads() {
            self.parameter(ParameterKind::Device(id, spread.of), spread.sigma, part);
        }
        self.network.devices.push(DeviceSlot {
            part,
            common: common as usize,
            ports: ports.iter().map(|&n| n as usize).collect(),
            electrodes: electrodes.to_vec(),
            first_port: self.network.port_count,
            law,
            follows_line,
            input_choke: None,
        });
        self.network.port_count += ports.len();
        self.network.parts[part.0 as usize].device = Some(id);
    }

    fn unknown_type(&mut self, part: &Part, kind: &str) {
        self.errors.push(CompileError::UnknownType {
            part: part.name.clone(),
            kind: kind.to_owned(),
            span: part.span,
        });
    }
}

/// Leakage of a capacitor of no known dielectric, ohms.
const MOST_LEAKAGE_OHMS: f64 = 1e11;

/// From this capacitance on, a capacitor at a driven tube's plate is a bypass and
/// no part of its tuned circuit, farads. Common practice, no source.
const BYPASS_FARADS: f64 = 1e-9;

/// A filament's resistance cold, as a share of hot: a tenth, twelfth or so (common practice, no source).
const COLD_FILAMENT: f64 = 0.1;

/// A clean wiper on its track, ohms.
const WIPER_OHMS: f64 = 2.0;

/// A wiper whose place is written down is found within this fraction of the track.
const KNOWN_WIPER_SIGMA: f64 = 0.02;

/// One whose place is not known is anywhere: the spread of a uniform track.
const UNKNOWN_WIPER_SIGMA: f64 = 0.29;

/// The trade's word for an electrode.
pub fn electrode_name(electrode: Electrode) -> &'static str {
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

/// Voltage at which a regulator strikes; `None` for any other device.
pub(crate) fn strike_volts(device: &Device) -> Option<f64> {
    match device {
        Device::Regulator(law) => Some(law.strike_volts()),
        _ => None,
    }
}
