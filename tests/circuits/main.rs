//! Runs the circuits drawn at random.
//!
//! `circuits COUNT SEED [KIND-PART] [healthy|one|two] [show] [reference]` draws so many circuits of each kind
//! whose name has that part, from that seed on, solves them healthy and with failures (all three, where none
//! is named), and tells by kind what was not solved and what was wrong; `show` prints the text and the failures of
//! those, `reference` holds every one against the plain solver instead of one in eight.
//! `circuits pairs [show]` runs every type with two ends with every other, and `circuits page COUNT SEED` writes
//! the table of `docs/circuits.md`.
#![allow(clippy::print_stdout, reason = "a program for its author's eyes")]

use std::process::ExitCode;

use deadstage_tests::circuits::run::{Asked, Ran, run_text};
use deadstage_tests::circuits::tally::{COLUMNS, Tally, is_wrong, wrong};
use deadstage_tests::circuits::{KINDS, Kind, page, two_ended};
use rayon::prelude::*;

fn main() -> ExitCode {
    // A panic is caught and told of as one of the verdicts.
    std::panic::set_hook(Box::new(|_| {}));
    let words: Vec<String> = std::env::args().skip(1).collect();
    let done = match words.first().map(String::as_str) {
        Some("page") => write_page(&words[1..]),
        Some("pairs") => {
            pairs(&words[1..]);
            Ok(())
        }
        _ => asked(words),
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
    let word = words.get(index);
    word.and_then(|w| w.parse().ok()).unwrap_or(default)
}

fn write_page(words: &[String]) -> Result<(), String> {
    let table = page::table(number(words, 0, 300), number(words, 1, 1), &mut |line| {
        println!("{line}");
    });
    let path = page::path();
    let failed = |e: std::io::Error| format!("{}: {e}", path.display());
    let text = std::fs::read_to_string(&path).map_err(failed)?;
    std::fs::write(&path, page::replaced(&text, &table)?).map_err(failed)
}

fn pairs(words: &[String]) {
    println!("{}", heading());
    for arrangement in two_ended::Arrangement::ALL {
        let ran: Vec<Ran> = two_ended::every_pair(arrangement)
            .into_par_iter()
            .map(|(text, seed)| run_text(text, seed, Asked::default()))
            .collect();
        tell(&format!("{arrangement:?}"), &ran, !words.is_empty());
    }
}

fn asked(mut words: Vec<String>) -> Result<(), String> {
    let mut has = |word: &str| {
        let before = words.len();
        words.retain(|w| w != word);
        words.len() < before
    };
    let counts = [has("healthy"), has("one"), has("two")];
    let (shown, all) = (has("show"), has("reference"));
    let asked = Asked {
        failures: if counts.contains(&true) {
            counts
        } else {
            [true; 3]
        },
        reference: if all { 1 } else { Asked::default().reference },
    };
    let (count, first) = (number(&words, 0, 20), number(&words, 1, 1));
    let part = words.get(2).cloned().unwrap_or_default();
    let kinds: Vec<&Kind> = KINDS.iter().filter(|k| k.name.contains(&part)).collect();
    if kinds.is_empty() {
        return Err(format!("no kind has `{part}` in its name"));
    }
    println!("{}", heading());
    let mut total = Tally::default();
    for kind in kinds {
        let ran = page::run_kind(kind, count, first, asked);
        total.merge(&tell(kind.name, &ran, shown));
    }
    println!("{}", line("all", &total.cells()));
    Ok(())
}

/// Prints what came of circuits of one kind, and where `shown` those that went wrong.
fn tell(name: &str, ran: &[Ran], shown: bool) -> Tally {
    let mut tally = Tally::default();
    for one in ran {
        tally.add(one);
        if shown && is_wrong(one) {
            print!("{}", told(name, one));
        }
    }
    println!("{}", line(name, &tally.cells()));
    tally
}

fn heading() -> String {
    line("", &COLUMNS.map(str::to_owned))
}

/// Cells under their headings.
fn line(name: &str, cells: &[String]) -> String {
    let mut out = format!("{name:37}");
    for (cell, column) in cells.iter().zip(COLUMNS) {
        out += &format!(" {cell:>width$}", width = column.len().max(11));
    }
    out
}

/// A circuit with what is wrong with it.
fn told(name: &str, ran: &Ran) -> String {
    let mut out = format!("--- {name} {}\n{}", ran.seed, ran.text);
    if let Some(why) = &ran.unread {
        out += &format!("    not read: {why}\n");
    }
    for why in ran.ohms.wrong.iter().chain(&ran.volts.wrong) {
        out += &format!("    {why}\n");
    }
    for point in &ran.points {
        if let Some(what) = wrong(&point.verdict) {
            let failures = point.failures.join(" + ");
            out += &format!("    [{failures}] {} {what}\n", point.situation);
        }
    }
    out
}
