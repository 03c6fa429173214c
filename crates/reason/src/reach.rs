//! What can still be measured, and what voltages are about.

use deadstage_circuit::{Flow, Network, Probe, Situation};
use deadstage_netlist::{
    Access, Bound, Electrode, Meter, MeterInput, NodeId, Ohms, PartId, PartKind, Place, SettingId,
    Stage, Volts,
};

use crate::effort;
use crate::model::{Held, Model, Wanted};
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
    /// Trouble of the reading itself, in the units of [`effort`](crate::effort).
    pub(crate) reading: f64,
    /// Trouble of bringing the unit into the state it is read in.
    pub(crate) preparation: f64,
    pub(crate) with: Option<String>,
    pub(crate) setting: Option<SettingId>,
}

impl Step {
    /// Trouble of it as the first thing done.
    pub(crate) fn effort(&self) -> f64 {
        self.reading + self.preparation
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
    let mut add = |observation: Observation, reading: f64| {
        let preparation = if observation.situation == off {
            effort::POWER_OFF
        } else {
            0.0
        };
        list.push(Step {
            observation,
            reading,
            preparation,
            with: None,
            setting,
        });
    };
    for node in probe_nodes(stage) {
        let place = node_place(node);
        add(
            volts_at(stage, running, node, &meter),
            effort::volts(access(stage, place)),
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
        let reach = [place, node_place(from), node_place(to)]
            .map(|place| access(stage, place))
            .into_iter()
            .max_by(|a, b| effort::volts(*a).total_cmp(&effort::volts(*b)))
            .unwrap_or(Access::Easy);
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
                effort::ACROSS * effort::volts(reach),
            );
        }
        if !matches!(
            part.kind,
            PartKind::Regulator { .. } | PartKind::Diode { .. }
        ) {
            add(
                bare(off, Probe::Ohms { from, to }, Scale::Log, label, "ohms"),
                effort::ohms(reach),
            );
        }
        if let Some(observation) = panel(stage, network, running, id) {
            add(observation, effort::PANEL);
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

/// Whether two observations are of one kind, at one place, in one situation, with no repair between them.
fn is_same(a: &Observation, b: &Observation) -> bool {
    a.kind == b.kind
        && a.situation == b.situation
        && a.ago == b.ago
        && same_probe(&a.probe, &b.probe)
}

/// Bottles and capacitors for which such steps are thought of.
const MOST_SPECIAL: usize = 4;

/// Steps that need the unit changed for them: volts with a suspect's tube
/// pulled, with a suspect capacitor's lead lifted, a tube on the tester; volts and panel meters in another setting.
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
    let mut volts = |situation: usize, node: usize, preparation: f64, with: String| {
        let observation = volts_at(stage, situation, node, meter);
        list.push(Step {
            observation,
            reading: effort::volts(access(stage, node_place(node))),
            preparation,
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
                        effort::POWER_OFF + effort::PULLED,
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
                    effort::POWER_OFF + effort::LIFTED,
                    format!("{} lifted", stage.part(id).name),
                );
            }
        }
    }
    for &tube in &bottles {
        if observed
            .tester
            .iter()
            .any(|(id, _, ago)| *ago == 0 && stage.part(*id).name == stage.part(tube).name)
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
            reading: effort::TESTER,
            preparation: effort::POWER_OFF,
            with: None,
            setting,
        });
    }
    list
}

/// Volts at every test point and the panel meters in the other settings of the unit.
pub(crate) fn other_settings(
    stage: &Stage,
    network: &Network,
    observed: &Observations,
    situations: &mut Vec<Situation>,
    running: usize,
    meter: &Meter,
) -> Vec<Step> {
    let current = situations[running].setting;
    let mut list = Vec::new();
    for setting in (0u32..).map(SettingId).take(stage.settings.len()) {
        if Some(setting) == current {
            continue;
        }
        let wanted = Situation {
            setting: Some(setting),
            ..situations[running].clone()
        };
        let at = situation_index(situations, wanted);
        let mut add = |observation: Observation, reading: f64| {
            if !observed.list.iter().any(|o| is_same(o, &observation)) {
                list.push(Step {
                    observation,
                    reading,
                    preparation: effort::OTHER_SETTING,
                    with: None,
                    setting: Some(setting),
                });
            }
        };
        for node in probe_nodes(stage) {
            add(
                volts_at(stage, at, node, meter),
                effort::volts(access(stage, node_place(node))),
            );
        }
        for id in (0u32..).map(PartId).take(stage.parts.len()) {
            if let Some(observation) = panel(stage, network, at, id) {
                add(observation, effort::PANEL);
            }
        }
    }
    list
}

/// A step in another setting must there read something else: by this ratio, or by so many volts.
const READS_OTHERWISE: (f64, f64) = (0.03, 0.5);

/// Of `steps`, those that under one of these answers (a law, and failures) read something else
/// than they would as the unit runs now.
pub(crate) fn read_otherwise(
    model: &Model<'_>,
    running: usize,
    steps: Vec<Step>,
    answers: &[(usize, Vec<Held<'_>>)],
) -> Vec<Step> {
    let unloaded = |step: &Step, situation: usize| {
        let mut observation = step.observation.bare();
        observation.situation = situation;
        observation
    };
    let both: Vec<Observation> = steps
        .iter()
        .flat_map(|s| [unloaded(s, running), unloaded(s, s.observation.situation)])
        .collect();
    let mut scratch = deadstage_circuit::Scratch::default();
    let mut reads_otherwise = vec![false; steps.len()];
    for (law, held) in answers {
        let found = model.forecast(
            *law,
            held,
            &both,
            Wanted::Means,
            &mut Vec::new(),
            &mut scratch,
        );
        let Ok(forecast) = found else {
            continue;
        };
        for ((kept, step), pair) in reads_otherwise
            .iter_mut()
            .zip(&steps)
            .zip(forecast.mean.chunks_exact(2))
        {
            if let [here, there] = *pair {
                let least = if step.observation.kind == "volts" {
                    READS_OTHERWISE.1
                } else {
                    0.0
                };
                let ratio = READS_OTHERWISE.0 * here.abs().max(there.abs());
                *kept |= (there - here).abs() > ratio.max(least);
            }
        }
    }
    steps
        .into_iter()
        .zip(reads_otherwise)
        .filter_map(|(step, kept)| kept.then_some(step))
        .collect()
}

/// A voltage against the common that is only thought of.
fn volts_at(stage: &Stage, situation: usize, node: usize, meter: &Meter) -> Observation {
    // The range follows the reading; a middling one stands for it here.
    let (load, _) = load_of(meter, None, 100.0);
    let probe = Probe::Volts {
        from: node,
        to: 0,
        load,
    };
    bare(
        situation,
        probe,
        Scale::Plain,
        stage.nodes[node].name.clone(),
        "volts",
    )
}

/// What a panel meter shows, only thought of; `None` for another part.
fn panel(stage: &Stage, network: &Network, situation: usize, id: PartId) -> Option<Observation> {
    let part = stage.part(id);
    let PartKind::Meter { .. } = part.kind else {
        return None;
    };
    let (factor, offset, span) = panel_scale(stage, id)?;
    let flow = Flow::through(network, id)?;
    let mut observation = bare(
        situation,
        Probe::Amps(flow),
        Scale::Plain,
        part.name.clone(),
        "panel",
    );
    observation.factor = factor;
    observation.offset = offset;
    observation.sigma = 0.02 * span / 3f64.sqrt();
    observation.panel = Some(id);
    Some(observation)
}

fn node_place(node: usize) -> Place {
    Place::Node(NodeId(u32::try_from(node).unwrap_or(0)))
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

/// What a voltage that is only thought of may be off, volts: what a meter shows of a few volts.
const UNREAD_SIGMA: f64 = 0.02;

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
        sigma: if kind == "volts" { UNREAD_SIGMA } else { 0.0 },
        bound: Bound::Exact,
        label,
        kind,
        panel: None,
        range_assumed: None,
        ago: 0,
        times: 1,
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
