//! What the whole of a diagnosis costs on every shipped sheet. Prints figures; it judges nothing.
//!
//! `RAYON_NUM_THREADS=1 cargo bench -p deadstage-tests` for the work of one processor.
#![allow(clippy::print_stdout, reason = "a program for its author's eyes")]

use std::path::{Path, PathBuf};
use std::time::Instant;

use deadstage_circuit::tube_names;
use deadstage_netlist::parse_readings;
use deadstage_reason::{Options, diagnose};
use deadstage_tests::trials::stages;

/// The stage of a sheet: its name less its last word.
fn stage_of(sheet: &Path) -> Option<PathBuf> {
    let name = sheet.file_stem()?.to_str()?;
    let (stage, _) = name.rsplit_once('-')?;
    Some(sheet.with_file_name(format!("{stage}.stage")))
}

fn measure(sheet: &Path) -> Option<String> {
    let stage = stages::read(&stage_of(sheet)?).ok()?;
    let text = std::fs::read_to_string(sheet).ok()?;
    let readings = parse_readings("sheet", &text, &stage, &tube_names()).value;
    let (count, parts) = (readings.readings.len(), stage.parts.len());
    let sheets = [readings];
    // The least of so many, with what was looked at.
    let least = |options: &Options| {
        const TIMES: usize = 3;
        let mut least = f64::INFINITY;
        let mut search = String::new();
        for _ in 0..TIMES {
            let began = Instant::now();
            let found = diagnose(&stage, &sheets, options).ok()?;
            least = least.min(began.elapsed().as_secs_f64());
            search = found.search;
        }
        Some((least, search))
    };
    let (near, search) = least(&Options::default())?;
    let planned = Options {
        plan: true,
        ..Options::default()
    };
    let (with_plan, _) = least(&planned)?;
    let name = sheet.file_stem()?.to_string_lossy().into_owned();
    Some(format!(
        "{name:36} {parts:4} parts {count:3} readings {:7.0} ms, {:4.0} ms more with the plan of what to read next  {search}",
        near * 1e3,
        (with_plan - near) * 1e3,
    ))
}

fn main() {
    if !std::env::args().any(|arg| arg == "--bench") {
        return;
    }
    for kind in ["audio", "supply", "receiver", "transmitter"] {
        let Ok(folder) = std::fs::read_dir(stages::folder().join(kind)) else {
            continue;
        };
        let mut sheets: Vec<PathBuf> = folder.flatten().map(|entry| entry.path()).collect();
        sheets.retain(|path| path.extension().is_some_and(|e| e == "readings"));
        sheets.sort();
        for sheet in sheets {
            match measure(&sheet) {
                Some(line) => println!("{line}"),
                None => println!("{}: not measured", sheet.display()),
            }
        }
    }
}
