//! Where each tube of a chart works, on its curves.

use crate::curves::PlateCurves;
use crate::numbers;
use deadstage_draw::plot::PlatePlot;
use deadstage_netlist::{Electrode, NodeId, Part, PartKind, Stage};
use deadstage_parts::tube_table;
use deadstage_reason::{Chart, ChartPart};

/// Currents that differ by less are one current: what a resistor's neighbour leaks away is no more.
const SAME_CURRENT: f64 = 0.03;

/// Resistors in the way of a plate's current at most, each way.
const IN_SERIES: usize = 3;

/// The curves of each amplifying tube that is in the table and draws current, with its load line.
pub(crate) fn plate_plots(stage: &Stage, chart: &Chart) -> Vec<PlatePlot> {
    stage
        .parts
        .iter()
        .filter_map(|part| plot(stage, chart, part))
        .collect()
}

fn plot(stage: &Stage, chart: &Chart, part: &Part) -> Option<PlatePlot> {
    let PartKind::Tube {
        tube_type,
        unit,
        electrodes,
        drive: None,
    } = &part.kind
    else {
        return None;
    };
    let row = |electrode: &str| row(chart, part, *unit, electrode);
    let plate = row("plate")?;
    if plate.amps <= 0.0 || plate.volts <= 0.0 {
        return None;
    }
    let tube = tube_table().find(tube_type)?;
    let found = tube.units.get(usize::from(unit.unwrap_or(1).max(1)) - 1)?;
    let at = |wanted: Electrode| {
        let found = electrodes
            .iter()
            .find(|(electrode, _)| *electrode == wanted);
        found.map(|&(_, node)| node)
    };
    let resistance = resistance(stage, chart, at(Electrode::Plate)?, plate.amps)
        .map(|ohms| ohms + cathode_ohms(stage, chart, at(Electrode::Cathode), plate.amps));
    let screen = row("screen").map(|screen| screen.volts);
    let supply = resistance.map(|ohms| plate.volts + plate.amps * ohms);
    let curves = PlateCurves::around(found, plate.volts, plate.amps, screen, supply)?;
    let point = (plate.volts, plate.amps * 1e3);
    let load = resistance
        .zip(supply)
        .map(|(ohms, supply)| [(0.0, supply / ohms * 1e3), (supply, 0.0)]);
    let mut words = format!(
        "● {} from plate to cathode, {}",
        numbers::volts(plate.volts),
        numbers::amps(plate.amps)
    );
    if let Some(ohms) = resistance {
        words.push_str(&format!("; load line of {}", numbers::ohms(ohms)));
    }
    if let Some(screen) = screen {
        words.push_str(&format!("; screen at {}", numbers::volts(screen)));
    }
    let (ends, drawn) = curves.points();
    let section = unit.map_or(String::new(), |unit| format!(" section {unit}"));
    Some(PlatePlot {
        title: format!("{}{section}, {tube_type}", part.name),
        ends,
        curves: drawn,
        load,
        point,
        words,
    })
}

fn row<'a>(
    chart: &'a Chart,
    part: &Part,
    unit: Option<u8>,
    electrode: &str,
) -> Option<&'a ChartPart> {
    let plain = format!("{} {electrode}", part.name);
    let section = unit.map(|unit| format!("{} section {unit} {electrode}", part.name));
    chart
        .parts
        .iter()
        .find(|row| Some(&row.part) == section.as_ref())
        .or_else(|| chart.parts.iter().find(|row| row.part == plain))
}

/// Resistors from a node on that carry this current, one behind the other; `None` if there is none.
fn resistance(stage: &Stage, chart: &Chart, from: NodeId, amps: f64) -> Option<f64> {
    let mut total = None;
    let mut node = from;
    let mut passed: Vec<&str> = Vec::new();
    for _ in 0..IN_SERIES {
        let next = stage.parts.iter().find_map(|part| {
            let PartKind::Resistor { ohms, from, to, .. } = part.kind else {
                return None;
            };
            let far = if from == node {
                to
            } else if to == node {
                from
            } else {
                return None;
            };
            let carried = chart.parts.iter().find(|row| row.part == part.name)?.amps;
            let same = (carried.abs() - amps).abs() <= SAME_CURRENT * amps;
            (same && !passed.contains(&part.name.as_str())).then_some((ohms.0, far, &part.name))
        });
        let Some((ohms, far, name)) = next else {
            break;
        };
        total = Some(total.unwrap_or(0.0) + ohms);
        passed.push(name);
        node = far;
    }
    total
}

fn cathode_ohms(stage: &Stage, chart: &Chart, cathode: Option<NodeId>, amps: f64) -> f64 {
    cathode
        .filter(|&node| node != deadstage_netlist::COMMON)
        .and_then(|node| resistance(stage, chart, node, amps))
        .unwrap_or(0.0)
}
