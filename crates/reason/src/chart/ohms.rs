//! The resistance chart: power off, tubes cold, capacitors discharged.

use deadstage_circuit::{Base, Change, Network, ParameterKind, Probe, Scratch, SolveError};
use deadstage_netlist::{OHMMETER_REACH, PartId, PartKind, Place, Stage};

use super::electrodes::is_solid;
use super::wipers::Wipers;
use super::{ChartOptions, SPREADS, View, points, setting_name, situation};
use crate::error::Error;
use crate::model::Networks;
use crate::observe::ends;
use crate::outcome::{OhmsChart, OhmsRow};

/// Beyond this no meter of a workshop tells a path from none, ohms.
const NO_PATH_OHMS: f64 = 1e9;

/// A row is read through leakage where leakage makes more than this share of it.
const LEAKAGE_SHARE: f64 = 0.5;

/// What a junction that an ohmmeter turns on is taken to have, ohms, to see whether it matters.
const TURNED_ON_OHMS: f64 = 10.0;

/// A row that such a junction lowers by more than this share is named.
const LOWERED_SHARE: f64 = 0.05;

/// Every point to common, then across every part that has a resistance to read.
///
/// Power off, in the setting of `options` with the relays at rest: supplies and
/// rectifiers isolated, tubes cold, capacitors charged to the ohmmeter. The
/// ends are two standard deviations of the logarithm. A path through nothing
/// but leakage is infinite past an ordinary ohmmeter's reach
/// ([`OHMMETER_REACH`]), any path above 1 GΩ.
///
/// # Errors
/// Parts without a meaning; equations without one solution.
pub fn ohms_chart(stage: &Stage, options: &ChartOptions) -> Result<OhmsChart, Error> {
    let networks = Networks::new(stage)?;
    let (running, _) = situation(stage, options);
    let situation = running.power_off();
    let name = setting_name(stage, situation.setting);
    let healthy = |source| Error::Healthy {
        setting: (!name.is_empty()).then(|| name.clone()),
        source,
    };
    let mut scratch = Scratch::default();
    // Cold tubes have no law, so one network says all.
    let network = &networks.list[0];
    let base = Base::new(network, &situation, &mut scratch).map_err(healthy)?;
    let at = base.solve(&[], None, &mut scratch).map_err(healthy)?;
    let mut places: Vec<(String, Place)> = points(stage, situation.setting)
        .into_iter()
        .filter(|(_, place)| matches!(place, Place::Node(_)))
        .collect();
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        if has_resistance(&part.kind) {
            places.push((format!("across {}", part.name), Place::Across(id)));
        }
    }
    let view = View {
        stage,
        network,
        base: &base,
        at: &at,
    };
    let wipers = Wipers::new(&view, &mut scratch);
    let read: Vec<Read> = places
        .into_iter()
        .map(|(label, place)| {
            let (from, to) = ends(stage, place);
            let probe = Probe::Ohms { from, to };
            Read::new(label, probe, &view, &networks.sigma, &wipers, &mut scratch)
        })
        .collect();
    let mut remarks = junctions(stage, network, &base, &read, &mut scratch).map_err(healthy)?;
    remarks.extend(leakage(&read));
    if !network.relays.is_empty() {
        remarks.push("With the power off every relay is at rest.".to_owned());
    }
    Ok(OhmsChart {
        stage: stage.title.clone(),
        setting: name,
        rows: read.into_iter().map(|read| read.row).collect(),
        remarks,
    })
}

/// One row with what it was made from.
struct Read {
    row: OhmsRow,
    probe: Probe,
    ohms: f64,
    /// Whether leakage of capacitors makes most of it.
    leakage: bool,
}

impl Read {
    fn new(
        label: String,
        probe: Probe,
        view: &View<'_>,
        sigma: &[f64],
        wipers: &Wipers<'_>,
        scratch: &mut Scratch,
    ) -> Self {
        let mut gradient = Vec::new();
        let ohms = view.at.read(&probe, scratch, Some(&mut gradient));
        let share = |change: f64| change / ohms.max(f64::MIN_POSITIVE);
        let tolerances: f64 = gradient
            .iter()
            .zip(sigma)
            .zip(&view.network.parameters)
            .filter(|(_, parameter)| !wipers.moves(parameter))
            .map(|((change, sigma), _)| (share(*change) * sigma).powi(2))
            .sum();
        let tolerances = SPREADS * tolerances.sqrt();
        let logarithm = |ohms: f64| ohms.max(f64::MIN_POSITIVE).ln();
        let (below, above) = wipers.travel(logarithm(ohms), &probe, logarithm, scratch);
        let leaking: f64 = gradient
            .iter()
            .zip(&view.network.parameters)
            .filter(|(_, parameter)| {
                matches!(parameter.kind, ParameterKind::Ohms(_))
                    && parameter.part.is_some_and(|part| {
                        matches!(view.stage.part(part).kind, PartKind::Capacitor { .. })
                    })
            })
            .map(|(change, _)| share(*change))
            .sum();
        // An open path is the solver's own floor, which no parameter moves.
        let leakage = leaking > LEAKAGE_SHARE;
        let reach = |ohms: f64| {
            if ohms > NO_PATH_OHMS || (leakage && ohms > OHMMETER_REACH) {
                f64::INFINITY
            } else {
                ohms
            }
        };
        Self {
            row: OhmsRow {
                point: label,
                ohms: reach(ohms),
                low: reach(ohms * (-tolerances.hypot(below)).exp()),
                high: reach(ohms * tolerances.hypot(above).exp()),
            },
            probe,
            ohms,
            leakage,
        }
    }
}

/// Rows that a diode or transistor would lower if the ohmmeter turned it on.
fn junctions(
    stage: &Stage,
    network: &Network,
    base: &Base<'_>,
    read: &[Read],
    scratch: &mut Scratch,
) -> Result<Vec<String>, SolveError> {
    let mut said: Vec<(Vec<&str>, Vec<&str>)> = Vec::new();
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        let solid = match &part.kind {
            PartKind::Transistor { .. } => true,
            PartKind::Diode { diode_type, .. } => is_solid(diode_type),
            _ => false,
        };
        let Some(device) = network.part(id).device.filter(|_| solid) else {
            continue;
        };
        let slot = network.device(device);
        let on: Vec<Change> = slot
            .ports
            .iter()
            .map(|&port| Change::Shunt {
                from: port,
                to: slot.common,
                ohms: TURNED_ON_OHMS,
            })
            .collect();
        let at = base.solve(&on, None, scratch)?;
        let lowered: Vec<&str> = read
            .iter()
            .filter(|row| row.row.ohms.is_finite() || row.leakage)
            .filter(|row| at.read(&row.probe, scratch, None) < row.ohms * (1.0 - LOWERED_SHARE))
            .map(|row| row.row.point.as_str())
            .collect();
        if lowered.is_empty() {
            continue;
        }
        match said.iter_mut().find(|(_, rows)| *rows == lowered) {
            Some((parts, _)) => parts.push(&part.name),
            None => said.push((vec![&part.name], lowered)),
        }
    }
    Ok(said
        .into_iter()
        .map(|(parts, rows)| {
            format!(
                "Taken as open, because the ohmmeter's voltage is thought too low to turn it on: {}. A meter that does reads lower at {}; try its leads the other way round.",
                parts.join(", "),
                rows.join(", ")
            )
        })
        .collect())
}

/// Rows that only the leakage of capacitors decides.
fn leakage(read: &[Read]) -> Option<String> {
    let rows: Vec<&str> = read
        .iter()
        .filter(|read| read.leakage && read.row.low.is_finite())
        .map(|read| read.row.point.as_str())
        .collect();
    (!rows.is_empty()).then(|| {
        format!(
            "Only the leakage of capacitors is read at {}: the meter starts low and climbs as they charge. More than the high end is well, less than the low end a leak.",
            rows.join(", ")
        )
    })
}

fn has_resistance(kind: &PartKind) -> bool {
    matches!(
        kind,
        PartKind::Resistor { .. }
            | PartKind::Capacitor { .. }
            | PartKind::Switch { .. }
            | PartKind::Contact { .. }
            | PartKind::Link { .. }
            | PartKind::Potentiometer { .. }
            | PartKind::Choke { .. }
            | PartKind::Winding { .. }
            | PartKind::Lamp { .. }
            | PartKind::Fuse { .. }
            | PartKind::Thermistor { .. }
            | PartKind::Relay { .. }
            | PartKind::Meter { .. }
    )
}
