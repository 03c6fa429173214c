//! The resistance chart: power off, tubes cold, capacitors discharged.

use deadstage_circuit::{Base, Probe, Scratch};
use deadstage_netlist::{OHMMETER_REACH, PartId, PartKind, Place, SettingId, Stage};

use super::{ChartOptions, SPREADS, setting_name, situation};
use crate::error::Error;
use crate::model::Networks;
use crate::observe::ends;
use crate::outcome::{OhmsChart, OhmsRow};

/// Every node to common, then across every part that has a resistance.
///
/// What is beyond an ordinary ohmmeter's reach counts as infinite.
///
/// # Errors
/// Parts without a meaning; equations without one solution.
pub fn ohms_chart(stage: &Stage, setting: Option<SettingId>) -> Result<OhmsChart, Error> {
    let networks = Networks::new(stage)?;
    let options = ChartOptions {
        setting,
        ..ChartOptions::default()
    };
    let (running, _) = situation(stage, &options);
    let situation = running.power_off();
    let name = setting_name(stage, situation.setting);
    let healthy = |source| Error::Healthy {
        setting: (!name.is_empty()).then(|| name.clone()),
        source,
    };
    let mut scratch = Scratch::default();
    // Cold tubes have no law, so one network says all.
    let base = Base::new(&networks.list[0], &situation, &mut scratch).map_err(healthy)?;
    let point = base.solve(&[], None, &mut scratch).map_err(healthy)?;
    let mut gradient = Vec::new();
    let mut row = |label: String, place: Place| {
        let (from, to) = ends(stage, place);
        let probe = Probe::Ohms { from, to };
        let ohms = point.read(&probe, &mut scratch, Some(&mut gradient));
        let variance: f64 = gradient
            .iter()
            .zip(&networks.sigma)
            .map(|(change, sigma)| (change * sigma / ohms.max(f64::MIN_POSITIVE)).powi(2))
            .sum();
        let ratio = (SPREADS * variance.sqrt()).exp();
        let reach = |ohms: f64| {
            if ohms <= OHMMETER_REACH {
                ohms
            } else {
                f64::INFINITY
            }
        };
        OhmsRow {
            point: label,
            ohms: reach(ohms),
            low: reach(ohms / ratio),
            high: reach(ohms * ratio),
        }
    };
    let mut rows = Vec::new();
    for (index, node) in (1u32..).zip(stage.nodes.iter().skip(1)) {
        rows.push(row(
            node.name.clone(),
            Place::Node(deadstage_netlist::NodeId(index)),
        ));
    }
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        if has_resistance(&part.kind) {
            rows.push(row(format!("across {}", part.name), Place::Across(id)));
        }
    }
    let diodes: Vec<&str> = stage
        .parts
        .iter()
        .filter(|part| is_solid(&part.kind))
        .map(|part| part.name.as_str())
        .collect();
    let remarks = if diodes.is_empty() {
        Vec::new()
    } else {
        vec![format!(
            "Taken as open, because an ohmmeter is thought not to turn them on: {}. One that does reads lower through them.",
            diodes.join(", ")
        )]
    };
    Ok(OhmsChart {
        stage: stage.title.clone(),
        setting: name,
        rows,
        remarks,
    })
}

fn has_resistance(kind: &PartKind) -> bool {
    matches!(
        kind,
        PartKind::Resistor { .. }
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

fn is_solid(kind: &PartKind) -> bool {
    match kind {
        PartKind::Transistor { .. } => true,
        PartKind::Diode { diode_type, .. } => ["silicon", "germanium", "selenium"]
            .iter()
            .any(|solid| diode_type.eq_ignore_ascii_case(solid)),
        _ => false,
    }
}
