//! Every way in which the parts of one stage can fail: what it changes in
//! the network, how far it may go, and how likely it is before anything is read.

mod parts;
mod supply;
#[cfg(test)]
mod tests;
mod tubes;

use deadstage_circuit::{
    Base, Change, DeviceChange, DeviceId, ElementId, Network, Overlay, ParameterKind,
};
use deadstage_netlist::{PartId, PartKind, RectifierConnection, Stage};
use deadstage_parts::{Measure, Mode, ParameterPrior};

use crate::rates::{Rates, is_shunt};
use crate::sheets::Stretch;

use self::parts::part_failures;
use supply::{choked_by, reservoir_of};
use tubes::tube_failures;

/// Resistance of a switch that sticks open, ohms.
const STUCK_OPEN_OHMS: f64 = 1e9;

/// Resistance of a switch that sticks closed, ohms.
const STUCK_CLOSED_OHMS: f64 = 0.05;

/// What is left across a tube that passes nothing, ohms.
const ABSENT_OHMS: f64 = 1e12;

/// One way in which one part (or bottle) can fail.
#[derive(Clone, Debug)]
pub(crate) struct Failure {
    /// The part; of a whole bottle, its first section.
    pub(crate) part: PartId,
    /// Section, where the bottle has several and only this one fails.
    pub(crate) section: Option<u8>,
    /// The mode.
    pub(crate) mode: Mode,
    /// Logarithm of the prior odds.
    pub(crate) ln_odds: f64,
    /// How far it goes.
    pub(crate) range: Range,
    /// What it changes.
    pub(crate) action: Action,
    /// Where in the part, in words: `at the cathode pin`.
    pub(crate) place: Option<&'static str>,
    /// When it was present, of a unit with several sheets.
    pub(crate) stretch: Stretch,
    /// The supply whose input choke the part is: with the choke goes what steadies its current.
    pub(crate) chokes: Option<DeviceId>,
}

/// Ranges of more points than this are also followed coarsely, in steps so many times as long.
const COARSE_FROM: usize = 5;
const COARSE_STEP: usize = 3;

/// How far a failure may go: its parameter runs in `u`, which is the
/// logarithm where `log` is set.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Range {
    pub(crate) low: f64,
    pub(crate) high: f64,
    pub(crate) log: bool,
    /// Points at which the circuit is solved to follow the parameter.
    pub(crate) nodes: usize,
    /// Whether the exact size matters to a set it is part of: an open or a short is one.
    pub(crate) sized: bool,
}

impl Range {
    const NONE: Self = Self {
        low: 0.0,
        high: 0.0,
        log: false,
        nodes: 1,
        sized: false,
    };

    pub(crate) fn of(prior: ParameterPrior, mode: Mode) -> Self {
        match prior {
            ParameterPrior::None => Self::NONE,
            ParameterPrior::LogUniform { low, high, .. } => {
                let (low, high) = (low.ln(), high.ln());
                // Once open, a circuit hardly cares how far; across a short
                // the voltage goes with its ohms, and small ones can be read.
                let (spacing, sized) = match mode {
                    Mode::Open => (2.5, false),
                    Mode::Short | Mode::GridCathodeShort => (1.2, false),
                    _ => (0.75, true),
                };
                let nodes = (((high - low) / spacing).ceil() as usize + 1).clamp(3, 16);
                Self {
                    low,
                    high,
                    log: true,
                    nodes,
                    sized,
                }
            }
            ParameterPrior::Uniform { low, high, .. } => Self {
                low,
                high,
                log: false,
                nodes: 9,
                sized: true,
            },
        }
    }

    /// Whether there is anything to follow.
    pub(crate) fn is_open(&self) -> bool {
        self.nodes > 1
    }

    /// Length in `u`.
    pub(crate) fn width(&self) -> f64 {
        self.high - self.low
    }

    /// The same range followed in steps a few times as long: enough to see
    /// whether a failure has anything to do with what was read.
    pub(crate) fn coarse(self) -> Self {
        let nodes = if self.nodes > COARSE_FROM {
            (self.nodes - 1).div_ceil(COARSE_STEP) + 1
        } else {
            self.nodes
        };
        Self { nodes, ..self }
    }

    /// The `index`-th node.
    pub(crate) fn node(&self, index: usize) -> f64 {
        if self.nodes < 2 {
            return self.low;
        }
        self.low + self.width() * index as f64 / (self.nodes - 1) as f64
    }

    /// Spacing of the nodes.
    pub(crate) fn spacing(&self) -> f64 {
        if self.nodes < 2 {
            0.0
        } else {
            self.width() / (self.nodes - 1) as f64
        }
    }

    /// The parameter in its own unit (ohms or ratio).
    pub(crate) fn value(&self, u: f64) -> f64 {
        if self.log { u.exp() } else { u }
    }
}

/// What a failure changes.
#[derive(Clone, Debug, PartialEq)]
pub(crate) enum Action {
    /// These elements get the parameter as their ohms.
    Ohms(Vec<ElementId>),
    /// These elements' ohms are multiplied by the parameter.
    Ratio(Vec<ElementId>),
    /// The parameter is added in series with the element.
    Series(ElementId),
    /// A path of so many ohms between two nodes.
    Shunt(usize, usize),
    /// The source's voltage is multiplied by the parameter.
    SourceRatio(ElementId),
    /// The source gives nothing.
    SourceDead(ElementId),
    /// The emission of these devices is multiplied by the parameter.
    Perveance(Vec<DeviceId>),
    /// The emission is this ratio, whatever the parameter.
    FixedPerveance(Vec<DeviceId>, f64),
    /// These devices pass nothing.
    Absent(Vec<DeviceId>),
    /// Gas: the parameter is the fraction.
    Gas(DeviceId),
    /// Output or maintaining volts are multiplied by the parameter.
    Volts(DeviceId),
    /// Half the sides of a rectifier pass nothing.
    SideDead(DeviceId),
    /// A rectifier has lost its reservoir; the parameter, if any, is the ratio of its volts to the average of the wave.
    NoReservoir(DeviceId),
    /// The parameter in ohms, in series with a port (or the common terminal).
    Pin(DeviceId, Option<usize>),
    /// A contact that stays closed (`true`) or open wherever it should be the other way.
    Stuck(ElementId, bool),
    /// The parameter in series with a filament: its cold resistance with the power off, its law with it on.
    Filament(ElementId, DeviceId),
    /// The lead of a tap gone, where two halves of a winding meet: they stay joined to each other.
    TapOpen(Tap),
    /// An armature that stays as it is: each contact and whether it then is closed.
    Armature(Vec<(ElementId, bool)>, Rest),
    /// The movement shows the parameter times what it should.
    Indication(PartId),
}

/// Two halves of a winding that meet at a tap.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct Tap {
    /// The halves.
    pub(crate) halves: [ElementId; 2],
    /// Nodes of their other ends.
    pub(crate) ends: [usize; 2],
}

/// Where an armature stays.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Rest {
    /// As without current in the coil.
    Released,
    /// As with it.
    PulledIn,
}

impl Action {
    /// Elements that it changes.
    fn elements(&self) -> Vec<ElementId> {
        match self {
            Self::Ohms(elements) | Self::Ratio(elements) => elements.clone(),
            Self::Filament(id, _)
            | Self::Series(id)
            | Self::SourceRatio(id)
            | Self::SourceDead(id)
            | Self::Stuck(id, _) => {
                vec![*id]
            }
            Self::TapOpen(tap) => tap.halves.to_vec(),
            Self::Armature(contacts, _) => contacts.iter().map(|(id, _)| *id).collect(),
            _ => Vec::new(),
        }
    }
}

impl Failure {
    /// The failure as said to a person, less the part: closer than its mode where the part says more.
    pub(crate) fn phrase(&self, stage: &Stage) -> &'static str {
        match (&self.action, &stage.part(self.part).kind) {
            (Action::TapOpen(_), _) => "open at the tap that both halves share",
            (Action::Armature(_, Rest::Released), _) => "stuck, all its contacts at rest",
            (Action::Armature(_, Rest::PulledIn), _) => "stuck, all its contacts as if pulled in",
            (
                Action::SideDead(_),
                PartKind::Rectifier {
                    connection: RectifierConnection::Doubler,
                    ..
                },
            ) => "one half dead",
            _ => self.mode.phrase(),
        }
    }

    /// Adds what this failure changes, at parameter `u`, in the situation of `base`.
    pub(crate) fn lay(&self, u: f64, base: &Base<'_>, overlay: &mut Overlay) {
        let value = self.range.value(u);
        // As it is in this situation: a filament is of another resistance cold.
        let ohms = |id: ElementId| base.values().elements[id.0 as usize].ohms;
        let in_place = |id: ElementId| ohms(id).is_finite();
        let mut device =
            |id: DeviceId, change: DeviceChange| overlay.push(Change::Device(id, change));
        match &self.action {
            Action::Ohms(elements) => {
                overlay.extend(
                    elements
                        .iter()
                        .filter(|id| in_place(**id))
                        .map(|&id| Change::Ohms(id, value)),
                );
            }
            Action::Ratio(elements) => {
                overlay.extend(
                    elements
                        .iter()
                        .filter(|id| in_place(**id))
                        .map(|&id| Change::Ohms(id, value * ohms(id))),
                );
            }
            Action::Series(id) => {
                if in_place(*id) {
                    overlay.push(Change::Ohms(*id, value + ohms(*id)));
                }
            }
            Action::Shunt(from, to) => overlay.push(Change::Shunt {
                from: *from,
                to: *to,
                ohms: value,
            }),
            Action::SourceRatio(id) => {
                let emf = base.values().elements[id.0 as usize].emf;
                overlay.push(Change::Emf(*id, value * emf));
            }
            Action::SourceDead(id) => overlay.push(Change::Emf(*id, 0.0)),
            Action::Perveance(devices) => {
                for &id in devices {
                    device(id, DeviceChange::Perveance(value));
                }
            }
            Action::FixedPerveance(devices, ratio) => {
                for &id in devices {
                    device(id, DeviceChange::Perveance(*ratio));
                }
            }
            Action::Absent(devices) => {
                for &id in devices {
                    device(id, DeviceChange::Absent);
                }
                // What passes a dark tube of a string goes with it.
                let network = base.network();
                let across = devices
                    .iter()
                    .flat_map(|&id| &network.part(network.device(id).part).elements);
                overlay.extend(
                    across
                        .filter(|id| in_place(**id))
                        .map(|&id| Change::Ohms(id, ABSENT_OHMS)),
                );
            }
            Action::Gas(id) => device(*id, DeviceChange::Gas(value)),
            Action::Volts(id) => device(*id, DeviceChange::Volts(value)),
            Action::SideDead(id) => device(*id, DeviceChange::Sides(0.5)),
            Action::NoReservoir(id) => {
                device(*id, DeviceChange::NoReservoir);
                if self.range.is_open() {
                    device(*id, DeviceChange::Volts(value));
                }
            }
            Action::Pin(id, port) => overlay.push(Change::Pin {
                device: *id,
                port: *port,
                ohms: value,
            }),
            Action::Stuck(id, closed) => {
                if in_place(*id) != *closed {
                    let ohms = if *closed {
                        STUCK_CLOSED_OHMS
                    } else {
                        STUCK_OPEN_OHMS
                    };
                    overlay.push(Change::Ohms(*id, ohms));
                }
            }
            Action::Filament(element, id) => {
                if in_place(*element) {
                    overlay.push(Change::Ohms(*element, value + ohms(*element)));
                }
                overlay.push(Change::Pin {
                    device: *id,
                    port: Some(0),
                    ohms: value,
                });
            }
            Action::TapOpen(tap) => {
                let [first, second] = tap.halves;
                if in_place(first) && in_place(second) {
                    let through = ohms(first) + ohms(second);
                    overlay.extend(tap.halves.map(|half| Change::Ohms(half, value)));
                    overlay.push(Change::Shunt {
                        from: tap.ends[0],
                        to: tap.ends[1],
                        ohms: through,
                    });
                }
            }
            // One that is where it stays is held there, whatever its coil does.
            Action::Armature(contacts, _) => {
                overlay.extend(contacts.iter().map(|&(id, closed)| {
                    let left = match (in_place(id), closed) {
                        (true, false) => STUCK_OPEN_OHMS,
                        (false, true) => STUCK_CLOSED_OHMS,
                        _ => ohms(id),
                    };
                    Change::Ohms(id, left)
                }));
            }
            Action::Indication(_) => {}
        }
        if let Some(device) = self.chokes {
            overlay.extend(
                self.choke_left(value, device, base)
                    .map(|ratio| Change::Device(device, DeviceChange::Choke(ratio))),
            );
        }
    }

    /// Whether the upper end of its range, and not the lower, is the further from a part that is whole.
    pub(crate) fn goes_up(&self, bases: &[Base<'_>]) -> bool {
        let Range { low, high, log, .. } = self.range;
        let whole = match &self.action {
            Action::Ohms(elements) => {
                // A setting may leave it out.
                let mut ohms = bases.iter().flat_map(|b| {
                    elements
                        .iter()
                        .map(|id| b.values().elements[id.0 as usize].ohms)
                });
                match ohms.find(|ohms| ohms.is_finite()) {
                    Some(ohms) if log => ohms.ln(),
                    Some(ohms) => ohms,
                    None => low,
                }
            }
            Action::Shunt(..) => high,
            Action::Ratio(_)
            | Action::SourceRatio(_)
            | Action::Perveance(_)
            | Action::Volts(_)
            | Action::NoReservoir(_)
            | Action::Indication(_) => {
                if log {
                    0.0
                } else {
                    1.0
                }
            }
            _ => low,
        };
        (high - whole).abs() >= (low - whole).abs()
    }

    /// Elements that it changes.
    pub(crate) fn elements(&self) -> Vec<ElementId> {
        self.action.elements()
    }

    /// Whether this failure's own size stands in the place of what a healthy
    /// part may be off by: a capacitor of 40 Ω is not besides uncertain by its healthy leakage.
    pub(crate) fn settles(&self, parameter: &ParameterKind) -> bool {
        match (&self.action, parameter) {
            (Action::Ohms(own) | Action::Ratio(own), ParameterKind::Ohms(elements)) => {
                elements.iter().all(|id| own.contains(id))
            }
            (Action::TapOpen(tap), ParameterKind::Ohms(elements)) => {
                elements.iter().all(|id| tap.halves.contains(id))
            }
            (Action::SourceRatio(own) | Action::SourceDead(own), ParameterKind::Emf(source)) => {
                own == source
            }
            _ => false,
        }
    }

    /// What a panel meter's reading is multiplied by.
    pub(crate) fn indication(&self, u: f64, meter: PartId) -> f64 {
        match self.action {
            Action::Indication(part) if part == meter => self.range.value(u),
            _ => 1.0,
        }
    }

    /// Whether the two can be held together: not two modes of one part at one time.
    pub(crate) fn goes_with(&self, other: &Self, stage: &Stage) -> bool {
        if !self.stretch.overlaps(other.stretch) {
            return true;
        }
        if self.part == other.part {
            return false;
        }
        // A contact goes where its armature does, half a winding where its tap does.
        let wide = |f: &Self| matches!(f.action, Action::Armature(..) | Action::TapOpen(_));
        if wide(self) || wide(other) {
            let shared = self.action.elements();
            if other.action.elements().iter().any(|id| shared.contains(id)) {
                return false;
            }
        }
        // Sections of one bottle fail apart only if each is named by section.
        !stage.are_named_alike(self.part, other.part)
            || (self.section.is_some() && other.section.is_some())
    }
}

/// All failures of a stage that DC can show, and the names of those it can't.
pub(crate) fn candidates(
    stage: &Stage,
    network: &Network,
    rates: &Rates,
) -> (Vec<Failure>, Vec<(PartId, &'static str)>) {
    let mut list = Vec::new();
    let mut invisible = Vec::new();
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        let sections: Vec<PartId> = stage.parts_named(&part.name).collect();
        let sections: Vec<PartId> = sections
            .into_iter()
            .filter(|s| matches!(stage.part(*s).kind, PartKind::Tube { .. }))
            .collect();
        let is_tube = matches!(part.kind, PartKind::Tube { .. });
        let rows = rates.of(stage, id);
        let shunt = is_shunt(stage, &part.kind);
        let reservoir = reservoir_of(stage, network, id);
        let chokes = choked_by(stage, network, id);
        if let Some((device, prior)) = reservoir {
            // The one capacitor whose loss DC shows.
            let open = rows.iter().filter(|(row, _)| row.mode == Mode::Open);
            let p: f64 = open.map(|(_, p)| p).sum();
            list.push(Failure {
                part: id,
                section: None,
                mode: Mode::Open,
                ln_odds: (p / (1.0 - p)).ln(),
                range: Range::of(prior, Mode::Weak),
                action: Action::NoReservoir(device),
                place: None,
                chokes: None,
                stretch: Stretch::ALWAYS,
            });
        }
        for (row, probability) in rows {
            if reservoir.is_some() && row.mode == Mode::Open {
                continue;
            }
            if !row.shows_at_dc {
                if !invisible.contains(&(id, row.mode.name())) {
                    invisible.push((id, row.mode.name()));
                }
                continue;
            }
            let wrong_shunt = shunt && matches!(row.mode, Mode::High | Mode::Low);
            let mut add = |share: f64,
                           section: Option<u8>,
                           action: Action,
                           place: Option<&'static str>,
                           prior: ParameterPrior| {
                let p = probability * share;
                let prior = if wrong_shunt {
                    shunt_prior(row.mode)
                } else {
                    prior
                };
                list.push(Failure {
                    part: id,
                    section,
                    mode: row.mode,
                    ln_odds: (p / (1.0 - p)).ln(),
                    range: Range::of(prior, row.mode),
                    action,
                    place,
                    stretch: Stretch::ALWAYS,
                    chokes,
                });
            };
            if is_tube {
                tube_failures(stage, network, id, row, &sections, &mut add);
            } else {
                part_failures(stage, network, id, row, &mut add);
            }
        }
    }
    // What never happens is no suspect.
    list.retain(|failure| failure.ln_odds > f64::NEG_INFINITY);
    (list, invisible)
}

/// How far a wrong shunt is off: any amount that a resistor is, and less besides, since a panel meter shows it.
fn shunt_prior(mode: Mode) -> ParameterPrior {
    let (low, high) = if mode == Mode::High {
        (1.1, 30.0)
    } else {
        (0.03, 0.92)
    };
    ParameterPrior::LogUniform {
        low,
        high,
        measure: Measure::Ratio,
    }
}

type Add<'a> = dyn FnMut(f64, Option<u8>, Action, Option<&'static str>, ParameterPrior) + 'a;
