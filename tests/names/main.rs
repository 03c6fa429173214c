//! One list of names for both ways of asking for a tube: a stage file and the table.

use std::fmt::Write as _;

use deadstage_circuit::tube_names;
use deadstage_netlist::{Electrode, Severity, Stage, TubeRole, parse_stage};
use deadstage_parts::tube_table;

/// A name, the row that it must be taken for, and whether a warning goes with it.
struct Listed {
    name: &'static str,
    row: &'static str,
    doubtful: bool,
}

fn list() -> Vec<Listed> {
    let lines = include_str!("names.txt").lines();
    lines
        .filter(|line| !line.starts_with('#') && !line.is_empty())
        .flat_map(|line| {
            let (row, names) = line
                .split_once(": ")
                .unwrap_or_else(|| panic!("no row in {line}"));
            names.split(", ").map(move |name| Listed {
                name: name.trim_end_matches('?'),
                row,
                doubtful: name.ends_with('?'),
            })
        })
        .collect()
}

/// A stage with one tube of that name, written as its kind is.
fn stage_text(name: &str, row: &str) -> String {
    let names = tube_names();
    let found = names
        .find(row)
        .unwrap_or_else(|| panic!("{row} is no row of the table"));
    let statement = match found.role {
        TubeRole::Rectifier => format!("diode D1 {name} from a to b\n"),
        TubeRole::Regulator => format!("regulator V1 {name} from a to b\n"),
        TubeRole::Amplifier => {
            let mut line = format!("tube V1 {name}");
            if found.units.len() > 1 {
                line += " section 1";
            }
            let mut wired: Vec<Electrode> = Vec::new();
            for &(electrode, _) in found.units.first().into_iter().flatten() {
                if wired.contains(&electrode) {
                    continue;
                }
                wired.push(electrode);
                let (word, node) = match electrode {
                    Electrode::Plate => ("plate", "a"),
                    Electrode::Grid => ("grid", "chassis"),
                    Electrode::Screen => ("screen", "a"),
                    Electrode::Suppressor => ("suppressor", "b"),
                    Electrode::Grid3 => ("grid3", "chassis"),
                    Electrode::Target => ("target", "a"),
                    Electrode::Cathode => ("cathode", "b"),
                };
                let _ = write!(line, " {word}={node}");
            }
            line + "\n"
        }
    };
    format!(
        "stage \"Names\"\nsupply B1 90V from a to chassis\nresistor R1 1k from b to chassis\n{statement}"
    )
}

#[test]
fn a_stage_file_and_the_table_take_the_same_names_for_the_same_tubes() {
    let names = tube_names();
    let listed = list();
    assert!(listed.len() > 600, "{} names", listed.len());
    let mut wrong = Vec::new();
    for Listed {
        name,
        row,
        doubtful,
    } in listed
    {
        match tube_table().look_up(name) {
            Some(named) if named.tube.name == row && named.doubt().is_some() == doubtful => {}
            Some(named) => wrong.push(format!(
                "table: {name} is {}, {:?}",
                named.tube.name, named.standing
            )),
            None => wrong.push(format!("table: {name} is not known")),
        }
        let parsed = parse_stage("names", &stage_text(name, row), &names, &mut |_, path| {
            Err(format!("no {path} here"))
        });
        let said: Vec<&str> = parsed
            .diagnostics
            .iter()
            .filter(|d| d.severity == Severity::Error || d.code == "doubtful-tube-type")
            .map(|d| d.code)
            .collect();
        let wanted: &[&str] = if doubtful {
            &["doubtful-tube-type"]
        } else {
            &[]
        };
        if said != wanted {
            wrong.push(format!("stage: {name}: {said:?}"));
        }
        if taken(&parsed.value, &names).as_deref() != Some(row) {
            wrong.push(format!(
                "stage: {name} is not a {row} but {:?}",
                taken(&parsed.value, &names)
            ));
        }
    }
    assert!(wrong.is_empty(), "{}:\n{}", wrong.len(), wrong.join("\n"));
}

/// The row that the only tube of a stage is taken for.
fn taken(stage: &Stage, names: &deadstage_netlist::TubeNames) -> Option<String> {
    let written = stage.parts.iter().find_map(|part| part.kind.tube_type())?;
    names.find(written).map(|found| found.name.clone())
}

#[test]
fn a_tube_and_a_regulator_of_one_number_stay_apart() {
    let row = |name: &str| tube_table().find(name).map(|tube| tube.name.as_str());
    assert_eq!(row("VT150"), Some("6SA7"));
    assert_eq!(row("VR150"), Some("0D3"));
    assert_eq!(row("VR150/30"), Some("0D3"));
}

#[test]
fn the_table_is_large_enough_for_a_bench() {
    let types = tube_table().types();
    let names: usize = types.iter().map(|tube| 1 + tube.aliases.len()).sum();
    assert!(types.len() >= 330, "{} types", types.len());
    assert!(names >= 2 * 330, "{names} names");
}
