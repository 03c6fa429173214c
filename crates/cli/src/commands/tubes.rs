//! `tubes`: the table, one type, what goes into its socket, where it is used.

use crate::Status;
use crate::args::{Format, Includes, TubesArgs};
use crate::commands::check::stage_files;
use crate::failure::Failure;
use crate::findings::Findings;
use crate::{input, output};
use deadstage_circuit::tube_names;
use deadstage_netlist::{nearest, visible};
use deadstage_parts::{TubeType, tube_table};
use deadstage_report::{TubeAnswer, TypeUse, json, text};
use std::collections::BTreeMap;
use std::path::PathBuf;

pub(crate) fn run(args: &TubesArgs) -> Result<Status, Failure> {
    let table = tube_table();
    let mut answers: Vec<TubeAnswer<'_>> = match &args.tube {
        None => table.types().iter().map(TubeAnswer::of).collect(),
        Some(typed) => {
            let named = table
                .look_up(typed)
                .ok_or_else(|| unknown(typed, table.types()))?;
            let mut answer = TubeAnswer::of(named.tube);
            answer.doubt = named.doubt();
            if args.like {
                answer.substitutes = Some(table.substitutes(named.tube));
            }
            vec![answer]
        }
    };
    let mut status = Status::AllWell;
    if !args.used_in.is_empty() {
        let (mut uses, findings) = uses(&args.used_in, &args.includes);
        if findings.stops() {
            status = Status::BadInput;
        }
        output::complain(&findings.text());
        for answer in &mut answers {
            answer.uses = Some(uses.remove(&answer.tube.name).unwrap_or_default());
        }
        // Of all types only those that are used are worth a line.
        if args.tube.is_none() {
            answers.retain(|answer| answer.uses.as_ref().is_some_and(|uses| !uses.is_empty()));
        }
    }
    let shown = match (args.format, answers.as_slice()) {
        (Format::Json, answers) => json::tubes(answers).map_err(anyhow::Error::from)?,
        (Format::Text, [answer]) => text::tube(answer),
        (Format::Text, answers) if args.used_in.is_empty() => {
            text::tube_list(answers.iter().map(|answer| answer.tube))
        }
        (Format::Text, answers) => text::tube_uses(answers),
    };
    output::show(&shown).map_err(anyhow::Error::from)?;
    Ok(status)
}

/// Where types are used in the stages found, by the name of the type, and what could not be read.
fn uses(paths: &[PathBuf], includes: &Includes) -> (BTreeMap<String, Vec<TypeUse>>, Findings) {
    let names = tube_names();
    let (files, lost) = stage_files(paths);
    let mut findings = Findings::default();
    for (_, found) in lost {
        findings.join(found);
    }
    let mut uses: BTreeMap<String, Vec<TypeUse>> = BTreeMap::new();
    for path in files {
        let loaded = match input::stage(&path, includes, &names) {
            Ok(loaded) => loaded,
            Err(failure) => {
                findings.join(failure.into_findings());
                continue;
            }
        };
        for part in &loaded.stage.parts {
            let Some(written) = part.kind.tube_type() else {
                continue;
            };
            let own = loaded.stage.tube_types.iter().any(|t| t.name == written);
            let Some(tube) = tube_table().find(written).filter(|_| !own) else {
                continue;
            };
            uses.entry(tube.name.clone()).or_default().push(TypeUse {
                path: path.display().to_string(),
                part: part.name.clone(),
                section: part.kind.section(),
                written: written.to_owned(),
            });
        }
    }
    (uses, findings)
}

/// Types named at most where only the beginning of a name was typed.
const MOST_BEGUN: usize = 6;

fn unknown(typed: &str, types: &[TubeType]) -> Failure {
    let begun = types
        .iter()
        .map(|tube| tube.name.as_str())
        .filter(|name| {
            typed.len() >= 2
                && name
                    .get(..typed.len())
                    .is_some_and(|start| start.eq_ignore_ascii_case(typed))
        })
        .take(MOST_BEGUN);
    let begun: Vec<&str> = begun.collect();
    let names = types
        .iter()
        .flat_map(|tube| std::iter::once(&tube.name).chain(&tube.aliases))
        .map(String::as_str);
    let help = match nearest(typed, names) {
        _ if !begun.is_empty() => format!(
            "known and beginning so: {}; `deadstage tubes` lists all",
            begun.join(", ")
        ),
        Some(name) => format!("the nearest known is {name}; `deadstage tubes` lists all"),
        None => "`deadstage tubes` lists all types known; a stage file may define its own with `tubetype`".to_owned(),
    };
    Failure::plain(
        "unknown-tube",
        format!("no data for tube type {}", visible(typed)),
        Some(help),
    )
}
