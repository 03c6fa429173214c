//! Runs the circuits drawn at random.
//!
//! `circuits COUNT SEED [KIND-PART] [healthy|one|two] [show] [reference]` draws so many circuits of each kind
//! whose name has that part, from that seed on, solves them healthy and with failures (all three, where none
//! is named), and tells by kind what was not solved and what was wrong; `show` prints the text and the failures of
//! those, `reference` holds every one against the plain solver instead of one in eight.
#![allow(clippy::print_stdout, reason = "a program for its author's eyes")]

use std::process::ExitCode;

use deadstage_tests::circuits::run::{Asked, Ran, run};
use deadstage_tests::circuits::tally::{COLUMNS, Tally, is_wrong, wrong};
use deadstage_tests::circuits::{KINDS, Kind};
use rayon::prelude::*;

fn main() -> ExitCode {
    let mut words: Vec<String> = std::env::args().skip(1).collect();
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
    let number = |index: usize, default: u64| {
        let word: Option<&String> = words.get(index);
        word.and_then(|w| w.parse().ok()).unwrap_or(default)
    };
    let (count, first) = (number(0, 20), number(1, 1));
    let part = words.get(2).cloned().unwrap_or_default();
    let kinds: Vec<&Kind> = KINDS.iter().filter(|k| k.name.contains(&part)).collect();
    if kinds.is_empty() {
        println!("no kind has `{part}` in its name");
        return ExitCode::from(2);
    }
    // A panic is caught and told of as one of the verdicts.
    std::panic::set_hook(Box::new(|_| {}));
    println!("{:34} {}", "", COLUMNS.join(" | "));
    let mut total = Tally::default();
    for kind in kinds {
        let ran: Vec<Ran> = (first..first + count)
            .into_par_iter()
            .map(|seed| run(kind, seed, asked))
            .collect();
        let mut tally = Tally::default();
        for one in &ran {
            tally.add(one);
            if shown && is_wrong(one) {
                print!("{}", told(kind, one));
            }
        }
        println!("{:34} {}", kind.name, tally.cells().join(" | "));
        total.merge(&tally);
    }
    println!("{:34} {}", "all", total.cells().join(" | "));
    ExitCode::SUCCESS
}

/// A circuit with what is wrong with it.
fn told(kind: &Kind, ran: &Ran) -> String {
    let mut out = format!("--- {} {}\n{}", kind.name, ran.seed, ran.text);
    if let Some(why) = &ran.unread {
        out += &format!("    not read: {why}\n");
    }
    for why in &ran.ohms.1 {
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
