//! `draw`: the schematic, with what is known laid over it.

use crate::Status;
use crate::args::{DrawArgs, PageFormat, Resistors, SuspectArgs};
use crate::commands::suspect;
use crate::failure::Failure;
use crate::{input, output};
use anyhow::Context;
use deadstage_circuit::tube_names;
use deadstage_draw::{Options, ResistorStyle, draw, sections};
use deadstage_netlist::{SectionId, Stage, visible};
use deadstage_reason::chart;
use deadstage_report::picture;
use std::path::Path;

pub(crate) fn run(args: &DrawArgs) -> Result<Status, Failure> {
    let mut options = Options::default();
    options.resistors = match args.resistors {
        Resistors::Box => ResistorStyle::Box,
        Resistors::ZigZag => ResistorStyle::ZigZag,
    };
    let stage = laid_over(args, &mut options).map_err(|failure| failure.keeping(&args.read))?;
    if let Some(folder) = &args.sections {
        return each_section(&stage, folder, options);
    }
    if let Some(name) = &args.section {
        options.section = Some(section(name, &stage)?);
    }
    let svg = draw(&stage, &options).svg;
    match &args.out {
        Some(path) => write(path, &svg)?,
        None => output::show(&svg).map_err(anyhow::Error::from)?,
    }
    Ok(Status::AllWell)
}

/// The stage; what is to be shown of it besides goes into the options.
fn laid_over(args: &DrawArgs, options: &mut Options) -> Result<Stage, Failure> {
    let names = tube_names();
    let mut highest_volts = 0.0f64;
    let stage = if args.readings.is_empty() && args.read.is_empty() {
        let loaded = input::stage(&args.file, &args.includes, &names)?;
        output::complain(&loaded.warnings.text());
        loaded.stage
    } else {
        let answered = suspect::diagnosed(&as_suspects(args))?;
        let (stage, diagnosis) = (answered.stage, answered.diagnosis);
        picture::add_diagnosis(&mut options.layers, &stage, &names, &diagnosis);
        highest_volts = diagnosis.highest_volts;
        stage
    };
    if args.volts || args.currents {
        let chart = chart(&stage, &input::conditions(&args.conditions, &stage)?)
            .map_err(|error| Failure::no("unsolved", error.to_string()))?;
        if args.volts {
            picture::add_volts(&mut options.layers, &stage, &names, &chart);
        }
        if args.currents {
            picture::add_currents(&mut options.layers, &stage, &chart);
        }
        highest_volts = highest_volts.max(chart.highest_volts);
    }
    options.captions = picture::captions(highest_volts);
    Ok(stage)
}

/// Parts that one sheet of a page holds; a chassis of more is drawn section by section.
const ON_ONE_SHEET: usize = 70;

/// The drawings for a page: the whole, or of a chassis each section.
pub(crate) fn for_page(stage: &Stage, options: &Options) -> Vec<String> {
    let known = sections(stage);
    if stage.parts.len() <= ON_ONE_SHEET || known.len() < 2 {
        return vec![draw(stage, options).svg];
    }
    let loose = stage.parts.iter().any(|part| part.section.is_none());
    if loose {
        // Parts in no section would be on no sheet.
        return vec![draw(stage, options).svg];
    }
    known
        .into_iter()
        .map(|section| {
            let mut options = options.clone();
            options.section = Some(section);
            draw(stage, &options).svg
        })
        .collect()
}

/// The same question as `suspect` is asked.
fn as_suspects(args: &DrawArgs) -> SuspectArgs {
    SuspectArgs {
        file: args.file.clone(),
        includes: args.includes.clone(),
        readings: args.readings.clone(),
        read: args.read.clone(),
        conditions: args.conditions.clone(),
        most: None,
        plan: false,
        rates: args.rates.clone(),
        format: PageFormat::Text,
    }
}

fn section(typed: &str, stage: &Stage) -> Result<SectionId, Failure> {
    let known = sections(stage);
    let name = |id: &SectionId| stage.sections[id.0 as usize].as_str();
    if let Some(&id) = known.iter().find(|id| name(id).eq_ignore_ascii_case(typed)) {
        return Ok(id);
    }
    let help = if known.is_empty() {
        "the stage file has no `section`".to_owned()
    } else {
        let names: Vec<String> = known
            .iter()
            .map(|id| visible(name(id)).into_owned())
            .collect();
        format!("the stage file has {}", names.join(", "))
    };
    Err(Failure::plain(
        "unknown-section",
        format!("--section {}: no such section", visible(typed)),
        Some(help),
    ))
}

/// One file a section, numbered as they come in the stage file.
fn each_section(stage: &Stage, folder: &Path, mut options: Options) -> Result<Status, Failure> {
    let known = sections(stage);
    if known.is_empty() {
        return Err(Failure::plain(
            "no-sections",
            "the stage file has no `section`",
            Some("leave --sections out for one drawing of the whole".to_owned()),
        ));
    }
    for (number, &id) in known.iter().enumerate() {
        options.section = Some(id);
        let name = file_name(&stage.sections[id.0 as usize]);
        let path = folder.join(format!("{:02}-{name}.svg", number + 1));
        write(&path, &draw(stage, &options).svg)?;
    }
    Ok(Status::AllWell)
}

/// A section's name as part of a file's.
fn file_name(section: &str) -> String {
    let plain: String = section
        .chars()
        .map(|sign| {
            if sign.is_alphanumeric() {
                sign.to_ascii_lowercase()
            } else {
                '-'
            }
        })
        .take(60)
        .collect();
    plain.trim_matches('-').to_owned()
}

fn write(path: &Path, svg: &str) -> Result<(), Failure> {
    std::fs::write(path, svg)
        .with_context(|| format!("{} can't be written", visible(&path.display().to_string())))
        .map_err(Failure::from)
}
