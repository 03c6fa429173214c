//! The stages and sheets that ship: they read, solve and keep their prints;
//! their sheets are answered; and a plain failure of any one part is found
//! from the voltages that the program itself computes of it.
//!
//! Whole chassis take minutes and are left out of the slow tests, and of the
//! larger of the other units every third plain failure is taken, unless
//! `DEADSTAGE_WHOLE_CHASSIS` is set.
#![allow(clippy::print_stdout, reason = "the rates are what a reader wants")]

use std::path::Path;

use deadstage_circuit::{
    Base, Change, DeviceChange, DeviceId, ElementId, INSULATION_SIEMENS, Network, OperatingPoint,
    Overlay, Probe, Scratch, Situation, tube_names,
};
use deadstage_netlist::{
    Bound, Meter, MeterInput, NodeId, Ohms, PartId, PartKind, Place, Point, Quantity, Reading,
    Readings, SettingId, Span, Stage, Volts, parse_readings,
};
use deadstage_parts::LawForm;
use deadstage_reason::{Diagnosis, Options, check, diagnose, healthy_readings};
use deadstage_tests::trials::score::claim;
use deadstage_tests::trials::stages;
use rayon::prelude::*;
use serde::Deserialize;

/// Parts of the largest unit that the slow tests take.
const MOST_PARTS: usize = 60;

/// Parts of the largest unit of which they take every failure, and of a larger one which share.
const WHOLLY_TRIED: usize = 40;
const TRIED_SHARE: usize = 3;

/// A failure must move some point by this many healthy spreads to count.
const DETECTABLE: f64 = 4.0;

/// Share of such failures whose part must be in the first group.
const LEAST_FOUND: f64 = 0.95;

fn whole_chassis() -> bool {
    std::env::var_os("DEADSTAGE_WHOLE_CHASSIS").is_some()
}

fn shipped(most_parts: usize) -> Vec<(String, Stage)> {
    let shipped = stages::shipped(most_parts).unwrap_or_else(|message| panic!("{message}"));
    assert!(shipped.len() >= 10, "{} stages", shipped.len());
    shipped
}

fn compiled(name: &str, stage: &Stage, form: LawForm) -> Network {
    Network::compile(stage, form).unwrap_or_else(|errors| panic!("{name}: {errors:?}"))
}

/// Every control setting; `None` for a unit without any.
fn settings(stage: &Stage) -> Vec<Option<SettingId>> {
    if stage.settings.is_empty() {
        return vec![None];
    }
    (0u32..)
        .zip(&stage.settings)
        .map(|(index, _)| Some(SettingId(index)))
        .collect()
}

/// What flows into every node flows out of it, and every device passes what
/// its law says at the voltages found.
fn laws_hold(network: &Network, point: &OperatingPoint<'_>) -> Result<(), String> {
    let (node, left, through) = point.kirchhoff();
    if left > 1e-9 + 1e-9 * through {
        return Err(format!(
            "{left:e} A of {through:e} A is left over at {}",
            network.node_names.get(node).map_or("?", String::as_str)
        ));
    }
    for (id, slot) in (0u32..).map(DeviceId).zip(&network.devices) {
        let values = point.values();
        let index = id.0 as usize;
        if !values.present[index] {
            continue;
        }
        let mut volts = [0.0; 4];
        for (to, from) in volts.iter_mut().zip(point.device_volts(id)) {
            *to = *from;
        }
        let mut condition = values.conditions[index];
        condition.fired = point.fired(id);
        let law = slot.law.currents(&volts, &condition);
        for (port, found) in point.device_amps(id).iter().enumerate() {
            let by_law = law.amps[port] + INSULATION_SIEMENS * volts[port];
            if (found - by_law).abs() > 1e-9 + 1e-9 * by_law.abs() {
                return Err(format!(
                    "{} passes {found:e} A where its law says {by_law:e}",
                    network.part_names[slot.part.0 as usize]
                ));
            }
        }
    }
    Ok(())
}

#[test]
fn every_stage_solves_in_every_setting_by_both_laws() {
    let mut wrong = Vec::new();
    let mut solved = 0;
    for (name, stage) in shipped(usize::MAX) {
        for form in LawForm::ALL {
            let network = compiled(&name, &stage, form);
            for setting in settings(&stage) {
                for power in [true, false] {
                    let mut situation = Situation::running(setting);
                    situation.power = power;
                    let mut scratch = Scratch::default();
                    let held = Base::new(&network, &situation, &mut scratch)
                        .map_err(|error| error.to_string())
                        .and_then(|base| {
                            let point = base
                                .solve(&[], None, &mut scratch)
                                .map_err(|error| error.to_string())?;
                            laws_hold(&network, &point)
                        });
                    match held {
                        Ok(()) => solved += 1,
                        Err(why) => wrong.push(format!(
                            "{name}, {form:?}, setting {setting:?}, power {power}: {why}"
                        )),
                    }
                }
            }
        }
    }
    println!("{solved} operating points");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn every_stage_keeps_its_print() {
    let mut wrong = Vec::new();
    let mut kept = 0;
    for (name, stage) in shipped(usize::MAX) {
        let checked = check(&stage).unwrap_or_else(|errors| panic!("{name}: {errors:?}"));
        assert!(
            checked.settings.iter().any(|s| !s.expects.is_empty()),
            "{name} expects nothing"
        );
        for setting in &checked.settings {
            if let Some(why) = &setting.unsolved {
                wrong.push(format!("{name} {}: {why}", setting.setting));
            }
            for expect in &setting.expects {
                if expect.pass {
                    kept += 1;
                    continue;
                }
                wrong.push(format!(
                    "{name} {}: {} {} is {:.4} {}, computed {:.4}",
                    setting.setting,
                    expect.kind,
                    expect.point,
                    expect.print,
                    expect.unit,
                    expect.computed
                ));
            }
        }
    }
    println!("{kept} values of prints kept");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// `netlists/answers.toml`.
#[derive(Deserialize)]
struct Answers {
    sheet: Vec<Answer>,
}

/// What is wrong with the unit behind one sheet, as far as it is asked for here.
#[derive(Deserialize)]
struct Answer {
    file: String,
    stage: String,
    kind: AnswerKind,
    part: Option<String>,
    #[serde(default)]
    healthy: bool,
    slipped: Option<String>,
}

#[derive(Clone, Copy, PartialEq, Eq, Deserialize)]
#[serde(rename_all = "kebab-case")]
enum AnswerKind {
    /// One part has failed, every reading is what the meter showed.
    Fault,
    /// One reading is a slip.
    Slip,
}

fn answers() -> Vec<Answer> {
    let path = stages::folder().join("answers.toml");
    let text = std::fs::read_to_string(&path)
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let answers: Answers =
        toml::from_str(&text).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    assert!(answers.sheet.len() >= 20, "{} sheets", answers.sheet.len());
    answers.sheet
}

fn stage_of(answer: &Answer) -> Stage {
    stages::read(&stages::folder().join(&answer.stage)).unwrap_or_else(|why| panic!("{why}"))
}

fn sheet_of(answer: &Answer, stage: &Stage) -> Readings {
    let path: &Path = &stages::folder().join(&answer.file);
    let text =
        std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let parsed = parse_readings(&answer.file, &text, stage, &tube_names());
    let errors: Vec<&str> = parsed.errors().map(|d| d.message.as_str()).collect();
    assert!(errors.is_empty(), "{}: {errors:?}", answer.file);
    parsed.value
}

/// Probability that a part is bad, over all suspects listed.
fn blamed(diagnosis: &Diagnosis, part: &str) -> f64 {
    diagnosis
        .suspects
        .iter()
        .filter(|suspect| suspect.faults.iter().any(|fault| fault.part == part))
        .map(|suspect| suspect.probability)
        .sum()
}

fn told(diagnosis: &Diagnosis) -> String {
    let suspects: Vec<String> = diagnosis
        .suspects
        .iter()
        .take(4)
        .map(|suspect| {
            let faults: Vec<String> = suspect
                .faults
                .iter()
                .map(|fault| format!("{} {}", fault.part, fault.mode))
                .collect();
            format!(
                "{} {:.2} (group {})",
                faults.join(" + "),
                suspect.probability,
                suspect.group
            )
        })
        .collect();
    format!(
        "{}; healthy {:.2}, unexplained {:.2}",
        suspects.join(", "),
        diagnosis.healthy,
        diagnosis.unexplained
    )
}

/// Every sheet of one kind that is not left out, with its answer.
fn answered(kind: AnswerKind) -> Vec<(Answer, Stage, Diagnosis)> {
    let whole = whole_chassis();
    answers()
        .into_par_iter()
        .filter(|answer| answer.kind == kind)
        .filter_map(|answer| {
            let stage = stage_of(&answer);
            let sheet = sheet_of(&answer, &stage);
            if stage.parts.len() > MOST_PARTS && !whole {
                println!("{}: left out, a whole chassis", answer.file);
                return None;
            }
            let diagnosis = diagnose(&stage, &[sheet], &Options::default())
                .unwrap_or_else(|error| panic!("{}: {error}", answer.file));
            Some((answer, stage, diagnosis))
        })
        .collect()
}

/// The failed part is in the first group of suspects, and the unit is not
/// called healthy or past explaining.
#[test]
fn the_failed_part_of_every_sheet_is_told_first() {
    let answered = answered(AnswerKind::Fault);
    assert!(answered.len() >= 10, "{} sheets", answered.len());
    let mut wrong = Vec::new();
    for (answer, _, diagnosis) in &answered {
        let part = answer.part.clone().unwrap_or_default();
        let told = format!("{}: {part}; {}", answer.file, told(diagnosis));
        println!("{told}");
        if !claim(diagnosis).sets.iter().any(|set| set.contains(&part)) {
            wrong.push(told);
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn a_slip_of_the_meter_condemns_no_good_part() {
    let answered = answered(AnswerKind::Slip);
    assert!(answered.len() >= 10, "{} sheets", answered.len());
    let mut wrong = Vec::new();
    for (answer, stage, diagnosis) in &answered {
        println!(
            "{}: {}, {} is a slip; {}",
            answer.file,
            answer.part.as_deref().unwrap_or("healthy"),
            answer.slipped.as_deref().unwrap_or("nothing"),
            told(diagnosis)
        );
        assert_eq!(answer.healthy, answer.part.is_none(), "{}", answer.file);
        let mut names: Vec<&str> = stage.parts.iter().map(|part| part.name.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        for name in names {
            if answer.part.as_deref() != Some(name) && blamed(diagnosis, name) > 0.5 {
                let told = format!("{}: {name} is good; {}", answer.file, told(diagnosis));
                wrong.push(told);
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// A plain failure, laid over the network by its elements alone.
struct Plain {
    part: PartId,
    mode: &'static str,
    overlay: Overlay,
}

/// Ohms of a part that is open, and of a capacitor or resistor that is shorted.
const OPEN_OHMS: f64 = 1e9;
const SHORT_OHMS: f64 = 0.5;

/// Every open and short of a part with two ends, and every device that is dead.
fn plain_failures(stage: &Stage, network: &Network) -> Vec<Plain> {
    let mut all = Vec::new();
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        let model = network.part(id);
        let mut add = |mode, overlay| {
            all.push(Plain {
                part: id,
                mode,
                overlay,
            });
        };
        let set = |ohms: f64, only: &dyn Fn(ElementId) -> bool| -> Overlay {
            model
                .elements
                .iter()
                .filter(|element| only(**element))
                .map(|&element| Change::Ohms(element, ohms))
                .collect()
        };
        let any = |_: ElementId| true;
        match &part.kind {
            PartKind::Resistor { ohms, .. } => {
                add("open", set(OPEN_OHMS.max(100.0 * ohms.0), &any));
                // Below some ohms a short is the part itself.
                if ohms.0 > 100.0 * SHORT_OHMS {
                    add("short", set(SHORT_OHMS, &any));
                }
            }
            PartKind::Choke { ohms, .. } | PartKind::Winding { ohms, .. } => {
                add("open", set(OPEN_OHMS, &any));
                if ohms.0 > 100.0 * SHORT_OHMS {
                    add("short", set(SHORT_OHMS, &any));
                }
            }
            PartKind::Lamp { .. } | PartKind::Fuse { .. } | PartKind::Link { .. } => {
                add("open", set(OPEN_OHMS, &any));
            }
            PartKind::Capacitor { .. } => add("short", set(SHORT_OHMS, &any)),
            PartKind::Supply { .. } => {
                let dead = model
                    .elements
                    .iter()
                    .map(|&element| Change::Emf(element, 0.0))
                    .collect();
                add("dead", dead);
            }
            PartKind::Tube { .. } => {
                // One heater: the bottle fails as a whole, and is asked for once.
                let bottle: Vec<PartId> = stage.parts_named(&part.name).collect();
                if bottle.first() == Some(&id) {
                    let dead = bottle
                        .iter()
                        .filter_map(|&section| network.part(section).device)
                        .map(|device| Change::Device(device, DeviceChange::Perveance(0.0)))
                        .collect();
                    add("dead", dead);
                }
            }
            PartKind::Rectifier { .. } => {
                let dead = model
                    .device
                    .map(|device| Change::Device(device, DeviceChange::Perveance(0.0)));
                add("dead", dead.into_iter().collect());
            }
            PartKind::Regulator { .. } => {
                let dark = model
                    .device
                    .map(|device| Change::Device(device, DeviceChange::NotFiring));
                add("not firing", dark.into_iter().collect());
            }
            _ => {}
        }
    }
    all.retain(|failure| !failure.overlay.is_empty());
    all
}

const METER: Meter = Meter {
    input: MeterInput::Fixed(Ohms(11e6)),
    fraction: 0.03,
    offset: Volts(0.0),
};

/// Where volts are read: the test points, or every node of a stage that names none.
fn points(stage: &Stage) -> Vec<(Point, usize, usize)> {
    let named = stage.test_points.iter().map(|test| test.point.clone());
    let every = (1..stage.nodes.len())
        .filter_map(|index| u32::try_from(index).ok())
        .map(|index| Point {
            label: stage.node(NodeId(index)).name.clone(),
            place: Place::Node(NodeId(index)),
        });
    let points: Vec<Point> = if stage.test_points.is_empty() {
        every.collect()
    } else {
        named.collect()
    };
    points
        .into_iter()
        .filter_map(|point| match point.place {
            Place::Node(node) => (node.0 != 0).then_some((point, node.0 as usize, 0)),
            Place::Across(part) => {
                let (from, to) = stage.part(part).kind.ends()?;
                Some((point, from.0 as usize, to.0 as usize))
            }
            Place::Through(_) => None,
        })
        .collect()
}

/// A digital meter's three figures, down to a millivolt.
fn three_digits(value: f64) -> f64 {
    if value.abs() < 0.01 {
        return (value * 1e3).round() / 1e3;
    }
    let step = 10f64.powf(value.abs().log10().floor() - 2.0).max(1e-3);
    (value / step).round() * step
}

fn sheet(stage: &Stage, points: &[(Point, usize, usize)], volts: &[f64]) -> Readings {
    Readings {
        title: "Computed".to_owned(),
        readings: points
            .iter()
            .zip(volts)
            .map(|((point, ..), &value)| Reading {
                quantity: Quantity::Volts,
                point: point.clone(),
                value: three_digits(value),
                bound: Bound::Exact,
                meter: METER,
                range: None,
                setting: None,
                line: stage.line,
                pulled: Vec::new(),
                lifted: Vec::new(),
                bench: None,
                span: Span::default(),
            })
            .collect(),
        ..Readings::default()
    }
}

fn read_all(
    point: &OperatingPoint<'_>,
    points: &[(Point, usize, usize)],
    scratch: &mut Scratch,
) -> Vec<f64> {
    points
        .iter()
        .map(|&(_, from, to)| {
            let load = Some(11e6);
            point.read(&Probe::Volts { from, to, load }, scratch, None)
        })
        .collect()
}

/// What became of the plain failures of one stage.
#[derive(Default)]
struct Found {
    unseen: usize,
    first: usize,
    alone: usize,
    missed: Vec<String>,
}

fn plain_failures_found(name: &str, stage: &Stage) -> Found {
    let network = compiled(name, stage, LawForm::default());
    let default = (!stage.settings.is_empty()).then_some(SettingId(0));
    let mut scratch = Scratch::default();
    let base = Base::new(&network, &Situation::running(default), &mut scratch)
        .unwrap_or_else(|error| panic!("{name}: {error}"));
    let points = points(stage);
    let blank = sheet(stage, &points, &vec![0.0; points.len()]);
    let healthy =
        healthy_readings(stage, &[blank]).unwrap_or_else(|error| panic!("{name}: {error}"));
    let mut failures = plain_failures(stage, &network);
    if stage.parts.len() > WHOLLY_TRIED && !whole_chassis() {
        failures = failures.into_iter().step_by(TRIED_SHARE).collect();
    }
    let outcomes: Vec<_> = failures
        .into_par_iter()
        .map(|failure| {
            let mut scratch = Scratch::default();
            let part = &stage.part(failure.part).name;
            let point = base
                .solve(&failure.overlay, None, &mut scratch)
                .unwrap_or_else(|error| panic!("{name}: {part} {}: {error}", failure.mode));
            let volts = read_all(&point, &points, &mut scratch);
            let shows = volts.iter().zip(&healthy).any(|(volts, healthy)| {
                // A meter is no finer than its reading, nor than some millivolts.
                let spread = healthy
                    .healthy_sigma
                    .max(0.02 * volts.abs().max(healthy.healthy.abs()))
                    .max(0.03);
                (volts - healthy.healthy).abs() > DETECTABLE * spread
            });
            if !shows {
                return None;
            }
            let readings = sheet(stage, &points, &volts);
            let diagnosis = diagnose(stage, &[readings], &Options::default())
                .unwrap_or_else(|error| panic!("{name}: {part} {}: {error}", failure.mode));
            let sets = claim(&diagnosis).sets;
            let first = sets.iter().any(|set| set.contains(part));
            let alone = sets.iter().any(|set| set.len() == 1 && set.contains(part));
            let missed =
                (!first).then(|| format!("{name}: {part} {}; {}", failure.mode, told(&diagnosis)));
            Some((first, alone, missed))
        })
        .collect();
    let mut found = Found::default();
    for outcome in outcomes {
        match outcome {
            None => found.unseen += 1,
            Some((first, alone, missed)) => {
                found.first += usize::from(first);
                found.alone += usize::from(alone);
                found.missed.extend(missed);
            }
        }
    }
    found
}

#[test]
fn plain_failures_are_in_the_first_group() {
    let most = if whole_chassis() {
        usize::MAX
    } else {
        MOST_PARTS
    };
    let mut all = Found::default();
    for (name, stage) in shipped(most) {
        let began = std::time::Instant::now();
        let found = plain_failures_found(&name, &stage);
        let shown = found.first + found.missed.len();
        println!(
            "{name:28} {shown:3} failures show, {:3} in the first group ({:3} as a single), {:2} can't be seen, {:.1} s",
            found.first,
            found.alone,
            found.unseen,
            began.elapsed().as_secs_f64()
        );
        all.first += found.first;
        all.missed.extend(found.missed);
    }
    let shown = all.first + all.missed.len();
    let rate = all.first as f64 / shown.max(1) as f64;
    println!("all: {} of {shown}, {rate:.3}", all.first);
    for missed in &all.missed {
        println!("  {missed}");
    }
    assert!(shown >= 180, "only {shown} failures show");
    assert!(rate >= LEAST_FOUND, "{rate:.3}");
}
