//! Drawing units: scatter within tolerance, failures, and the unit that comes of both.

use deadstage_circuit::{Network, class_of};
use deadstage_netlist::{Drive, Electrode, PartId, PartKind, SettingId, Stage};
use deadstage_parts::{
    Condition, Device, LawForm, Mode, OperatingPoint, PlateLoad, TubeDrive, TubeKind, UnitKind,
    default_tolerance, healthy_leakage_ohms, tube_table,
};
use rand::{Rng, RngExt};

use super::law::{
    CONTACT_SIGMA, DRIVE_SIGMA, MU_SIGMA, PERVEANCE_SIGMA, SCREEN_SIGMA, Specimen, Swing, UnitTube,
};
use super::unit::{Body, Branch, Placed, RelayContact, Unit};

/// How far one unit is from its print.
#[derive(Clone, Debug)]
pub struct Scatter {
    /// By part: ratio of its value.
    pub value: Vec<f64>,
    /// By part: the tube in its socket.
    pub specimen: Vec<Specimen>,
}

/// Normal deviate by the sum of twelve (its tails end at six sigma; nothing here needs more).
pub fn normal(rng: &mut impl Rng) -> f64 {
    (0..12).map(|_| rng.random::<f64>()).sum::<f64>() - 6.0
}

/// Draws a healthy unit: parts evenly within tolerance, tubes about 12 % in perveance.
pub fn scatter(stage: &Stage, rng: &mut impl Rng) -> Scatter {
    let contact_share = rng.random::<f64>();
    let value = stage
        .parts
        .iter()
        .map(|part| {
            let tolerance = part
                .tolerance
                .unwrap_or_else(|| default_tolerance(class_of(&part.kind)));
            1.0 + tolerance * (2.0 * rng.random::<f64>() - 1.0)
        })
        .collect();
    let specimen = stage
        .parts
        .iter()
        .map(|part| Specimen {
            perveance: (PERVEANCE_SIGMA * normal(rng)).exp(),
            mu: 1.0 + MU_SIGMA * normal(rng),
            contact: CONTACT_SIGMA * normal(rng),
            screen: (SCREEN_SIGMA * normal(rng)).exp(),
            contact_share,
            drive: match &part.kind {
                PartKind::Tube { drive: Some(_), .. } => (DRIVE_SIGMA * normal(rng)).exp(),
                _ => 1.0,
            },
        })
        .collect();
    Scatter { value, specimen }
}

/// One true failure.
#[derive(Clone, Debug, PartialEq)]
pub struct Fault {
    /// The part.
    pub part: PartId,
    /// How it failed.
    pub kind: FaultKind,
}

/// How a part failed, with its size.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum FaultKind {
    /// Ohms of what is left.
    Open(f64),
    /// Ratio.
    High(f64),
    /// Ratio.
    Low(f64),
    /// Ohms.
    Short(f64),
    /// Ohms.
    Leaky(f64),
    /// Ratio of emission.
    Weak(f64),
    /// No emission.
    Dead,
    /// Fraction of plate current.
    Gassy(f64),
    /// Ohms from cathode to common.
    HeaterLeak(f64),
    /// Ohms from grid to cathode.
    GridCathode(f64),
    /// Ohms in series with the cathode pin, or with a contact.
    PoorContact(f64),
    /// Ratio of a source.
    Source(f64),
    /// A regulator that stays dark.
    NotFiring,
    /// A contact in its other position.
    Stuck,
    /// Nothing of the netlist: a stray path of so many ohms between two nodes.
    Stray(usize, usize, f64),
}

impl FaultKind {
    /// The mode as the answer calls it.
    #[must_use]
    pub fn mode(&self) -> &'static str {
        match self {
            Self::Open(_) => "open",
            Self::High(_) => "high",
            Self::Low(_) => "low",
            Self::Short(_) => "short",
            Self::Leaky(_) => "leaky",
            Self::Weak(_) => "weak",
            Self::Dead => "dead",
            Self::Gassy(_) => "gassy",
            Self::HeaterLeak(_) => "heater-cathode leak",
            Self::GridCathode(_) => "grid-cathode short",
            Self::PoorContact(_) => "poor contact",
            Self::Source(r) if *r == 0.0 => "dead",
            Self::Source(_) => "low",
            Self::NotFiring => "not firing",
            Self::Stuck => "stuck",
            Self::Stray(..) => "not in the netlist",
        }
    }
}

fn log_uniform(rng: &mut impl Rng, low: f64, high: f64) -> f64 {
    (low.ln() + (high / low).ln() * rng.random::<f64>()).exp()
}

/// Draws one failure: a part, any as likely as another, then one of its ways.
pub fn fault(stage: &Stage, rng: &mut impl Rng) -> Option<Fault> {
    let index = rng.random_range(0..stage.parts.len());
    let part = PartId(u32::try_from(index).ok()?);
    let pick = rng.random::<f64>();
    let kind = match &stage.parts[index].kind {
        PartKind::Resistor { .. } => match pick {
            p if p < 0.45 => FaultKind::High(log_uniform(rng, 1.3, 30.0)),
            p if p < 0.55 => FaultKind::Low(log_uniform(rng, 0.03, 0.75)),
            p if p < 0.92 => FaultKind::Open(log_uniform(rng, 5e6, 1e10)),
            _ => FaultKind::Short(log_uniform(rng, 0.1, 100.0)),
        },
        PartKind::Choke { .. }
        | PartKind::Winding { .. }
        | PartKind::Relay { .. }
        | PartKind::Lamp { .. }
        | PartKind::Fuse { .. } => FaultKind::Open(log_uniform(rng, 5e6, 1e10)),
        PartKind::Capacitor { .. } => {
            if pick < 0.65 {
                FaultKind::Leaky(log_uniform(rng, 3e3, 1e8))
            } else {
                FaultKind::Short(log_uniform(rng, 0.1, 100.0))
            }
        }
        PartKind::Tube { electrodes, .. } => {
            let has_grid = electrodes.iter().any(|(e, _)| *e == Electrode::Grid);
            match pick {
                p if p < 0.45 => FaultKind::Weak(0.05 + 0.55 * rng.random::<f64>()),
                p if p < 0.65 => FaultKind::Dead,
                p if p < 0.73 && has_grid => FaultKind::Gassy(log_uniform(rng, 1e-5, 1e-2)),
                p if p < 0.83 => FaultKind::HeaterLeak(log_uniform(rng, 1e3, 1e6)),
                p if p < 0.88 && has_grid => FaultKind::GridCathode(log_uniform(rng, 0.1, 100.0)),
                _ => FaultKind::PoorContact(log_uniform(rng, 3.0, 1e7)),
            }
        }
        PartKind::Supply { .. } => {
            if pick < 0.6 {
                FaultKind::Source(0.3 + 0.6 * rng.random::<f64>())
            } else {
                FaultKind::Source(0.0)
            }
        }
        PartKind::Rectifier { .. } => {
            if pick < 0.6 {
                FaultKind::Weak(0.05 + 0.55 * rng.random::<f64>())
            } else {
                FaultKind::Dead
            }
        }
        PartKind::Regulator { .. } => FaultKind::NotFiring,
        PartKind::Switch { .. } | PartKind::Contact { .. } => {
            if pick < 0.5 {
                FaultKind::Stuck
            } else {
                FaultKind::PoorContact(log_uniform(rng, 3.0, 1e7))
            }
        }
        _ => return None,
    };
    Some(Fault { part, kind })
}

/// How [`fault`] divides the failures of a part; nothing where it draws none.
#[must_use]
pub fn shares(kind: &PartKind) -> Vec<(Mode, f64)> {
    match kind {
        PartKind::Resistor { .. } => vec![
            (Mode::High, 0.45),
            (Mode::Low, 0.10),
            (Mode::Open, 0.37),
            (Mode::Short, 0.08),
        ],
        PartKind::Choke { .. }
        | PartKind::Winding { .. }
        | PartKind::Relay { .. }
        | PartKind::Lamp { .. }
        | PartKind::Fuse { .. } => vec![(Mode::Open, 1.0)],
        PartKind::Capacitor { .. } => vec![(Mode::Leaky, 0.65), (Mode::Short, 0.35)],
        PartKind::Tube { electrodes, .. } => {
            let mut list = vec![
                (Mode::Weak, 0.45),
                (Mode::Dead, 0.20),
                (Mode::HeaterCathodeLeak, 0.10),
                (Mode::PoorContact, 0.12),
            ];
            if electrodes.iter().any(|(e, _)| *e == Electrode::Grid) {
                list.extend([(Mode::Gassy, 0.08), (Mode::GridCathodeShort, 0.05)]);
            }
            let total: f64 = list.iter().map(|(_, share)| share).sum();
            list.iter()
                .map(|(mode, share)| (*mode, share / total))
                .collect()
        }
        PartKind::Supply { .. } => vec![(Mode::Low, 0.6), (Mode::Dead, 0.4)],
        PartKind::Rectifier { .. } => vec![(Mode::Weak, 0.6), (Mode::Dead, 0.4)],
        PartKind::Regulator { .. } => vec![(Mode::NotFiring, 1.0)],
        PartKind::Switch { .. } | PartKind::Contact { .. } => {
            vec![(Mode::Stuck, 0.5), (Mode::PoorContact, 0.5)]
        }
        _ => Vec::new(),
    }
}

/// Draws something that is not in the netlist: a path between two nodes that no part joins.
pub fn stray(stage: &Stage, rng: &mut impl Rng) -> Option<Fault> {
    let from = rng.random_range(1..stage.nodes.len());
    let to = rng.random_range(0..stage.nodes.len());
    let joined = stage.parts.iter().any(|part| {
        part.kind.ends().is_some_and(|(a, b)| {
            let ends = (a.0 as usize, b.0 as usize);
            ends == (from, to) || ends == (to, from)
        })
    });
    if from == to || joined {
        return None;
    }
    let kind = FaultKind::Stray(from, to, log_uniform(rng, 10.0, 3e5));
    Some(Fault {
        part: PartId(0),
        kind,
    })
}

/// Whether the bench can build this stage, and nothing in it swings or switches itself.
#[must_use]
pub fn can_build(stage: &Stage) -> bool {
    is_built(stage)
        && stage.parts.iter().all(|part| match &part.kind {
            PartKind::Tube { drive, .. } => drive.is_none(),
            PartKind::Relay { .. } | PartKind::Contact { .. } => false,
            _ => true,
        })
}

/// Whether the bench can build this stage at all: every tube has a published
/// point, and a signal is stated by its peak.
#[must_use]
pub fn is_built(stage: &Stage) -> bool {
    stage.parts.iter().all(|part| match &part.kind {
        PartKind::Tube {
            drive,
            tube_type,
            unit,
            ..
        } => {
            !matches!(drive, Some(Drive::GridCurrent(_)))
                && first_point(stage, tube_type, *unit).is_some()
        }
        _ => true,
    })
}

/// The signal at a tube's grid, as its stage states it.
#[must_use]
pub(crate) fn swing(law: &Device) -> Option<Swing> {
    let Device::Driven(driven) = law else {
        return None;
    };
    match driven.drive() {
        TubeDrive::PeakVolts(peak) => Some(Swing {
            peak,
            tuned: driven.load() == PlateLoad::Tuned,
        }),
        TubeDrive::GridAmps(_) => None,
    }
}

/// Kind, published point and mu of a type.
pub(crate) fn first_point(
    stage: &Stage,
    tube_type: &str,
    unit: Option<u8>,
) -> Option<(Option<TubeKind>, OperatingPoint, f64)> {
    if let Some(own) = stage
        .tube_types
        .iter()
        .find(|t| t.name.eq_ignore_ascii_case(tube_type))
    {
        let kind = match own.kind {
            deadstage_netlist::TubeKind::Triode => TubeKind::Triode,
            _ => TubeKind::Pentode,
        };
        let point = OperatingPoint {
            plate_volts: own.plate_volts.0,
            grid_volts: own.grid_volts.0,
            screen_volts: own.screen_volts.map_or(0.0, |v| v.0),
            plate_amps: Some(own.plate_amps.0),
            screen_amps: own.screen_amps.map(|i| i.0),
            gm: Some(own.gm.0),
            mu: Some(own.mu),
            ..OperatingPoint::default()
        };
        return Some((Some(kind), point, own.mu));
    }
    let tube = tube_table().find(tube_type)?;
    let unit = tube
        .units
        .get(usize::from(unit.unwrap_or(1)).saturating_sub(1))?;
    let UnitKind::Amplifier(kind) = unit.kind else {
        return Some((None, OperatingPoint::default(), 1.0));
    };
    let mu = unit.tube_law(LawForm::TwoPitch)?.amplification_factor();
    let point = unit
        .points
        .iter()
        .map(|p| p.point)
        .rfind(|p| {
            p.plate_amps.is_some()
                && p.grid_volts < 0.0
                && p.grid_volts
                    + if kind == TubeKind::Triode {
                        p.plate_volts
                    } else {
                        p.screen_volts
                    } / mu
                    > -0.5
        })
        .or_else(|| {
            unit.points
                .iter()
                .map(|p| p.point)
                .find(|p| p.plate_amps.is_some())
        })?;
    Some((
        Some(kind),
        point,
        point.mu.filter(|_| kind == TubeKind::Triode).unwrap_or(mu),
    ))
}

/// The unit: the stage in its default setting, scattered, with these failures.
///
/// # Errors
/// A part that the bench can't build.
pub fn build(
    stage: &Stage,
    network: &Network,
    scatter: &Scatter,
    faults: &[Fault],
    line_ratio: f64,
) -> Result<Unit, String> {
    let mut unit = Unit {
        nodes: stage.nodes.len(),
        ..Unit::default()
    };
    let default = SettingId(0);
    let mut coils = Vec::new();
    let mut contacts = Vec::new();
    for fault in faults {
        if let FaultKind::Stray(from, to, ohms) = fault.kind {
            unit.branches.push(Branch {
                from,
                to,
                ohms,
                emf: 0.0,
                source: false,
            });
        }
    }
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        let index = id.0 as usize;
        let ratio = scatter.value[index];
        let fault = faults
            .iter()
            .find(|f| f.part == id && !matches!(f.kind, FaultKind::Stray(..)))
            .map(|f| f.kind);
        let mut branch = |from: usize, to: usize, ohms: f64, emf: f64| {
            unit.branches.push(Branch {
                from,
                to,
                ohms,
                emf,
                source: false,
            })
        };
        match &part.kind {
            PartKind::Supply {
                volts,
                source,
                follows_line,
                from,
                to,
            } => {
                let line = if *follows_line { line_ratio } else { 1.0 };
                let left = match fault {
                    Some(FaultKind::Source(r)) => r,
                    _ => 1.0,
                };
                branch(
                    from.0 as usize,
                    to.0 as usize,
                    source.map_or(1e-2, |r| r.0.max(1e-2)),
                    volts.0 * ratio * line * left,
                );
                if let Some(source) = unit.branches.last_mut() {
                    source.source = true;
                }
            }
            PartKind::Resistor { ohms, from, to, .. }
            | PartKind::Choke { ohms, from, to, .. }
            | PartKind::Winding { ohms, from, to, .. }
            | PartKind::Relay { ohms, from, to, .. }
            | PartKind::Lamp { ohms, from, to, .. }
            | PartKind::Fuse { ohms, from, to }
            | PartKind::Link { ohms, from, to }
            | PartKind::Thermistor { ohms, from, to, .. }
            | PartKind::Meter { ohms, from, to, .. } => {
                let nominal = ohms.0.max(1e-2) * ratio;
                let value = match fault {
                    Some(FaultKind::Open(r)) => r.max(30.0 * nominal),
                    Some(FaultKind::High(k) | FaultKind::Low(k)) => k * ohms.0,
                    Some(FaultKind::Short(r)) => r.min(0.03 * nominal).max(1e-2),
                    _ => nominal,
                };
                branch(from.0 as usize, to.0 as usize, value, 0.0);
                if let PartKind::Relay { pulls_in, .. } = &part.kind {
                    coils.push((id, unit.branches.len() - 1, pulls_in.0));
                }
            }
            PartKind::Potentiometer {
                ohms,
                position,
                from,
                to,
                wiper,
            } => {
                let at = position.unwrap_or(0.5).clamp(0.01, 0.99);
                branch(from.0 as usize, wiper.0 as usize, ohms.0 * ratio * at, 0.0);
                branch(
                    wiper.0 as usize,
                    to.0 as usize,
                    ohms.0 * ratio * (1.0 - at),
                    0.0,
                );
            }
            PartKind::Capacitor {
                farads, from, to, ..
            } => {
                let healthy = healthy_leakage_ohms(class_of(&part.kind), farads.0).unwrap_or(1e11);
                let value = match fault {
                    Some(FaultKind::Short(r) | FaultKind::Leaky(r)) => r,
                    _ => healthy * ratio,
                };
                branch(from.0 as usize, to.0 as usize, value, 0.0);
            }
            PartKind::Switch {
                closed_in,
                from,
                to,
            } => {
                let mut closed = closed_in.contains(&default);
                if fault == Some(FaultKind::Stuck) {
                    closed = !closed;
                }
                let ohms = match fault {
                    Some(FaultKind::PoorContact(r)) if closed => r,
                    _ if closed => CLOSED_OHMS,
                    _ => 1e11,
                };
                branch(from.0 as usize, to.0 as usize, ohms, 0.0);
            }
            PartKind::Tube {
                tube_type,
                unit: number,
                electrodes,
                ..
            } => {
                let (kind, point, mu) =
                    first_point(stage, tube_type, *number).ok_or("no published point")?;
                let device = network.part(id).device.ok_or("no device")?;
                let slot = network.device(device);
                let mut common = slot.common;
                match fault {
                    Some(FaultKind::HeaterLeak(r)) => branch(common, 0, r, 0.0),
                    Some(FaultKind::GridCathode(r)) => branch(slot.ports[1], common, r, 0.0),
                    _ => {}
                }
                let _ = electrodes;
                let mut body = match kind {
                    Some(kind) => {
                        Body::Tube(UnitTube::new(kind, &point, mu, &scatter.specimen[index]))
                    }
                    None => Body::Other(slot.law.clone(), Condition::default()),
                };
                if let Body::Tube(tube) = &mut body {
                    tube.swing = swing(&slot.law).map(|swing| Swing {
                        peak: swing.peak * scatter.specimen[index].drive,
                        ..swing
                    });
                }
                match (&mut body, fault) {
                    (Body::Tube(tube), Some(FaultKind::Weak(r))) => tube.emission = r,
                    (Body::Tube(tube), Some(FaultKind::Dead)) => tube.emission = 0.0,
                    (Body::Tube(tube), Some(FaultKind::Gassy(g))) => tube.gas = g,
                    (Body::Other(_, condition), Some(FaultKind::Weak(r))) => {
                        condition.perveance = r
                    }
                    (Body::Other(_, condition), Some(FaultKind::Dead)) => condition.perveance = 0.0,
                    _ => {}
                }
                if let Some(FaultKind::PoorContact(r)) = fault {
                    let behind = unit.nodes;
                    unit.nodes += 1;
                    unit.branches.push(Branch {
                        from: common,
                        to: behind,
                        ohms: r,
                        emf: 0.0,
                        source: false,
                    });
                    common = behind;
                }
                unit.placed.push(Placed {
                    common,
                    ports: slot.ports.clone(),
                    body,
                });
            }
            PartKind::Rectifier { .. }
            | PartKind::Diode { .. }
            | PartKind::Regulator { .. }
            | PartKind::Transistor { .. } => {
                let device = network.part(id).device.ok_or("no device")?;
                let slot = network.device(device);
                let mut condition = Condition::default();
                if slot.follows_line {
                    condition.volts = line_ratio
                        * (1.0 + 0.03 * (ratio - 1.0).signum() * (ratio - 1.0).abs().min(1.0));
                }
                let opened = |f: &Fault| {
                    Some(f.part) == slot.input_choke && matches!(f.kind, FaultKind::Open(_))
                };
                if faults.iter().any(opened) {
                    condition.choke = f64::INFINITY;
                }
                match fault {
                    Some(FaultKind::Weak(r)) => condition.perveance = r,
                    Some(FaultKind::Dead | FaultKind::NotFiring) => continue,
                    _ => {}
                }
                unit.placed.push(Placed {
                    common: slot.common,
                    ports: slot.ports.clone(),
                    body: Body::Other(slot.law.clone(), condition),
                });
            }
            PartKind::Contact {
                relay,
                normally_open,
                from,
                to,
            } => {
                let closed = match fault {
                    Some(FaultKind::PoorContact(r)) => r,
                    _ => CLOSED_OHMS,
                };
                branch(from.0 as usize, to.0 as usize, closed, 0.0);
                // The coil may stand behind its contacts in the file.
                contacts.push((unit.branches.len() - 1, *relay, *normally_open, fault));
            }
        }
    }
    for (at, relay, normally_open, fault) in contacts {
        let (_, coil, pulls_in) = coils
            .iter()
            .copied()
            .find(|(id, ..)| *id == relay)
            .ok_or("a contact without a coil")?;
        let closed_ohms = unit.branches[at].ohms;
        unit.contacts.push(RelayContact {
            branch: at,
            coil,
            pulls_in,
            closed_at_rest: normally_open == (fault == Some(FaultKind::Stuck)),
            closed_ohms,
        });
    }
    unit.release();
    Ok(unit)
}

/// A closed contact, ohms.
const CLOSED_OHMS: f64 = 0.05;
