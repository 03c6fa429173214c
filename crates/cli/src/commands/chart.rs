//! `chart`: voltages of a healthy unit, or its resistances.

use crate::Status;
use crate::args::{ChartArgs, PageFormat};
use crate::commands::draw;
use crate::failure::Failure;
use crate::{input, output};
use deadstage_circuit::tube_names;
use deadstage_reason::{chart, ohms_chart};
use deadstage_report::{html, json, picture, text};

pub(crate) fn run(args: &ChartArgs) -> Result<Status, Failure> {
    let loaded = input::stage(&args.file, &args.includes, &tube_names())?;
    let stage = &loaded.stage;
    let options = input::conditions(&args.conditions, stage)?;
    output::complain(&loaded.warnings.text());
    let shown = if args.ohms {
        let chart = ohms_chart(stage, &options).map_err(|error| unsolved(&error))?;
        match args.format {
            PageFormat::Text => text::ohms(&chart),
            PageFormat::Json => json::ohms(&chart).map_err(anyhow::Error::from)?,
            PageFormat::Html => html::ohms(
                &chart,
                &draw::for_page(stage, &deadstage_draw::Options::default()),
            ),
        }
    } else {
        let chart = chart(stage, &options).map_err(|error| unsolved(&error))?;
        match args.format {
            PageFormat::Text => text::chart(&chart),
            PageFormat::Json => json::chart(&chart).map_err(anyhow::Error::from)?,
            PageFormat::Html => {
                let mut options = deadstage_draw::Options::default();
                picture::add_volts(&mut options.layers, stage, &tube_names(), &chart);
                html::chart(stage, &chart, &draw::for_page(stage, &options))
            }
        }
    };
    output::show(&shown).map_err(anyhow::Error::from)?;
    Ok(Status::AllWell)
}

fn unsolved(error: &deadstage_reason::Error) -> Failure {
    Failure::no("unsolved", error.to_string())
}
