//! Runs the trial bench.
//!
//! `trials CASES SEED DIGITS [STAGE] [show|wrong|ideal|quick] [everywhere]` draws so many units a stage and number of
//! failures (9 for what is not in the netlist), and tells rates; `show` lists the answers that are sure and wrong, `wrong` all that are wrong,
//! `ideal` those of the ideal observer, and `quick` asks the program alone, about all but the complete sets;
//! `everywhere` reads every node and not the test points alone. `trials page [CASES] [SEED] [SETS]` runs everything and writes
//! the page of figures, with so many units of each complete set; `trials whole [SETS] [SEED]` writes its section of complete sets alone.
#![allow(clippy::print_stdout, reason = "a program for its author's eyes")]

use std::process::ExitCode;

use deadstage_netlist::Stage;
use deadstage_reason::{Assumptions, Options};
use deadstage_tests::trials::run::{Probed, Trial};
use deadstage_tests::trials::{draw, ideal, page, run, score, show, stages, whole};
use rayon::prelude::*;

fn main() -> ExitCode {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let done = match words.first().map(String::as_str) {
        Some("page") => whole_page(&words[1..]),
        Some("whole") => whole_sets(&words[1..]),
        _ => asked(&words),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(message) => {
            println!("{message}");
            ExitCode::from(2)
        }
    }
}

fn number(words: &[String], index: usize, default: u64) -> u64 {
    words
        .get(index)
        .and_then(|w| w.parse().ok())
        .unwrap_or(default)
}

fn whole_page(words: &[String]) -> Result<(), String> {
    let size = page::Size {
        cases: number(words, 0, page::Size::default().cases),
        seed: number(words, 1, page::Size::default().seed),
        whole: number(words, 2, page::Size::default().whole),
    };
    let text = page::page(size, &mut |line| println!("{line}"))?;
    let path = page::path();
    std::fs::write(&path, text).map_err(|e| format!("{}: {e}", path.display()))
}

fn whole_sets(words: &[String]) -> Result<(), String> {
    let (units, seed) = (number(words, 0, 2), number(words, 1, 1));
    let path = page::path();
    let failed = |e: std::io::Error| format!("{}: {e}", path.display());
    let text = std::fs::read_to_string(&path).map_err(failed)?;
    let section = whole::section(units, seed, &mut |line| println!("{line}"))?;
    std::fs::write(&path, whole::replaced(&text, &section)?).map_err(failed)
}

fn asked(words: &[String]) -> Result<(), String> {
    let (everywhere, words): (Vec<String>, Vec<String>) =
        words.iter().cloned().partition(|w| w == "everywhere");
    let probed = if everywhere.is_empty() {
        Probed::TestPoints
    } else {
        Probed::Everywhere
    };
    let cases = number(&words, 0, 20);
    let first = number(&words, 1, 1);
    let counts: Vec<usize> = words.get(2).map_or(vec![0, 1, 2, 3], |w| {
        w.chars()
            .filter_map(|c| c.to_digit(10))
            .map(|d| d as usize)
            .collect()
    });
    let only = words.get(3).cloned().unwrap_or_default();
    let shown = words.get(4).is_some();
    if words.get(4).is_some_and(|w| w == "quick") {
        return quick(cases, first, &counts, &only, probed);
    }
    let of_ideal = words.get(4).is_some_and(|w| w == "ideal");
    let all_wrong = words.get(4).is_some_and(|w| w == "wrong");
    let shipped = stages::shipped(stages::ANY)?;
    for count in counts {
        let mut all = score::Pair::default();
        let mut kinds = show::Kinds::default();
        for (name, stage) in shipped
            .iter()
            .filter(|(n, s)| n.contains(&only) && draw::is_built(s))
        {
            let began = std::time::Instant::now();
            let done = trials(name, stage, count, cases, first, probed)?;
            let mut pair = score::Pair::default();
            for (own, best) in &done {
                let marks = (score::mark(stage, own), score::mark(stage, best));
                pair.add(marks);
                all.add(marks);
                kinds.add(stage, own, best);
                let judged = if of_ideal { best } else { own };
                let told = if all_wrong {
                    !score::is_right(stage, own)
                } else {
                    score::is_sure_and_wrong(stage, judged)
                };
                if shown && told {
                    print!("{}", show::case(stage, own, best));
                }
            }
            println!(
                "{count} fault(s) {name:28} {}  {:.2} s each",
                pair.line(),
                began.elapsed().as_secs_f64() / done.len().max(1) as f64,
            );
        }
        println!("== {count} fault(s): {}", all.line());
        if shown {
            print!("{}", kinds.told());
        }
    }
    Ok(())
}

/// The program's own rates.
fn quick(
    cases: u64,
    first: u64,
    counts: &[usize],
    only: &str,
    probed: Probed,
) -> Result<(), String> {
    let shipped = stages::shipped(stages::ANY)?;
    let units: Vec<(&String, &Stage, u64)> = shipped
        .iter()
        .filter(|(name, stage)| {
            name.contains(only) && draw::is_built(stage) && !whole::is_whole(stage)
        })
        .flat_map(|(name, stage)| (0..cases).map(move |case| (name, stage, case)))
        .collect();
    for &count in counts {
        let marks: Vec<score::Mark> = units
            .par_iter()
            .filter_map(|&(name, stage, case)| {
                let seed = run::seed(first, case, count);
                let drawn = run::draw(name, stage, count, seed, probed)?;
                let trial = run::ask(stage, &drawn, &Options::default(), &Assumptions::default())?;
                let mark = score::mark(stage, &trial);
                if score::is_sure_and_wrong(stage, &trial) {
                    let truth: Vec<String> = trial
                        .faults
                        .iter()
                        .map(|fault| run::describe(stage, fault))
                        .collect();
                    println!(
                        "  {name} {}: {}",
                        first + case * run::STRIDE,
                        truth.join(" + ")
                    );
                }
                Some(mark)
            })
            .collect();
        let mut tally = score::Tally::default();
        for mark in marks {
            tally.add_mark(mark);
        }
        println!("== {count} fault(s): {}", tally.line());
    }
    Ok(())
}

fn trials(
    name: &str,
    stage: &Stage,
    count: usize,
    cases: u64,
    first: u64,
    probed: Probed,
) -> Result<Vec<(Trial, Trial)>, String> {
    let told = ideal::assumptions(stage)?;
    Ok((0..cases)
        .into_par_iter()
        .filter_map(|case| {
            let drawn = run::draw(name, stage, count, run::seed(first, case, count), probed)?;
            run::both(stage, &drawn, &told)
        })
        .collect())
}
