//! `check`: netlists held against their prints.

use crate::Status;
use crate::args::{CheckArgs, CheckFormat, Includes};
use crate::failure::Failure;
use crate::files::shown;
use crate::findings::Findings;
use crate::{input, output};
use deadstage_circuit::tube_names;
use deadstage_netlist::TubeNames;
use deadstage_reason::Check;
use deadstage_report::{FileCheck, Problem, json, junit, text};
use rayon::prelude::*;
use std::path::{Path, PathBuf};
use walkdir::WalkDir;

/// Ending of a stage file.
const ENDING: &str = "stage";

pub(crate) fn run(args: &CheckArgs) -> Result<Status, Failure> {
    let (paths, lost) = stage_files(&args.paths);
    let names = tube_names();
    // Collected in the order of the paths, whichever is done first.
    let checked: Vec<(FileCheck, Findings)> = paths
        .par_iter()
        .map(|path| check(path, &args.includes, &names))
        .collect();
    let mut files = Vec::new();
    let mut findings = Findings::default();
    for (file, found) in lost.into_iter().chain(checked) {
        findings.join(found);
        files.push(file);
    }
    output::complain(&findings.text());
    let answer = match args.format {
        CheckFormat::Text => text::check(&files),
        CheckFormat::Json => json::check(&files).map_err(anyhow::Error::from)?,
        CheckFormat::Junit => junit(&files).map_err(anyhow::Error::from)?,
    };
    output::show(&answer).map_err(anyhow::Error::from)?;
    Ok(if files.iter().any(|file| !file.readable()) {
        Status::BadInput
    } else if files.iter().all(FileCheck::pass) {
        Status::AllWell
    } else {
        Status::AnswerIsNo
    })
}

/// One file, with what is to be said of its text at length.
fn check(path: &Path, includes: &Includes, names: &TubeNames) -> (FileCheck, Findings) {
    let (outcome, findings) = match input::stage(path, includes, names) {
        Err(failure) => (None, failure.into_findings()),
        Ok(loaded) => {
            let mut findings = loaded.warnings;
            match deadstage_reason::check(&loaded.stage) {
                Ok(outcome) => (Some(outcome), findings),
                Err(errors) => {
                    findings.join(input::meaningless(&errors, &loaded.sources));
                    (None, findings)
                }
            }
        }
    };
    file_check(path, outcome, findings)
}

fn file_check(path: &Path, outcome: Option<Check>, findings: Findings) -> (FileCheck, Findings) {
    let file = FileCheck {
        path: path.display().to_string(),
        problems: findings.problems().cloned().collect(),
        unlisted: findings.unlisted(),
        outcome,
    };
    (file, findings)
}

/// Every stage file named or found, each once, and what could not be looked through.
pub(crate) fn stage_files(paths: &[PathBuf]) -> (Vec<PathBuf>, Vec<(FileCheck, Findings)>) {
    let mut files: Vec<PathBuf> = Vec::new();
    let mut lost = Vec::new();
    for path in paths {
        if !path.is_dir() {
            files.push(path.clone());
            continue;
        }
        let before = files.len();
        for entry in WalkDir::new(path).sort_by_file_name() {
            match entry {
                Ok(entry) => {
                    let is_stage = entry.path().extension().is_some_and(|e| e == ENDING);
                    if is_stage && entry.file_type().is_file() {
                        files.push(entry.into_path());
                    }
                }
                Err(error) => lost.push(unreadable(path, error.to_string())),
            }
        }
        if files.len() == before {
            lost.push(unreadable(
                path,
                format!("no file that ends in .{ENDING} is in {}", shown(path)),
            ));
        }
    }
    let mut seen = std::collections::BTreeSet::new();
    files.retain(|file| seen.insert(file.clone()));
    (files, lost)
}

fn unreadable(path: &Path, message: String) -> (FileCheck, Findings) {
    let problem = Problem::plain("unreadable", message);
    file_check(path, None, Findings::plain(problem))
}
