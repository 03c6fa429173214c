//! What the bench tells of single cases, and of kinds of failure.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use deadstage_circuit::class_of;
use deadstage_netlist::Stage;
use deadstage_reason::Suspect;

use super::run::{Trial, describe};
use super::score::{claim, is_right};

/// Suspects told of.
const MOST: usize = 3;

/// A case that went wrong: what was true, what was said, what the ideal observer said,
/// and every reading with its spreads.
#[must_use]
pub fn case(stage: &Stage, trial: &Trial, ideal: &Trial) -> String {
    let truth: Vec<String> = trial.faults.iter().map(|f| describe(stage, f)).collect();
    let truth = if truth.is_empty() {
        "healthy".to_owned()
    } else {
        truth.join(" + ")
    };
    let right = if is_right(stage, ideal) {
        "right"
    } else {
        "wrong"
    };
    let mut out = format!("  {truth}\n");
    // A page of text can't fail to be written to.
    let _ = writeln!(out, "    said:        {}", said(trial));
    let _ = writeln!(out, "    ideal {right}: {}", said(ideal));
    for (i, reading) in trial.diagnosis.readings.iter().enumerate() {
        let of = |trial: &Trial, rank: usize| {
            let suspect = trial.diagnosis.suspects.get(rank);
            suspect
                .and_then(|s| s.predicts.get(i))
                .map_or(f64::NAN, |p| p.value)
        };
        let spread = |trial: &Trial| {
            let own = trial.diagnosis.readings.get(i);
            own.map_or((f64::NAN, f64::NAN), |r| (r.healthy, r.healthy_sigma))
        };
        let off = |(healthy, sigma): (f64, f64)| (reading.read - healthy) / sigma;
        let (own, told) = (spread(trial), spread(ideal));
        let _ = writeln!(
            out,
            "      {:12} read {:9.3}  healthy {:9.3} ± {:7.3} ({:6.1} spreads)  ideal {:9.3} ± {:7.3} ({:6.1})  first {:9.3} second {:9.3} ideal's {:9.3}  slip {:.2}",
            reading.point,
            reading.read,
            own.0,
            own.1,
            off(own),
            told.0,
            told.1,
            off(told),
            of(trial, 0),
            of(trial, 1),
            of(ideal, 0),
            reading.slip,
        );
    }
    out
}

fn said(trial: &Trial) -> String {
    let list: Vec<String> = trial
        .diagnosis
        .suspects
        .iter()
        .take(MOST)
        .map(suspect)
        .collect();
    format!(
        "healthy {:.2} unexplained {:.2} | {}",
        trial.diagnosis.healthy,
        trial.diagnosis.unexplained,
        list.join(" | ")
    )
}

fn suspect(suspect: &Suspect) -> String {
    let faults: Vec<String> = suspect
        .faults
        .iter()
        .map(|f| {
            let section = f.section.map_or(String::new(), |s| format!("/{s}"));
            let size = f.value.map_or(String::new(), |v| format!(" {v:.3}"));
            format!("{}{section} {}{size}", f.part, f.mode)
        })
        .collect();
    format!(
        "{:.2} g{} {}",
        suspect.probability,
        suspect.group,
        faults.join(" + ")
    )
}

/// By kind of failure, how often units with it were told right.
#[derive(Clone, Debug, Default)]
pub struct Kinds {
    rows: BTreeMap<String, Row>,
}

#[derive(Clone, Debug, Default)]
struct Row {
    units: usize,
    right: usize,
    ideal: usize,
    sure_and_wrong: usize,
    instead: BTreeMap<String, usize>,
}

impl Kinds {
    /// Adds a case under each of its failures.
    pub fn add(&mut self, stage: &Stage, trial: &Trial, ideal: &Trial) {
        let right = is_right(stage, trial);
        for fault in &trial.faults {
            let part = class_of(&stage.part(fault.part).kind).name();
            let mode = fault.kind.mode();
            let row = self.rows.entry(format!("{part} {mode}")).or_default();
            row.units += 1;
            row.right += usize::from(right);
            row.ideal += usize::from(is_right(stage, ideal));
            if !right {
                row.sure_and_wrong += usize::from(super::score::is_sure_and_wrong(stage, trial));
                *row.instead.entry(first_words(stage, trial)).or_default() += 1;
            }
        }
    }

    /// A table for the screen.
    #[must_use]
    pub fn told(&self) -> String {
        let mut out = String::new();
        for (kind, row) in &self.rows {
            let _ = writeln!(
                out,
                "  {kind:32} {:3} units, right {:.2}, ideal {:.2}, sure and wrong {:2}; instead: {}",
                row.units,
                row.right as f64 / row.units as f64,
                row.ideal as f64 / row.units as f64,
                row.sure_and_wrong,
                row.instead(),
            );
        }
        out
    }

    /// The rows of a table for the page.
    #[must_use]
    pub fn rows(&self) -> String {
        let mut out = String::new();
        for (kind, row) in &self.rows {
            let _ = writeln!(
                out,
                "| {kind} | {} | {} | {} | {} | {} |",
                row.units,
                row.right,
                row.ideal,
                row.sure_and_wrong,
                row.instead(),
            );
        }
        out
    }
}

impl Row {
    /// What was said instead, most often first.
    fn instead(&self) -> String {
        let mut list: Vec<(&String, &usize)> = self.instead.iter().collect();
        list.sort_by(|a, b| b.1.cmp(a.1).then(a.0.cmp(b.0)));
        let words: Vec<String> = list
            .iter()
            .take(MOST)
            .map(|(what, count)| format!("{what} {count}"))
            .collect();
        words.join(", ")
    }
}

/// What the first claim calls, by kinds of part and of failure.
fn first_words(stage: &Stage, trial: &Trial) -> String {
    let claim = claim(&trial.diagnosis);
    if claim.unexplained {
        return "unexplained".to_owned();
    }
    if claim.sets.iter().any(Vec::is_empty) {
        return "healthy".to_owned();
    }
    trial
        .diagnosis
        .suspects
        .iter()
        .find(|s| s.group == 1)
        .map_or_else(
            || "nothing".to_owned(),
            |suspect| {
                let list: Vec<String> = suspect
                    .faults
                    .iter()
                    .map(|f| {
                        let kind = stage
                            .parts
                            .iter()
                            .find(|p| p.name == f.part)
                            .map_or("part", |p| class_of(&p.kind).name());
                        format!("{kind} {}", f.mode)
                    })
                    .collect();
                list.join(" + ")
            },
        )
}
