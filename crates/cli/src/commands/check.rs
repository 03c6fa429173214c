//! `check`: netlists held against their prints.

use crate::Status;
use crate::args::{CheckArgs, CheckFormat};
use crate::failure::Failure;
use crate::{input, output};
use deadstage_circuit::tube_names;
use deadstage_netlist::TubeNames;
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
    let checked: Vec<(FileCheck, String)> =
        paths.par_iter().map(|path| check(path, &names)).collect();
    let mut files = Vec::new();
    for (file, rendered) in lost.into_iter().chain(checked) {
        output::complain(&rendered);
        files.push(file);
    }
    let shown = match args.format {
        CheckFormat::Text => text::check(&files),
        CheckFormat::Json => json::check(&files).map_err(anyhow::Error::from)?,
        CheckFormat::Junit => junit(&files).map_err(anyhow::Error::from)?,
    };
    output::show(&shown).map_err(anyhow::Error::from)?;
    Ok(if files.iter().any(|file| !file.readable()) {
        Status::BadInput
    } else if files.iter().all(FileCheck::pass) {
        Status::AllWell
    } else {
        Status::AnswerIsNo
    })
}

/// One file, with what is to be said of its text at length.
fn check(path: &Path, names: &TubeNames) -> (FileCheck, String) {
    let name = path.display().to_string();
    match input::stage(path, names) {
        Err(failure) => {
            let rendered = failure.text();
            let file = FileCheck {
                path: name,
                problems: failure.into_problems(),
                outcome: None,
            };
            (file, rendered)
        }
        Ok(loaded) => match deadstage_reason::check(&loaded.stage) {
            Ok(outcome) => {
                let file = FileCheck {
                    path: name,
                    problems: loaded.warnings.problems,
                    outcome: Some(outcome),
                };
                (file, loaded.warnings.rendered)
            }
            Err(errors) => {
                let mut findings = loaded.warnings;
                findings.join(input::meaningless(&errors, &loaded.sources));
                let file = FileCheck {
                    path: name,
                    problems: findings.problems,
                    outcome: None,
                };
                (file, findings.rendered)
            }
        },
    }
}

/// Every stage file named or found, each once, and what could not be looked through.
fn stage_files(paths: &[PathBuf]) -> (Vec<PathBuf>, Vec<(FileCheck, String)>) {
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
                format!("no file that ends in .{ENDING} is in {}", path.display()),
            ));
        }
    }
    let mut seen = std::collections::BTreeSet::new();
    files.retain(|file| seen.insert(file.clone()));
    (files, lost)
}

fn unreadable(path: &Path, message: String) -> (FileCheck, String) {
    let problem = Problem::plain("unreadable", message);
    let rendered = format!("{}\n", problem.one_line());
    let file = FileCheck {
        path: path.display().to_string(),
        problems: vec![problem],
        outcome: None,
    };
    (file, rendered)
}
