//! A short, fixed run of the trial bench: units with one failure, and units
//! with none, that the reasoning has not seen and whose tubes follow another
//! law than its own.
//!
//! The bench at length is `cargo run --release -p deadstage-tests --bin trials`.
#![allow(clippy::print_stdout, reason = "the rates are what a reader wants")]

use deadstage_reason::Options;
use deadstage_tests::trials::run::Trial;
use deadstage_tests::trials::score::{Tally, claim, is_partly_right, is_right};
use deadstage_tests::trials::{draw, run, stages};
use rayon::prelude::*;

/// Larger units take too long for a test.
const MOST_PARTS: usize = 40;
const CASES: u64 = 15;

/// What the rates must reach. Of 135 single failures at a true rate of 0.92
/// the measured one has a standard deviation of 0.023: 0.87 is two of these
/// below, so that an honest change of the drawing does not fail the test, and
/// one that loses a tenth of the cases does.
const LEAST_SINGLE: f64 = 0.87;
const LEAST_HEALTHY: f64 = 0.90;
/// Certainty claimed against rate of being right, of the single failures.
const MOST_GAP: f64 = 0.08;

fn trials(count: usize) -> Vec<(String, bool, bool, f64)> {
    let shipped = stages::shipped(MOST_PARTS).unwrap_or_else(|message| panic!("{message}"));
    let cases: Vec<_> = shipped
        .iter()
        .filter(|(_, stage)| draw::can_build(stage))
        .flat_map(|(name, stage)| (0..CASES).map(move |case| (name, stage, case)))
        .collect();
    cases
        .into_par_iter()
        .filter_map(|(name, stage, case)| {
            let seed = 40_000 + case * 7919 + count as u64;
            let trial = run::trial(name, stage, count, seed, &Options::default())?;
            let claimed = claim(&trial.diagnosis).probability;
            let right = is_right(stage, &trial);
            if !right {
                println!("{}", told(stage, &trial));
            }
            Some((name.clone(), right, is_partly_right(stage, &trial), claimed))
        })
        .collect()
}

/// A case that went wrong, in a line.
fn told(stage: &deadstage_netlist::Stage, trial: &Trial) -> String {
    let truth: Vec<String> = trial
        .faults
        .iter()
        .map(|fault| run::describe(stage, fault))
        .collect();
    let said: Vec<String> = trial
        .diagnosis
        .suspects
        .iter()
        .take(3)
        .map(|suspect| {
            let names: Vec<&str> = suspect.faults.iter().map(|f| f.part.as_str()).collect();
            format!("{} {:.2}", names.join(" + "), suspect.probability)
        })
        .collect();
    format!(
        "  {}: [{}] answered [{}], healthy {:.2}, unexplained {:.2}",
        trial.stage,
        truth.join(", "),
        said.join(", "),
        trial.diagnosis.healthy,
        trial.diagnosis.unexplained
    )
}

fn tally(outcomes: &[(String, bool, bool, f64)]) -> Tally {
    let mut tally = Tally::default();
    for (_, right, partly, claimed) in outcomes {
        tally.add(*right, *partly, *claimed);
    }
    tally
}

fn print_by_stage(outcomes: &[(String, bool, bool, f64)]) {
    let mut names: Vec<&String> = outcomes.iter().map(|o| &o.0).collect();
    names.dedup();
    for name in names {
        let own: Vec<_> = outcomes.iter().filter(|o| &o.0 == name).cloned().collect();
        let tally = tally(&own);
        println!(
            "{name:28} {:3} units, right {:.2}, claimed {:.2}",
            own.len(),
            tally.rate(),
            tally.claimed()
        );
    }
}

#[test]
fn single_failures_are_named_and_the_certainty_is_honest() {
    let outcomes = trials(1);
    print_by_stage(&outcomes);
    let tally = tally(&outcomes);
    let (sure, often) = tally.when_sure();
    println!(
        "single failures: {} units, right {:.3}, claimed {:.3}, calibration error {:.3}, right when sure {sure:.3} ({often})",
        outcomes.len(),
        tally.rate(),
        tally.claimed(),
        tally.calibration_error()
    );
    assert!(outcomes.len() >= 100, "only {} units drawn", outcomes.len());
    assert!(tally.rate() >= LEAST_SINGLE, "right {:.3}", tally.rate());
    let gap = (tally.claimed() - tally.rate()).abs();
    assert!(gap <= MOST_GAP, "claims are off by {gap:.3}");
}

#[test]
fn healthy_units_are_called_healthy() {
    let outcomes = trials(0);
    print_by_stage(&outcomes);
    let tally = tally(&outcomes);
    println!(
        "healthy units: {}, called healthy {:.3}, claimed {:.3}",
        outcomes.len(),
        tally.rate(),
        tally.claimed()
    );
    assert!(outcomes.len() >= 100, "only {} units drawn", outcomes.len());
    assert!(tally.rate() >= LEAST_HEALTHY, "{:.3}", tally.rate());
}
