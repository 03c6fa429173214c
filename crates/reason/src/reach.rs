//! What can still be measured, and what voltages are about.

use deadstage_circuit::{Flow, Network, Probe};
use deadstage_netlist::{
    Access, Bound, Meter, MeterInput, NodeId, Ohms, PartId, PartKind, Place, SettingId, Stage,
    Volts,
};

use crate::model::Model;
use crate::observe::{Observation, Observations, Scale, ends, load_of, panel_scale, volts_sigma};

/// The meter in hand where no sheet names one that can be put to any point.
const USUAL_METER: Meter = Meter {
    input: MeterInput::Fixed(Ohms(11e6)),
    fraction: 0.03,
    offset: Volts(0.0),
};

/// Nodes a probe reaches, the common left out: the stage's test points, or every node where it names none.
pub(crate) fn probe_nodes(stage: &Stage) -> Vec<usize> {
    let mut nodes: Vec<usize> = if stage.test_points.is_empty() {
        (1..stage.nodes.len()).collect()
    } else {
        stage
            .test_points
            .iter()
            .filter_map(|t| match t.point.place {
                Place::Node(node) => Some(node.0 as usize),
                _ => None,
            })
            .filter(|node| *node != 0)
            .collect()
    };
    nodes.sort_unstable();
    nodes.dedup();
    nodes
}

/// How hard a place is to get at.
pub(crate) fn access(stage: &Stage, place: Place) -> Access {
    stage
        .test_points
        .iter()
        .find(|t| t.point.place == place)
        .map_or(Access::Easy, |t| t.access)
}

/// Highest voltage against common of the healthy unit in any situation, volts.
pub(crate) fn highest_volts(model: &Model<'_>) -> f64 {
    let mut scratch = deadstage_circuit::Scratch::default();
    let mut highest = 0.0f64;
    for base in &model.bases[0] {
        if !base.situation().power {
            continue;
        }
        if let Ok(point) = base.solve(&[], None, &mut scratch) {
            for node in 1..model.stage.nodes.len() {
                highest = highest.max(point.node_volts(node).abs());
            }
        }
    }
    highest
}

/// A measurement that could be made, and what it costs in trouble.
#[derive(Clone, Debug)]
pub(crate) struct Step {
    pub(crate) observation: Observation,
    /// A voltage at an easy pin costs 1.
    pub(crate) effort: f64,
    pub(crate) with: Option<String>,
    pub(crate) setting: Option<SettingId>,
}

/// Trouble of a measurement with the power off: switch off, bleed, check.
const OHMS_EFFORT: f64 = 2.0;
/// Of a voltage between two points.
const ACROSS_EFFORT: f64 = 1.15;
/// Of reading a panel meter.
const PANEL_EFFORT: f64 = 0.5;

fn effort_of(access: Access) -> f64 {
    match access {
        Access::Easy => 1.0,
        Access::Awkward => 1.6,
        Access::Hazard => 4.0,
    }
}

/// Everything in reach in one situation and with the power off: volts at any
/// test point, volts and ohms across any part, panel meters.
pub(crate) fn steps(
    stage: &Stage,
    network: &Network,
    observed: &mut Observations,
    running: usize,
    meter: Option<Meter>,
) -> Vec<Step> {
    let meter = meter
        .filter(|m| m.input != MeterInput::Ideal)
        .unwrap_or(USUAL_METER);
    let off = observed.situation(observed.situations[running].clone().power_off());
    let setting = observed.situations[running].setting;
    let mut list = Vec::new();
    let plain =
        |situation: usize, probe: Probe, scale: Scale, label: String, kind: &'static str| {
            Observation {
                situation,
                probe,
                scale,
                factor: 1.0,
                offset: 0.0,
                read: 0.0,
                sigma: 0.0,
                bound: Bound::Exact,
                label,
                kind,
                panel: None,
                range_assumed: None,
            }
        };
    let mut add = |observation: Observation, effort: f64| {
        list.push(Step {
            observation,
            effort,
            with: None,
            setting,
        });
    };
    for node in probe_nodes(stage) {
        let place = Place::Node(NodeId(u32::try_from(node).unwrap_or(0)));
        // The range follows the reading; a middling one stands for it here.
        let (load, _) = load_of(&meter, None, 100.0);
        let probe = Probe::Volts {
            from: node,
            to: 0,
            load,
        };
        let name = stage.nodes[node].name.clone();
        add(
            plain(running, probe, Scale::Plain, name, "volts"),
            effort_of(access(stage, place)),
        );
    }
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        if matches!(
            part.kind,
            PartKind::Tube { .. }
                | PartKind::Transistor { .. }
                | PartKind::Supply { .. }
                | PartKind::Rectifier { .. }
        ) {
            continue;
        }
        let place = Place::Across(id);
        let (from, to) = ends(stage, place);
        let reach = effort_of(access(stage, place)).max(if to == 0 {
            effort_of(access(
                stage,
                Place::Node(NodeId(u32::try_from(from).unwrap_or(0))),
            ))
        } else {
            1.0
        });
        let (load, _) = load_of(&meter, None, 100.0);
        let label = format!("across {}", part.name);
        // To the common is the same as at the node.
        if to != 0 && from != 0 {
            add(
                plain(
                    running,
                    Probe::Volts { from, to, load },
                    Scale::Plain,
                    label.clone(),
                    "volts",
                ),
                ACROSS_EFFORT * reach,
            );
        }
        if !matches!(
            part.kind,
            PartKind::Regulator { .. } | PartKind::Diode { .. }
        ) {
            add(
                plain(off, Probe::Ohms { from, to }, Scale::Log, label, "ohms"),
                OHMS_EFFORT,
            );
        }
        if let PartKind::Meter { .. } = part.kind
            && let (Some((factor, offset, span)), Some(flow)) =
                (panel_scale(stage, id), Flow::through(network, id))
        {
            let mut observation = plain(
                running,
                Probe::Amps(flow),
                Scale::Plain,
                part.name.clone(),
                "panel",
            );
            observation.factor = factor;
            observation.offset = offset;
            observation.sigma = 0.02 * span / 3f64.sqrt();
            observation.panel = Some(id);
            add(observation, PANEL_EFFORT);
        }
    }
    // What was read already tells nothing when read again.
    list.retain(|o| {
        !observed.list.iter().any(|done| {
            done.kind == o.observation.kind
                && done.situation == o.observation.situation
                && same_probe(&done.probe, &o.observation.probe)
        })
    });
    list
}

fn same_probe(a: &Probe, b: &Probe) -> bool {
    match (a, b) {
        (
            Probe::Volts {
                from: f1, to: t1, ..
            },
            Probe::Volts {
                from: f2, to: t2, ..
            },
        )
        | (Probe::Ohms { from: f1, to: t1 }, Probe::Ohms { from: f2, to: t2 }) => {
            (f1, t1) == (f2, t2) || (f1, t1) == (t2, f2)
        }
        (a, b) => a == b,
    }
}

/// One standard deviation of the meter at a value that is only forecast, in compared units.
pub(crate) fn meter_sigma(step: &Step, meter: &Meter, value: f64) -> f64 {
    match (step.observation.scale, step.observation.kind) {
        (Scale::Log, _) => 0.03 / 3f64.sqrt() + 0.3 / value.exp().max(0.3),
        (Scale::Plain, "volts") => volts_sigma(meter, None, value),
        _ => step.observation.sigma,
    }
}

/// The meter that further readings would be taken with.
pub(crate) fn meter_in_hand(meter: Option<Meter>) -> Meter {
    meter
        .filter(|m| m.input != MeterInput::Ideal)
        .unwrap_or(USUAL_METER)
}
