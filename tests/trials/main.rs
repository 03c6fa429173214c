//! Runs the trial bench: `trials CASES SEED DIGITS [STAGE] [show|ideal]`.
#![allow(clippy::print_stdout, reason = "a program for its author's eyes")]

use std::process::ExitCode;

use deadstage_netlist::Stage;
use deadstage_reason::{Assumptions, Options};
use deadstage_tests::trials::run::Trial;
use deadstage_tests::trials::{draw, ideal, run, score, show, stages};
use rayon::prelude::*;

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    match asked(&words) {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            println!("{message}");
            ExitCode::from(2)
        }
    }
}

fn asked(words: &[String]) -> Result<(), String> {
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
    let of_ideal = words.get(4).is_some_and(|w| w == "ideal");
    let shipped = stages::shipped(80)?;
    for count in counts {
        let mut all = score::Pair::default();
        let mut kinds = show::Kinds::default();
        for (name, stage) in shipped
            .iter()
            .filter(|(n, s)| n.contains(&only) && draw::can_build(s))
        {
            let began = std::time::Instant::now();
            let told = ideal::assumptions(stage)?;
            let done: Vec<(Trial, Trial)> = (0..cases)
                .into_par_iter()
                .filter_map(|case| {
                    both(
                        name,
                        stage,
                        count,
                        first + case * 7919 + count as u64,
                        &told,
                    )
                })
                .collect();
            let mut pair = score::Pair::default();
            for (trial, best) in &done {
                pair.add(stage, trial, best);
                all.add(stage, trial, best);
                kinds.add(stage, trial, best);
                let judged = if of_ideal { best } else { trial };
                if shown && score::is_sure_and_wrong(stage, judged) {
                    print!("{}", show::case(stage, trial, best));
                }
            }
            println!(
                "{count} fault(s) {name:28} {}  {:.2} s each",
                pair.line(),
                began.elapsed().as_secs_f64() * 2.0 / done.len().max(1) as f64,
            );
        }
        println!("== {count} fault(s): {}", all.line());
        if shown {
            print!("{}", kinds.told());
        }
    }
    Ok(())
}

/// The program's answer about a unit, and the ideal observer's.
fn both(
    name: &str,
    stage: &Stage,
    count: usize,
    seed: u64,
    told: &Assumptions,
) -> Option<(Trial, Trial)> {
    let options = Options::default();
    let drawn = run::draw(name, stage, count, seed)?;
    let trial = run::ask(stage, &drawn, &options, &Assumptions::default())?;
    let best = run::ask(stage, &drawn, &options, told)?;
    Some((trial, best))
}
