//! `tubes`: the table, or one type.

use crate::Status;
use crate::args::{Format, TubesArgs};
use crate::failure::Failure;
use crate::output;
use deadstage_netlist::{nearest, visible};
use deadstage_parts::{TubeType, tube_table};
use deadstage_report::{json, text};

pub(crate) fn run(args: &TubesArgs) -> Result<Status, Failure> {
    let table = tube_table();
    let shown = match &args.tube {
        None => match args.format {
            Format::Text => text::tube_list(table.types()),
            Format::Json => json::tubes(table.types()).map_err(anyhow::Error::from)?,
        },
        Some(typed) => {
            let tube = table
                .find(typed)
                .ok_or_else(|| unknown(typed, table.types()))?;
            match args.format {
                Format::Text => text::tube(tube),
                Format::Json => json::tubes([tube]).map_err(anyhow::Error::from)?,
            }
        }
    };
    output::show(&shown).map_err(anyhow::Error::from)?;
    Ok(Status::AllWell)
}

fn unknown(typed: &str, types: &[TubeType]) -> Failure {
    let names = types
        .iter()
        .flat_map(|tube| std::iter::once(&tube.name).chain(&tube.aliases))
        .map(String::as_str);
    let help = match nearest(typed, names) {
        Some(name) => format!("the nearest known is {name}; `deadstage tubes` lists all"),
        None => "`deadstage tubes` lists all types known; a stage file may define its own with `tubetype`".to_owned(),
    };
    Failure::plain(
        "unknown-tube",
        format!("no data for tube type {}", visible(typed)),
        Some(help),
    )
}
