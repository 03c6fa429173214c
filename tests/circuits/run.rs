//! One circuit from its seed to what was found: read, built, solved healthy and with one failure and two, judged.

use std::panic::{AssertUnwindSafe, catch_unwind};
use std::time::{Duration, Instant};

use deadstage_circuit::{
    Base, Network, Overlay, Scratch, Situation, SolveError, Values, plain, tube_names,
};
use deadstage_netlist::{SettingId, Stage, parse_stage};
use deadstage_parts::LawForm;
use deadstage_reason::{KnownFailure, known_failures};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::Kind;
use super::check::{self, Judged};

/// Most failures laid on at once.
pub const MOST_FAILURES: usize = 2;

/// What came of one solution.
#[derive(Clone, Debug)]
pub enum Verdict {
    /// A point, judged.
    Solved {
        /// By our own evaluation.
        judged: Judged,
        /// Against the plain reference, where asked.
        reference: Reference,
    },
    /// None was found.
    Unsolved(String),
    /// The solver says that there is none: a relay or a regulator that would go on and off.
    NoSteadyState(String),
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
    /// Others: the network has several states.
    OtherState,
    /// It finds none.
    Unsolved,
}

/// One solution of a circuit.
#[derive(Clone, Debug)]
pub struct Point {
    /// Failures laid on, in words.
    pub failures: Vec<String>,
    /// The control setting.
    pub setting: Option<String>,
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
    let text = kind.draw(seed);
    let mut ran = Ran {
        seed,
        text,
        unread: None,
        points: Vec::new(),
    };
    let result = catch_unwind(AssertUnwindSafe(|| read_and_build(&ran.text, seed)));
    match result {
        Ok(Ok((stage, network))) => solve_all(&stage, &network, asked, &mut ran),
        Ok(Err(why)) => ran.unread = Some(why),
        Err(panic) => ran.unread = Some(format!("panicked: {}", said(panic.as_ref()))),
    }
    ran
}

fn said(panic: &(dyn std::any::Any + Send)) -> String {
    let text = panic.downcast_ref::<String>().cloned();
    text.or_else(|| panic.downcast_ref::<&str>().map(|s| (*s).to_owned()))
        .unwrap_or_default()
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

fn read_and_build(text: &str, seed: u64) -> Result<(Stage, Network), String> {
    let stage = read(text)?;
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

/// Two failures that can be present together, or fewer where there are none.
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

/// A failure in words: `R3 open, about 3.1e7`.
fn words(stage: &Stage, failure: &KnownFailure, share: f64) -> String {
    let mut words = format!(
        "{} {}",
        stage.part(failure.part()).name,
        failure.mode().name()
    );
    if let Some(place) = failure.place() {
        words += &format!(" {place}");
    }
    if let Some(size) = failure.size(share) {
        words += &format!(", {size:.4e}");
    }
    words
}

fn solve_all(stage: &Stage, network: &Network, asked: Asked, ran: &mut Ran) {
    let mut rng = Pcg64Mcg::seed_from_u64(ran.seed ^ 0x9e37_79b9);
    let known = known_failures(stage, network);
    let settings: Vec<Option<SettingId>> = if stage.settings.is_empty() {
        vec![None]
    } else {
        (0u32..)
            .take(stage.settings.len())
            .map(|index| Some(SettingId(index)))
            .collect()
    };
    let laid: Vec<Vec<(KnownFailure, f64)>> = (0..=MOST_FAILURES)
        .map(|count| draw_failures(stage, &known, &mut rng, count))
        .collect();
    for setting in settings {
        let name = setting.map(|id| stage.settings[id.0 as usize].clone());
        let situation = Situation::running(setting);
        let mut scratch = Scratch::default();
        let began = Instant::now();
        let base = catch_unwind(AssertUnwindSafe(|| {
            Base::new(network, &situation, &mut scratch)
        }));
        let took = began.elapsed();
        let failed = |verdict: Verdict| Point {
            failures: Vec::new(),
            setting: name.clone(),
            verdict,
            took,
        };
        let base = match base {
            Ok(Ok(base)) => base,
            Ok(Err(error)) => {
                ran.points.push(failed(unsolved(error)));
                continue;
            }
            Err(panic) => {
                let panicked = Verdict::Panicked(said(panic.as_ref()));
                ran.points.push(failed(panicked));
                continue;
            }
        };
        let reference = ran.seed.is_multiple_of(asked.reference);
        for (count, failures) in laid.iter().enumerate() {
            if !asked.failures[count] || failures.len() < count {
                continue;
            }
            let mut overlay = Overlay::new();
            for (failure, share) in failures {
                failure.lay(*share, &base, &mut overlay);
            }
            let failures = failures
                .iter()
                .map(|(failure, share)| words(stage, failure, *share))
                .collect();
            let began = Instant::now();
            let verdict = catch_unwind(AssertUnwindSafe(|| {
                verdict(&base, &overlay, reference, &mut Scratch::default())
            }))
            .unwrap_or_else(|panic| Verdict::Panicked(said(panic.as_ref())));
            ran.points.push(Point {
                failures,
                setting: name.clone(),
                verdict,
                took: began.elapsed(),
            });
        }
    }
}

fn unsolved(error: SolveError) -> Verdict {
    match error {
        SolveError::NoSteadyState { .. } => Verdict::NoSteadyState(error.to_string()),
        other => Verdict::Unsolved(format!("{other:?}")),
    }
}

/// Solves with the failures, and judges.
fn verdict(base: &Base<'_>, overlay: &Overlay, reference: bool, scratch: &mut Scratch) -> Verdict {
    let point = match base.solve(overlay, None, scratch) {
        Ok(point) => point,
        Err(error) => return unsolved(error),
    };
    let network = base.network();
    // What the failures leave, worked out here and not taken from the solver.
    let healthy = Values::of(network, base.situation(), &point.energised_relays());
    let mut values = healthy.clone();
    values.change_devices(network, overlay);
    values.change_elements(overlay);
    for (condition, found) in values.conditions.iter_mut().zip(&point.values().conditions) {
        condition.fired = found.fired;
    }
    let judged = check::judge(network, &healthy, &values, &point);
    let reference = if reference {
        match plain::solve(network, &values) {
            Err(_) => Reference::Unsolved,
            Ok(whole) => {
                let same = (1..network.nodes).all(|node| {
                    let off = point.node_volts(node) - whole.unknowns[node - 1];
                    off.abs() <= 2.0 * judged.tolerance[node] + check::VOLTS
                });
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
    Verdict::Solved { judged, reference }
}
