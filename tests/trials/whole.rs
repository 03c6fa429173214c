//! Complete sets: few units and the program alone, for one answer takes
//! seconds, and the ideal observer's several times as long.

use std::fmt::Write as _;

use deadstage_netlist::Stage;
use deadstage_reason::Options;
use rayon::prelude::*;

use super::run::{Probed, points, seed, trial};
use super::score::{Mark, Tally, mark};
use super::{draw, stages};

/// A stage of more parts than this is a complete set.
const MOST_PARTS: usize = 80;

/// So many times as many units are tried as are wanted: not every draw of so many parts comes to something.
const TRIES: u64 = 4;

/// The heading of their section on the page of figures.
pub const HEADING: &str = "## Complete sets";

/// The command that writes this section alone.
pub const COMMAND: &str = "cargo run --release -p deadstage-tests --bin trials -- whole";

/// Numbers of failures drawn, in words.
const COUNTS: [(usize, &str); 4] = [(0, "none"), (1, "one"), (2, "two"), (3, "three")];

/// Whether a stage is a complete set.
#[must_use]
pub fn is_whole(stage: &Stage) -> bool {
    stage.parts.len() > MOST_PARTS
}

/// How one set did with so many failures.
struct Row {
    name: String,
    parts: usize,
    points: usize,
    failures: &'static str,
    tally: Tally,
}

/// Draws so many `units` of every complete set and number of failures, and gives the section; `told` hears
/// how far it has come.
///
/// # Errors
/// A stage that does not read.
pub fn section(units: u64, first: u64, told: &mut dyn FnMut(String)) -> Result<String, String> {
    let sets: Vec<(String, Stage)> = stages::shipped(stages::ANY)?
        .into_iter()
        .filter(|(_, stage)| is_whole(stage) && draw::is_built(stage))
        .collect();
    let mut rows = Vec::new();
    for (name, stage) in &sets {
        for (count, failures) in COUNTS {
            let mut tally = Tally::default();
            for mark in marks(name, stage, count, units, first) {
                tally.add_mark(mark);
            }
            told(format!("{name}, failures: {failures}: {}", tally.line()));
            rows.push(Row {
                name: name.clone(),
                parts: stage.parts.len(),
                points: points(stage, Probed::TestPoints).len(),
                failures,
                tally,
            });
        }
    }
    Ok(written(units, first, &rows))
}

/// The first so many units that come to something.
fn marks(name: &str, stage: &Stage, count: usize, units: u64, first: u64) -> Vec<Mark> {
    let mut found = Vec::new();
    let mut next = 0;
    while found.len() < units as usize && next < TRIES * units {
        let wanted = units - found.len() as u64;
        let more: Vec<Mark> = (next..next + wanted)
            .into_par_iter()
            .filter_map(|case| {
                let seed = seed(first, case, count);
                let trial = trial(name, stage, count, seed, &Options::default())?;
                Some(mark(stage, &trial))
            })
            .collect();
        found.extend(more);
        next += wanted;
    }
    found
}

fn written(units: u64, first: u64, rows: &[Row]) -> String {
    let percent = |share: f64| format!("{:.0} %", 100.0 * share);
    let mut out = format!(
        "{HEADING}\n\n\
         Written by `{COMMAND} {units} {first}`, which leaves the rest of the page: the sets are drawn as the stages are, but few of them, for each answer takes\n\
         seconds, and the ideal observer is not asked. They are in none of the other tables. Every test point is read in the setting that the set comes up in.\n\n\
         | set | parts | points read | failures | units | first group | at least one true part first | claimed |\n\
         | --- | --- | --- | --- | --- | --- | --- | --- |\n"
    );
    for row in rows {
        let partly = match row.failures {
            "none" => String::new(),
            _ => percent(row.tally.partly_rate()),
        };
        // A section of text can't fail to be written to.
        let _ = writeln!(
            out,
            "| {} | {} | {} | {} | {} | {} | {partly} | {} |",
            row.name,
            row.parts,
            row.points,
            row.failures,
            row.tally.claims.len(),
            percent(row.tally.rate()),
            percent(row.tally.claimed()),
        );
    }
    out
}

/// The section of complete sets that a page has; nothing if it has none.
#[must_use]
pub fn section_of(page: &str) -> &str {
    let Some(begin) = page.find(&format!("\n{HEADING}\n")).map(|at| at + 1) else {
        return "";
    };
    let end = page[begin..]
        .find("\n## ")
        .map_or(page.len(), |at| begin + at + 1);
    page[begin..end].trim_end()
}

/// A page with this section in the place of the one it has.
///
/// # Errors
/// The page has none.
pub fn replaced(page: &str, section: &str) -> Result<String, String> {
    let old = section_of(page);
    if old.is_empty() {
        return Err(format!("the page has no `{HEADING}`"));
    }
    Ok(page.replacen(old, section.trim_end(), 1))
}
