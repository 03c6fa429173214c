//! The table of results on `docs/circuits.md`.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use rayon::prelude::*;

use super::run::{Asked, Ran, run};
use super::tally::Tally;
use super::{KINDS, Kind};

/// What stands before the table on the page, and behind it.
pub const MARKS: [&str; 2] = ["<!-- results -->\n", "<!-- end of results -->"];

/// Where the page is.
#[must_use]
pub fn path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/circuits.md")
}

/// So many circuits of a kind from a seed on.
#[must_use]
pub fn run_kind(kind: &Kind, count: u64, first: u64, asked: Asked) -> Vec<Ran> {
    (first..first + count)
        .into_par_iter()
        .map(|seed| run(kind, seed, asked))
        .collect()
}

/// Columns of the page's table.
const COLUMNS: [&str; 9] = [
    "kind",
    "circuits",
    "not read",
    "healthy, not solved",
    "one failure",
    "two failures",
    "laws not kept",
    "other state than the reference",
    "time each",
];

fn row(name: &str, tally: &Tally) -> String {
    let of = |count: usize, all: usize| match count {
        0 => format!("0 of {all}"),
        count => format!("**{count} of {all}**"),
    };
    let mut cells = vec![
        name.to_owned(),
        tally.drawn.to_string(),
        tally.unread.to_string(),
    ];
    cells.extend(tally.solutions.iter().map(|s| of(s.unsolved, s.asked)));
    let broken = tally.kirchhoff.max(tally.off)
        + tally.dark
        + tally.near[1]
        + tally.ohms[1]
        + tally.volts[1];
    cells.push(of(broken, tally.solved()));
    cells.push(of(tally.other_state, tally.compared));
    cells.push(format!("{:.2} ms", 1e3 * tally.seconds_each()));
    format!("| {} |", cells.join(" | "))
}

/// Runs everything and gives the table with its line of introduction.
#[must_use]
pub fn table(count: u64, first: u64, told: &mut dyn FnMut(String)) -> String {
    let mut out = format!(
        "\nWritten by `cargo run --release -p deadstage-tests --bin circuits -- page {count} {first}`: {count} circuits of each kind, from seed {first} on.\n\n"
    );
    let rule = COLUMNS.map(|_| "---").join(" | ");
    // A string can't fail to be written to.
    let _ = writeln!(out, "| {} |\n| {rule} |", COLUMNS.join(" | "));
    let mut total = Tally::default();
    for kind in KINDS {
        let mut tally = Tally::default();
        for ran in run_kind(kind, count, first, Asked::default()) {
            tally.add(&ran);
        }
        let row = row(kind.name, &tally);
        told(row.clone());
        let _ = writeln!(out, "{row}");
        total.merge(&tally);
    }
    let _ = writeln!(out, "{}", row("all", &total));
    let unsteady: usize = total.solutions.iter().map(|s| s.no_steady_state).sum();
    let _ = writeln!(
        out,
        "\nOf {unsteady} more it is said that relays have no steady state; for all but {} every combination of them was tried, and none is one. \
         Where the solver found no state and the reference was asked, that found one {} times of {}.\n",
        total.not_shown, total.rescued[1], total.rescued[0],
    );
    out
}

/// A page with this table between its marks.
///
/// # Errors
/// The page has no marks.
pub fn replaced(page: &str, table: &str) -> Result<String, String> {
    let [begin, end] = MARKS;
    let (before, rest) = page.split_once(begin).ok_or(format!("no {begin}"))?;
    let (_, after) = rest.split_once(end).ok_or(format!("no {end}"))?;
    Ok(format!("{before}{begin}{table}{end}{after}"))
}
