//! One circuit from its seed to what was found: read, built, solved healthy and with one failure and two, judged.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use deadstage_circuit::{
    Base, Change, DeviceId, Network, Overlay, Precision, Scratch, Situation, SolveError, Values,
    check_connections, plain, tube_names,
};
use deadstage_netlist::{PartId, PartKind, SettingId, Stage, parse_stage};
use deadstage_parts::LawForm;
use deadstage_reason::{KnownFailure, known_failures};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::Kind;
use super::check::{self, Found, Judged};
use super::meters::{Readings, read_volts};
use super::reference::{self, values_of};

/// Most failures laid on at once.
pub const MOST_FAILURES: usize = 2;

/// What came of one solution.
#[derive(Clone, Debug)]
pub enum Verdict {
    /// A point, judged.
    Solved {
        /// By our own evaluation.
        judged: Judged,
        /// A regulator that stays dark though it has the volts to strike.
        dark: Option<String>,
        /// Against the plain reference, where asked.
        reference: Reference,
        /// What the solver near a known point found.
        near: Near,
    },
    /// None was found.
    Unsolved {
        /// What the solver says.
        why: String,
        /// What the plain reference says, where asked.
        reference: Reference,
    },
    /// The solver says that there is none, relays going on and off.
    NoSteadyState {
        /// What it says.
        why: String,
        /// Whether every combination of relays was tried and none is one.
        shown: bool,
    },
    /// It panicked.
    Panicked(String),
}

/// What the plain reference solver says of a point.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Reference {
    /// It was not asked.
    NotAsked,
    /// The same voltages.
    Same,
    /// Others (the network has several states), or any where the solver has none.
    OtherState,
    /// It finds none.
    Unsolved,
}

/// What the solver near a known point says of one.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Near {
    /// It leaves it to the other.
    Left,
    /// The same voltages.
    Same,
    /// Others, at this node.
    Elsewhere(String),
}

/// One solution of a circuit.
#[derive(Clone, Debug)]
pub struct Point {
    /// Failures laid on, in words.
    pub failures: Vec<String>,
    /// The setting, the mains, what is pulled or lifted, in words.
    pub situation: String,
    /// What came of it.
    pub verdict: Verdict,
    /// Time taken by the solver.
    pub took: Duration,
}

/// One circuit.
#[derive(Clone, Debug)]
pub struct Ran {
    /// Its seed.
    pub seed: u64,
    /// The stage file.
    pub text: String,
    /// Why it could not be read or built.
    pub unread: Option<String>,
    /// Every solution of it.
    pub points: Vec<Point>,
    /// Resistances read with the power off.
    pub ohms: Readings,
    /// Volts read with a meter that loads.
    pub volts: Readings,
}

/// What to run of a circuit.
#[derive(Clone, Copy, Debug)]
pub struct Asked {
    /// Whether with so many failures: none, one, two.
    pub failures: [bool; MOST_FAILURES + 1],
    /// Of so many circuits one is held against the plain reference.
    pub reference: u64,
}

impl Default for Asked {
    fn default() -> Self {
        Self {
            failures: [true; MOST_FAILURES + 1],
            reference: 8,
        }
    }
}

/// Draws the circuit of a kind and a seed, and runs it.
#[must_use]
pub fn run(kind: &Kind, seed: u64, asked: Asked) -> Ran {
    run_text(kind.draw(seed), seed, asked)
}

/// Runs a circuit, with what the seed gives of failures and circumstances.
#[must_use]
pub fn run_text(text: String, seed: u64, asked: Asked) -> Ran {
    let mut ran = Ran {
        seed,
        text,
        unread: None,
        points: Vec::new(),
        ohms: Readings::default(),
        volts: Readings::default(),
    };
    match caught(|| read_and_build(&ran.text, seed)) {
        Ok(Ok((stage, network))) => {
            if let Err(panic) = caught(|| solve_all(&stage, &network, asked, &mut ran)) {
                ran.unread = Some(panic);
            }
        }
        Ok(Err(why)) | Err(why) => ran.unread = Some(why),
    }
    ran
}

/// What `work` gives, or the words of its panic.
fn caught<T>(work: impl FnOnce() -> T) -> Result<T, String> {
    catch_unwind(AssertUnwindSafe(work)).map_err(|panic| {
        let text = panic.downcast_ref::<String>().cloned();
        let text = text.or_else(|| panic.downcast_ref::<&str>().map(|s| (*s).to_owned()));
        format!("panicked: {}", text.unwrap_or_default())
    })
}

/// Reads a stage file of a drawn circuit.
///
/// # Errors
/// Everything wrong with it, as text.
pub fn read(text: &str) -> Result<Stage, String> {
    let parsed = parse_stage("drawn", text, &tube_names(), &mut |_, path| {
        Err(format!("no {path} here"))
    });
    let errors: Vec<&str> = parsed.errors().map(|e| e.message.as_str()).collect();
    if errors.is_empty() {
        Ok(parsed.value)
    } else {
        Err(errors.join("; "))
    }
}

/// The stage of a text and its network, under the law that goes with a seed.
///
/// # Errors
/// What the reader finds, or what has no meaning as it is wired.
pub fn read_and_build(text: &str, seed: u64) -> Result<(Stage, Network), String> {
    let stage = read(text)?;
    // Warnings there may be; a drawn circuit has no loop of bare sources.
    for finding in check_connections(&stage) {
        if finding.code == "source-loop" {
            return Err(finding.message);
        }
    }
    let form = if seed.is_multiple_of(4) {
        LawForm::Koren
    } else {
        LawForm::TwoPitch
    };
    let network = Network::compile(&stage, form).map_err(|errors| {
        let all: Vec<String> = errors.iter().map(ToString::to_string).collect();
        all.join("; ")
    })?;
    Ok((stage, network))
}

/// Failures that can be present together, so many or fewer where there are none.
fn draw_failures(
    stage: &Stage,
    known: &[KnownFailure],
    rng: &mut Pcg64Mcg,
    count: usize,
) -> Vec<(KnownFailure, f64)> {
    let mut drawn: Vec<(KnownFailure, f64)> = Vec::new();
    for _ in 0..20 * count {
        if drawn.len() == count || known.is_empty() {
            break;
        }
        let next = &known[rng.random_range(0..known.len())];
        if drawn.iter().all(|(other, _)| other.goes_with(next, stage)) {
            // Ends of a range are as likely as a place within it.
            let share = match rng.random_range(0..4) {
                0 => 0.0,
                1 => 1.0,
                _ => rng.random::<f64>(),
            };
            drawn.push((next.clone(), share));
        }
    }
    drawn
}

/// A failure in words: `R3 open, 3.1e7`.
fn words(stage: &Stage, failure: &KnownFailure, share: f64) -> String {
    let name = &stage.part(failure.part()).name;
    let mut words = format!("{name} {}", failure.mode().name());
    if let Some(place) = failure.place() {
        words += &format!(" {place}");
    }
    if let Some(size) = failure.size(share) {
        words += &format!(", {size:.4e}");
    }
    words
}

/// The circumstances that a circuit is looked at in: every setting, and now and then
/// another mains, a tube out of its socket, a lead off.
fn situations(stage: &Stage, rng: &mut Pcg64Mcg) -> Vec<(String, Situation)> {
    let mut common = Situation::running(None);
    let mut words = String::new();
    if rng.random_range(0..6) == 0 {
        common.line_ratio = rng.random_range(0.6..1.2);
        words += &format!(" mains {:.2}", common.line_ratio);
    }
    if rng.random_range(0..10) == 0 && !stage.parts.is_empty() {
        let part = rng.random_range(0..stage.parts.len());
        let name = &stage.parts[part].name;
        if matches!(stage.parts[part].kind, PartKind::Tube { .. }) {
            common.pulled = stage.parts_named(name).collect();
            words += &format!(" {name} pulled");
        } else {
            common.lifted = vec![PartId(u32::try_from(part).unwrap_or(0))];
            words += &format!(" {name} lifted");
        }
    }
    if stage.settings.is_empty() {
        return vec![(words, common)];
    }
    (0u32..)
        .zip(&stage.settings)
        .map(|(index, name)| {
            let mut situation = common.clone();
            situation.setting = Some(SettingId(index));
            (format!("{name}{words}"), situation)
        })
        .collect()
}

/// What is done with every circuit in one situation.
pub(super) struct Bench<'a> {
    stage: &'a Stage,
    pub(super) network: &'a Network,
    pub(super) situation: Situation,
    /// In words.
    pub(super) name: String,
    /// By number of failures.
    laid: &'a [Vec<(KnownFailure, f64)>],
    asked: Asked,
    /// Whether the plain reference is asked, and a meter put on.
    sampled: bool,
}

fn solve_all(stage: &Stage, network: &Network, asked: Asked, ran: &mut Ran) {
    let mut rng = Pcg64Mcg::seed_from_u64(ran.seed ^ 0x9e37_79b9);
    let known = known_failures(stage, network);
    let laid: Vec<Vec<(KnownFailure, f64)>> = (0..=MOST_FAILURES)
        .map(|count| draw_failures(stage, &known, &mut rng, count))
        .collect();
    for (name, situation) in situations(stage, &mut rng) {
        let bench = Bench {
            stage,
            network,
            situation,
            name,
            laid: &laid,
            asked,
            sampled: ran.seed.is_multiple_of(asked.reference) && network.nodes <= MOST_REFERENCE,
        };
        ran.ohms.add(caught(|| bench.read_ohms(&mut rng)));
        bench.solve(&mut rng, ran);
    }
}

/// Nodes up to which the plain reference is asked: its cost goes with the cube.
const MOST_REFERENCE: usize = 90;

impl Bench<'_> {
    /// Failures that are there to be laid on, in the situation of `base`, with their words.
    pub(super) fn overlays(&self, base: &Base<'_>) -> Vec<(Vec<String>, Overlay)> {
        let mut all = Vec::new();
        for (count, failures) in self.laid.iter().enumerate() {
            if !self.asked.failures[count] || failures.len() < count {
                continue;
            }
            let mut overlay = Overlay::new();
            let mut said = Vec::new();
            for (failure, share) in failures {
                failure.lay(*share, base, &mut overlay);
                said.push(words(self.stage, failure, *share));
            }
            all.push((said, overlay));
        }
        all
    }

    fn solve(&self, rng: &mut Pcg64Mcg, ran: &mut Ran) {
        let began = Instant::now();
        let mut scratch = Scratch::default();
        let made = caught(|| Base::new(self.network, &self.situation, &mut scratch));
        let took = began.elapsed();
        let point = |failures: Vec<String>, verdict: Verdict, took: Duration| Point {
            failures,
            situation: self.name.clone(),
            verdict,
            took,
        };
        let base = match made {
            Ok(Ok(base)) => base,
            Ok(Err(error)) => {
                let verdict = unsolved(self.network, &self.situation, &[], error, self.sampled);
                ran.points.push(point(Vec::new(), verdict, took));
                return;
            }
            Err(panic) => {
                let verdict = Verdict::Panicked(panic);
                ran.points.push(point(Vec::new(), verdict, took));
                return;
            }
        };
        for (failures, overlay) in self.overlays(&base) {
            let mut took = if failures.is_empty() {
                took
            } else {
                Duration::ZERO
            };
            let verdict = caught(|| verdict(&base, &overlay, self.sampled, &mut took))
                .unwrap_or_else(Verdict::Panicked);
            if self.sampled && matches!(verdict, Verdict::Solved { .. }) {
                ran.volts
                    .add(caught(|| read_volts(&base, &overlay, &failures, rng)));
            }
            ran.points.push(point(failures, verdict, took));
        }
    }
}

fn unsolved(
    network: &Network,
    situation: &Situation,
    overlay: &[Change],
    error: SolveError,
    reference: bool,
) -> Verdict {
    if let SolveError::NoSteadyState { .. } = error {
        return match reference::has_steady_state(network, situation, overlay) {
            Some(true) => Verdict::Unsolved {
                why: format!("{error}, and yet relays have one"),
                reference: Reference::OtherState,
            },
            found => Verdict::NoSteadyState {
                why: error.to_string(),
                shown: found == Some(false),
            },
        };
    }
    let asked = reference && network.relays.is_empty();
    let reference = if asked {
        let mut values = values_of(network, situation, overlay, &[]);
        match reference::settle(network, &mut values) {
            Some(_) => Reference::OtherState,
            None => Reference::Unsolved,
        }
    } else {
        Reference::NotAsked
    };
    Verdict::Unsolved {
        why: format!("{error:?}"),
        reference,
    }
}

/// Solves with the failures, and judges.
fn verdict(
    base: &Base<'_>,
    overlay: &Overlay,
    with_reference: bool,
    took: &mut Duration,
) -> Verdict {
    let network = base.network();
    let scratch = &mut Scratch::default();
    let began = Instant::now();
    let solved = base.solve(overlay, None, scratch);
    *took += began.elapsed();
    let point = match solved {
        Ok(point) => point,
        Err(error) => return unsolved(network, base.situation(), overlay, error, with_reference),
    };
    // What the failures leave, worked out here and not taken from the solver.
    let energised = point.energised_relays();
    let mut values = values_of(network, base.situation(), overlay, &energised);
    for (condition, found) in values.conditions.iter_mut().zip(&point.values().conditions) {
        condition.fired = found.fired;
    }
    let healthy = values_of(network, base.situation(), &[], &energised);
    let found = Found::of(network, &point);
    let judged = check::judge(network, &healthy, &values, &found);
    let device = |device: usize| DeviceId(u32::try_from(device).unwrap_or(u32::MAX));
    let dark = reference::should_strike(network, &values, |index| {
        point.device_volts(device(index))[0]
    });
    let within = |node: usize, other: f64| {
        (point.node_volts(node) - other).abs() <= 2.0 * judged.tolerance[node] + check::VOLTS
    };
    let reference = if with_reference {
        match plain::solve(network, &values) {
            Err(_) => Reference::Unsolved,
            Ok(whole) => {
                let same = (1..network.nodes).all(|node| within(node, whole.unknowns[node - 1]));
                if same {
                    Reference::Same
                } else {
                    Reference::OtherState
                }
            }
        }
    } else {
        Reference::NotAsked
    };
    let near = match base.solve_to(Precision::Readings, overlay, None, scratch) {
        Err(_) => Near::Left,
        Ok(near) => (1..network.nodes)
            .find(|&node| !within(node, near.node_volts(node)))
            .map_or(Near::Same, |node| {
                let fired = |values: &Values| -> Vec<bool> {
                    values.conditions.iter().map(|c| c.fired).collect()
                };
                let lit = if fired(near.values()) == fired(&values) {
                    ""
                } else {
                    ", regulators lit otherwise"
                };
                Near::Elsewhere(format!(
                    "{}: {} V, and {} V for readings{lit}",
                    network.node_names[node],
                    point.node_volts(node),
                    near.node_volts(node)
                ))
            }),
    };
    Verdict::Solved {
        dark: dark.map(|d| network.part_names[network.devices[d].part.0 as usize].clone()),
        judged,
        reference,
        near,
    }
}
