//! Runs the trial bench: `trials [cases a stage] [first seed] [stage name]`.
#![allow(clippy::print_stdout, reason = "a program for its author's eyes")]

use std::process::ExitCode;

use deadstage_reason::Options;
use deadstage_tests::trials::{draw, run, score, stages};
use rayon::prelude::*;

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let cases: u64 = words.first().and_then(|w| w.parse().ok()).unwrap_or(20);
    let first: u64 = words.get(1).and_then(|w| w.parse().ok()).unwrap_or(1);
    let counts: Vec<usize> = words.get(2).map_or(vec![0, 1, 2, 3], |w| {
        w.chars()
            .filter_map(|c| c.to_digit(10))
            .map(|d| d as usize)
            .collect()
    });
    let only = words.get(3).cloned().unwrap_or_default();
    let shown = words.get(4).is_some();
    let shipped = match stages::shipped(80) {
        Ok(shipped) => shipped,
        Err(message) => {
            println!("{message}");
            return ExitCode::from(2);
        }
    };
    for count in counts {
        let mut all = score::Tally::default();
        for (name, stage) in shipped
            .iter()
            .filter(|(n, s)| n.contains(&only) && draw::can_build(s))
        {
            let began = std::time::Instant::now();
            let done: Vec<_> = (0..cases)
                .into_par_iter()
                .filter_map(|case| {
                    run::trial(
                        name,
                        stage,
                        count,
                        first + case * 7919 + count as u64,
                        &Options::default(),
                    )
                })
                .collect();
            let mut tally = score::Tally::default();
            for trial in &done {
                let claim = score::claim(&trial.diagnosis);
                let right = score::is_right(stage, trial);
                let partly = score::is_partly_right(stage, trial);
                tally.add(right, partly, claim.probability);
                all.add(right, partly, claim.probability);
                if shown && !right && claim.probability > 0.7 {
                    let truth: Vec<String> = trial
                        .faults
                        .iter()
                        .map(|f| run::describe(stage, f))
                        .collect();
                    let said: Vec<String> = trial
                        .diagnosis
                        .suspects
                        .iter()
                        .take(3)
                        .map(|s| {
                            let f: Vec<String> = s
                                .faults
                                .iter()
                                .map(|f| {
                                    format!(
                                        "{}{} {} {:.3?}",
                                        f.part,
                                        f.section.map_or(String::new(), |s| format!("/{s}")),
                                        f.mode,
                                        f.value.unwrap_or(0.0)
                                    )
                                })
                                .collect();
                            format!("{:.2} g{} {}", s.probability, s.group, f.join(" + "))
                        })
                        .collect();
                    println!(
                        "  {} | healthy {:.2} unexplained {:.2} | {}",
                        truth.join(" + "),
                        trial.diagnosis.healthy,
                        trial.diagnosis.unexplained,
                        said.join(" | ")
                    );
                    for (i, r) in trial.diagnosis.readings.iter().enumerate() {
                        let z = (r.read - r.healthy) / r.healthy_sigma;
                        let of = |rank: usize| {
                            let suspect = trial.diagnosis.suspects.get(rank);
                            suspect
                                .and_then(|s| s.predicts.get(i))
                                .map_or(0.0, |p| p.value)
                        };
                        println!(
                            "      {:10} read {:9.3} healthy {:9.3} ± {:7.3} z {:6.1} first {:9.3} second {:9.3} slip {:.2}",
                            r.point,
                            r.read,
                            r.healthy,
                            r.healthy_sigma,
                            z,
                            of(0),
                            of(1),
                            r.slip
                        );
                    }
                }
            }
            let (sure, sure_count) = tally.when_sure();
            println!(
                "{count} fault(s) {name:28} {:3} trials right {:.2} partly {:.2} claimed {:.2} ece {:.3} sure {sure:.2} of {sure_count}  {:.2} s each",
                tally.claims.len(),
                tally.rate(),
                tally.partly as f64 / tally.claims.len().max(1) as f64,
                tally.claimed(),
                tally.calibration_error(),
                began.elapsed().as_secs_f64() * 2.0 / tally.claims.len().max(1) as f64,
            );
        }
        let (sure, sure_count) = all.when_sure();
        println!(
            "== {count} fault(s): {} trials, right {:.3}, partly {:.3}, claimed {:.3}, calibration error {:.3}, sure and right {sure:.3} of {sure_count}",
            all.claims.len(),
            all.rate(),
            all.partly as f64 / all.claims.len().max(1) as f64,
            all.claimed(),
            all.calibration_error()
        );
    }
    ExitCode::SUCCESS
}
