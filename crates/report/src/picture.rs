//! What a schematic shows of a chart or of an answer: plain facts for the drawing to lay over the print.

use crate::{cautions, numbers, words};
use deadstage_draw::{Layers, NextMark, NextPlace, ReadingMark, SuspectMark};
use deadstage_netlist::{PartId, Place, Stage, TubeNames, parse_point};
use deadstage_reason::{Chart, Diagnosis, Proposal};

/// Least probability of a suspect that is marked in the drawing.
const WORTH_A_MARK: f64 = 0.01;

/// Suspects marked at most: more numbers than that tell nothing.
const MARKED: usize = 5;

/// Spreads from which a reading counts as off: one healthy reading in twenty is.
const OFF: f64 = 2.0;

/// A capacitor's leakage is no current that a print shows.
const LEAST_AMPS: f64 = 1e-6;

/// Letters in a line below the drawing.
const CAPTION: usize = 110;

/// Adds the voltages of a chart: what its meter shows, or the true ones if it has none.
pub fn add_volts(layers: &mut Layers, stage: &Stage, names: &TubeNames, chart: &Chart) {
    for point in &chart.points {
        let Ok(found) = parse_point(&point.point, stage, names) else {
            continue;
        };
        if let Place::Node(node) = found.place
            && !layers.volts.iter().any(|(known, _)| *known == node)
        {
            let volts = if chart.meter.is_some() {
                point.shown
            } else {
                point.volts
            };
            layers.volts.push((node, numbers::volts(volts)));
        }
    }
}

/// Adds the currents of a chart.
pub fn add_currents(layers: &mut Layers, stage: &Stage, chart: &Chart) {
    for row in &chart.parts {
        let mut found = stage.parts_named(&row.part);
        if let (Some(part), None) = (found.next(), found.next())
            && row.amps.abs() >= LEAST_AMPS
        {
            layers.currents.push((part, numbers::amps(row.amps)));
        }
    }
}

/// Adds readings, suspects, what was not seen, and what to measure next.
pub fn add_diagnosis(layers: &mut Layers, stage: &Stage, names: &TubeNames, diagnosis: &Diagnosis) {
    for reading in &diagnosis.readings {
        let plain = reading.kind == "volts" && reading.with.is_none() && reading.repairs_since == 0;
        if !plain {
            continue;
        }
        let Ok(point) = parse_point(&reading.point, stage, names) else {
            continue;
        };
        if let Place::Node(node) = point.place {
            layers.readings.push(ReadingMark {
                node,
                text: words::read(reading),
                off: words::spreads(reading).is_some_and(|spreads| spreads.abs() >= OFF),
            });
        }
    }
    let worth = diagnosis
        .suspects
        .iter()
        .take(MARKED)
        .take_while(|suspect| suspect.probability >= WORTH_A_MARK);
    for (rank, suspect) in (1u32..).zip(worth) {
        let text = format!(
            "{}  ({})",
            words::faults(suspect),
            numbers::per_cent(suspect.probability).trim()
        );
        for fault in &suspect.faults {
            for part in parts(stage, &fault.part, fault.section) {
                layers.suspects.push(SuspectMark {
                    part,
                    rank,
                    text: text.clone(),
                });
            }
        }
    }
    layers.unseen = unseen(stage, diagnosis);
    layers.next = diagnosis
        .next
        .first()
        .and_then(|proposal| next(stage, names, proposal));
}

/// The parts that a failure names; of a bottle the section, or all of them.
fn parts(stage: &Stage, name: &str, section: Option<u8>) -> Vec<PartId> {
    let mut found: Vec<PartId> = stage.parts_named(name).collect();
    if found.is_empty() {
        // A transformer stands for its windings.
        found = (0u32..)
            .map(PartId)
            .zip(&stage.parts)
            .filter(|(_, part)| match part.kind {
                deadstage_netlist::PartKind::Winding {
                    transformer: Some(index),
                    ..
                } => stage
                    .transformers
                    .get(index as usize)
                    .is_some_and(|t| t.name.eq_ignore_ascii_case(name)),
                _ => false,
            })
            .map(|(id, _)| id)
            .collect();
    }
    if let Some(section) = section {
        found.retain(|&id| {
            matches!(
                stage.part(id).kind,
                deadstage_netlist::PartKind::Tube { unit, .. } if unit == Some(section)
            )
        });
    }
    found
}

/// Parts of which some failure would have changed no reading.
fn unseen(stage: &Stage, diagnosis: &Diagnosis) -> Vec<PartId> {
    let mut unseen: Vec<PartId> = diagnosis
        .invisible
        .iter()
        .filter_map(|failure| failure.split_whitespace().next())
        .flat_map(|name| stage.parts_named(name))
        .collect();
    unseen.sort_unstable();
    unseen.dedup();
    unseen
}

fn next(stage: &Stage, names: &TubeNames, proposal: &Proposal) -> Option<NextMark> {
    let text = words::place(&proposal.point, proposal.kind, proposal.with.as_deref());
    let place = match parse_point(&proposal.point, stage, names) {
        Ok(point) => match point.place {
            Place::Node(node) => NextPlace::Node(node),
            Place::Across(part) | Place::Through(part) => NextPlace::Part(part),
        },
        Err(_) => NextPlace::Part(stage.parts_named(&proposal.point).next()?),
    };
    Some(NextMark { place, text })
}

/// Lines for below a drawing that speaks of voltages: the usual cautions, if there are such voltages.
#[must_use]
pub fn captions(highest_volts: f64) -> Vec<String> {
    cautions(highest_volts)
        .iter()
        .flat_map(|caution| {
            textwrap::wrap(&format!("! {caution}"), CAPTION)
                .into_iter()
                .map(std::borrow::Cow::into_owned)
                .collect::<Vec<_>>()
        })
        .collect()
}
