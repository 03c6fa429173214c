//! What can still be measured, and what voltages are about.

use deadstage_circuit::{Flow, Network, Probe, Situation};
use deadstage_netlist::{
    Access, Bound, Electrode, Meter, MeterInput, NodeId, Ohms, PartId, PartKind, Place, SettingId,
    Stage, Volts,
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
            bare(running, probe, Scale::Plain, name, "volts"),
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
                bare(
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
                bare(off, Probe::Ohms { from, to }, Scale::Log, label, "ohms"),
                OHMS_EFFORT,
            );
        }
        if let PartKind::Meter { .. } = part.kind
            && let (Some((factor, offset, span)), Some(flow)) =
                (panel_scale(stage, id), Flow::through(network, id))
        {
            let mut observation = bare(
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
    // What was read already tells nothing when read again, nor does the same
    // pair of points under another part's name.
    let mut fresh: Vec<Step> = Vec::new();
    for step in list {
        let known = observed
            .list
            .iter()
            .chain(fresh.iter().map(|f| &f.observation))
            .any(|done| is_same(done, &step.observation));
        if !known {
            fresh.push(step);
        }
    }
    fresh
}

/// Whether two observations are of one kind, at one place, in one situation.
fn is_same(a: &Observation, b: &Observation) -> bool {
    a.kind == b.kind && a.situation == b.situation && same_probe(&a.probe, &b.probe)
}

/// Trouble of pulling a tube, switching on again and reading.
const PULLED_EFFORT: f64 = 2.5;
/// Of lifting a lead: solder, with the power off, and back again.
const LIFTED_EFFORT: f64 = 4.0;
/// Of taking a tube to the tester.
const TESTER_EFFORT: f64 = 2.0;

/// Bottles and capacitors for which such steps are thought of.
const MOST_SPECIAL: usize = 4;

/// Steps that need the unit changed for them: volts with a suspect's tube
/// pulled, with a suspect capacitor's lead lifted, a tube on the tester.
pub(crate) fn special_steps(
    stage: &Stage,
    observed: &Observations,
    situations: &mut Vec<Situation>,
    running: usize,
    meter: &Meter,
    suspects: &[PartId],
) -> Vec<Step> {
    let reached = probe_nodes(stage);
    let setting = situations[running].setting;
    let mut list = Vec::new();
    let mut volts = |situation: usize, node: usize, effort: f64, with: String| {
        let (load, _) = load_of(meter, None, 100.0);
        let mut observation = bare(
            situation,
            Probe::Volts {
                from: node,
                to: 0,
                load,
            },
            Scale::Plain,
            stage.nodes[node].name.clone(),
            "volts",
        );
        observation.sigma = 0.0;
        list.push(Step {
            observation,
            effort,
            with: Some(with),
            setting,
        });
    };
    let mut bottles: Vec<PartId> = Vec::new();
    for &id in suspects {
        for tube in tubes_beside(stage, id) {
            if !bottles
                .iter()
                .any(|b| stage.part(*b).name == stage.part(tube).name)
            {
                bottles.push(tube);
            }
        }
    }
    bottles.truncate(MOST_SPECIAL);
    for &tube in &bottles {
        let mut situation = situations[running].clone();
        situation.pulled = crate::observe::bottles(stage, &[tube]);
        let at = situation_index(situations, situation.clone());
        for section in situation.pulled {
            let PartKind::Tube { electrodes, .. } = &stage.part(section).kind else {
                continue;
            };
            for (electrode, node) in electrodes {
                let node = node.0 as usize;
                if matches!(electrode, Electrode::Grid | Electrode::Screen)
                    && reached.contains(&node)
                {
                    volts(
                        at,
                        node,
                        PULLED_EFFORT,
                        format!("{} pulled", stage.part(tube).name),
                    );
                }
            }
        }
    }
    let capacitors = suspects
        .iter()
        .filter(|id| matches!(stage.part(**id).kind, PartKind::Capacitor { .. }))
        .take(MOST_SPECIAL);
    for &id in capacitors {
        let mut situation = situations[running].clone();
        situation.lifted = vec![id];
        let at = situation_index(situations, situation);
        let (from, to) = ends(stage, Place::Across(id));
        for node in [from, to] {
            if reached.contains(&node) {
                volts(
                    at,
                    node,
                    LIFTED_EFFORT,
                    format!("{} lifted", stage.part(id).name),
                );
            }
        }
    }
    for &tube in &bottles {
        if observed
            .tester
            .iter()
            .any(|(id, _)| stage.part(*id).name == stage.part(tube).name)
        {
            continue;
        }
        let probe = Probe::Volts {
            from: 0,
            to: 0,
            load: None,
        };
        let mut observation = bare(
            running,
            probe,
            Scale::Plain,
            stage.part(tube).name.clone(),
            "tester",
        );
        observation.panel = Some(tube);
        list.push(Step {
            observation,
            effort: TESTER_EFFORT,
            with: None,
            setting,
        });
    }
    list
}

/// The index of a situation among those known, made known if it is not.
fn situation_index(situations: &mut Vec<Situation>, wanted: Situation) -> usize {
    situations
        .iter()
        .position(|s| *s == wanted)
        .unwrap_or_else(|| {
            situations.push(wanted);
            situations.len() - 1
        })
}

/// A part that is a tube, or the tubes that share a node with it.
fn tubes_beside(stage: &Stage, id: PartId) -> Vec<PartId> {
    if matches!(stage.part(id).kind, PartKind::Tube { .. }) {
        return vec![id];
    }
    let (from, to) = ends(stage, Place::Across(id));
    let touches = |node: NodeId| node.0 != 0 && (node.0 as usize == from || node.0 as usize == to);
    (0u32..)
        .map(PartId)
        .zip(&stage.parts)
        .filter(|(_, part)| match &part.kind {
            PartKind::Tube { electrodes, .. } => electrodes
                .iter()
                .any(|(e, n)| matches!(e, Electrode::Grid | Electrode::Screen) && touches(*n)),
            _ => false,
        })
        .map(|(id, _)| id)
        .collect()
}

/// An observation that is only thought of.
fn bare(
    situation: usize,
    probe: Probe,
    scale: Scale,
    label: String,
    kind: &'static str,
) -> Observation {
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
