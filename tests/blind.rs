//! A short, fixed run of the trial bench: units with one failure, and units
//! with none, that the reasoning has not seen and whose tubes follow another
//! law than its own.
//!
//! The bench at length is `cargo run --release -p deadstage-tests --bin trials`.
#![allow(clippy::print_stdout, reason = "the rates are what a reader wants")]

use deadstage_reason::Options;
use deadstage_tests::trials::run::Trial;
use deadstage_tests::trials::score::{Tally, claim, is_partly_right, is_right};
use deadstage_tests::trials::{draw, repair, run, stages};
use rayon::prelude::*;

/// Larger units take too long for a test.
const MOST_PARTS: usize = 40;
const SINGLE_CASES: u64 = 24;
const HEALTHY_CASES: u64 = 10;
const REPAIRED_CASES: u64 = 5;

/// What the rates must reach: nine in ten single failures in the first group.
/// The 168 units here gave 0.905 when the bound was set, so this is no wide margin.
///
/// The bench draws failures that move the unit's own voltages; some of them
/// the meter hides, for it bridges what has opened (a grid leak read through
/// 20 kΩ/V), and no reasoning names those. So a second rate is told, of units
/// with a reading [`WELL_OFF`] spreads from that of a healthy one.
const LEAST_SINGLE: f64 = 0.90;
const LEAST_SHOWN: f64 = 0.90;
const WELL_OFF: f64 = 4.0;
const LEAST_HEALTHY: f64 = 0.90;
/// Certainty claimed against rate of being right, of the single failures.
const MOST_GAP: f64 = 0.08;

/// One unit, asked and marked.
#[derive(Clone)]
struct Marked {
    stage: String,
    right: bool,
    partly: bool,
    claimed: f64,
    shown: bool,
}

/// Whether some reading is far from that of a healthy unit; a meter is no
/// finer than its reading, nor than some hundredths of a volt.
fn shows(trial: &Trial) -> bool {
    trial.diagnosis.readings.iter().any(|reading| {
        let reach = reading.read.abs().max(reading.healthy.abs());
        let spread = reading.healthy_sigma.max(0.02 * reach).max(0.03);
        (reading.read - reading.healthy).abs() > WELL_OFF * spread
    })
}

fn trials(count: usize, cases: u64) -> Vec<Marked> {
    let shipped = stages::shipped(MOST_PARTS).unwrap_or_else(|message| panic!("{message}"));
    let units: Vec<_> = shipped
        .iter()
        .filter(|(_, stage)| draw::can_build(stage))
        .flat_map(|(name, stage)| (0..cases).map(move |case| (name, stage, case)))
        .collect();
    units
        .into_par_iter()
        .filter_map(|(name, stage, case)| {
            let seed = 40_000 + case * 7919 + count as u64;
            let trial = run::trial(name, stage, count, seed, &Options::default())?;
            let right = is_right(stage, &trial);
            if !right {
                println!("{}", told(stage, &trial));
            }
            Some(Marked {
                stage: name.clone(),
                right,
                partly: is_partly_right(stage, &trial),
                claimed: claim(&trial.diagnosis).probability,
                shown: shows(&trial),
            })
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
    let seen = if shows(trial) {
        "a reading well off"
    } else {
        "no reading well off"
    };
    format!(
        "  {} ({seen}): [{}] answered [{}], healthy {:.2}, unexplained {:.2}",
        trial.stage,
        truth.join(", "),
        said.join(", "),
        trial.diagnosis.healthy,
        trial.diagnosis.unexplained
    )
}

fn tally<'a>(units: impl IntoIterator<Item = &'a Marked>) -> Tally {
    let mut tally = Tally::default();
    for unit in units {
        tally.add(unit.right, unit.partly, unit.claimed);
    }
    tally
}

fn print_by_stage(units: &[Marked]) {
    let mut names: Vec<&String> = units.iter().map(|unit| &unit.stage).collect();
    names.dedup();
    for name in names {
        let own = || units.iter().filter(|unit| &unit.stage == name);
        let tally = tally(own());
        println!(
            "{name:28} {:3} units, right {:.2}, claimed {:.2}",
            own().count(),
            tally.rate(),
            tally.claimed()
        );
    }
}

#[test]
fn single_failures_are_named_and_the_certainty_is_honest() {
    let units = trials(1, SINGLE_CASES);
    print_by_stage(&units);
    let all = tally(&units);
    let (sure, often) = all.when_sure();
    println!(
        "single failures: {} units, right {:.3}, claimed {:.3}, calibration error {:.3}, right when sure {sure:.3} ({often})",
        units.len(),
        all.rate(),
        all.claimed(),
        all.calibration_error()
    );
    let shown: Vec<&Marked> = units.iter().filter(|unit| unit.shown).collect();
    let of_shown = tally(shown.iter().copied());
    println!(
        "with a reading well off: {} units, right {:.3}, claimed {:.3}",
        shown.len(),
        of_shown.rate(),
        of_shown.claimed()
    );
    assert!(units.len() >= 150, "only {} units drawn", units.len());
    assert!(shown.len() >= 80, "only {} show", shown.len());
    assert!(all.rate() >= LEAST_SINGLE, "right {:.3}", all.rate());
    assert!(
        of_shown.rate() >= LEAST_SHOWN,
        "right {:.3} of those that show",
        of_shown.rate()
    );
    let gap = (all.claimed() - all.rate()).abs();
    assert!(gap <= MOST_GAP, "claims are off by {gap:.3}");
}

#[test]
fn healthy_units_are_called_healthy() {
    let units = trials(0, HEALTHY_CASES);
    print_by_stage(&units);
    let tally = tally(&units);
    println!(
        "healthy units: {}, called healthy {:.3}, claimed {:.3}",
        units.len(),
        tally.rate(),
        tally.claimed()
    );
    assert!(units.len() >= 60, "only {} units drawn", units.len());
    assert!(tally.rate() >= LEAST_HEALTHY, "{:.3}", tally.rate());
}

/// Units with a failure left after one was put right, or none: the sheet from before the repair must help, and
/// not make the answer surer than it is right.
#[test]
fn the_sheet_from_before_a_repair_still_counts() {
    let shipped = stages::shipped(MOST_PARTS).unwrap_or_else(|message| panic!("{message}"));
    let told = |failures: usize| {
        let units: Vec<_> = shipped
            .iter()
            .filter(|(_, stage)| draw::can_build(stage))
            .flat_map(|(name, stage)| (0..REPAIRED_CASES).map(move |case| (name, stage, case)))
            .collect();
        let marks: Vec<repair::Repaired> = units
            .into_par_iter()
            .filter_map(|(name, stage, case)| {
                let seed = 90_000 + case * run::STRIDE + failures as u64;
                repair::trial(name, stage, failures, seed)
            })
            .collect();
        let (mut both, mut alone) = (Tally::default(), Tally::default());
        for mark in &marks {
            both.add_mark(mark.both);
            alone.add_mark(mark.alone);
        }
        println!("{} left, both sheets: {}", failures - 1, both.line());
        println!("{} left, the second alone: {}", failures - 1, alone.line());
        (both, alone)
    };
    let (healthy, _) = told(1);
    assert!(healthy.rate() >= LEAST_HEALTHY, "{:.3}", healthy.rate());
    let (both, alone) = told(2);
    assert!(both.claims.len() >= 30, "only {} units", both.claims.len());
    let (with, without) = (both.rate(), alone.rate());
    assert!(with > without + 0.2, "{with:.3} for {without:.3}");
    let gap = (both.claimed() - both.rate()).abs();
    assert!(gap <= MOST_GAP, "claims are off by {gap:.3}");
}
