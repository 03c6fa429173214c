//! `suspect`: which parts may have failed, and what to measure next.

use crate::Status;
use crate::args::{PageFormat, SuspectArgs};
use crate::commands::draw;
use crate::failure::Failure;
use crate::findings::Findings;
use crate::input;
use crate::output;
use deadstage_circuit::tube_names;
use deadstage_netlist::{
    Conditions, MOST_READINGS, MOST_READINGS_IN_ALL, Meter, Reading, Readings, Stage, TubeNames,
    parse_reading_argument,
};
use deadstage_reason::{ChartOptions, Diagnosis, Options, diagnose};
use deadstage_report::text::Listing;
use deadstage_report::{html, json, picture, text};
use std::path::PathBuf;

/// Readings whose answers on the way are worth their time.
const LONGEST_WAY: usize = 24;

/// Suspects listed if not told otherwise.
const MOST: u32 = 20;

pub(crate) fn run(args: &SuspectArgs) -> Result<Status, Failure> {
    answer(args).map_err(|failure| failure.keeping(&args.read))
}

fn answer(args: &SuspectArgs) -> Result<Status, Failure> {
    let answered = diagnosed(args)?;
    let diagnosis = &answered.diagnosis;
    let listing = if args.most.is_some() {
        Listing::Full
    } else {
        Listing::Short
    };
    let shown = match args.format {
        PageFormat::Text => text::suspects(diagnosis, listing),
        PageFormat::Json => json::suspects(diagnosis).map_err(anyhow::Error::from)?,
        PageFormat::Html => {
            let mut options = deadstage_draw::Options::default();
            let stage = &answered.stage;
            picture::add_diagnosis(&mut options.layers, stage, &tube_names(), diagnosis);
            let drawings = draw::for_page(stage, &options);
            html::suspects(diagnosis, listing, &drawings, moved(&answered).as_ref())
        }
    };
    output::show(&shown).map_err(anyhow::Error::from)?;
    Ok(Status::AllWell)
}

/// An answer and what was asked.
pub(crate) struct Answered {
    pub(crate) stage: Stage,
    sheets: Vec<Readings>,
    options: Options,
    pub(crate) diagnosis: Diagnosis,
}

/// The answers on the way, each to one reading more: of one sheet that is not too long, nothing being read twice.
fn moved(answered: &Answered) -> Option<html::Moved> {
    let [sheet] = answered.sheets.as_slice() else {
        return None;
    };
    let count = sheet.readings.len();
    if !(2..=LONGEST_WAY).contains(&count) || answered.diagnosis.readings.len() != count {
        return None;
    }
    let options = Options {
        plan: false,
        ..answered.options.clone()
    };
    let mut answers = Vec::new();
    for taken in 0..count {
        let mut so_far = sheet.clone();
        so_far.readings.truncate(taken);
        answers.push(diagnose(&answered.stage, &[so_far], &options).ok()?);
    }
    answers.push(answered.diagnosis.clone());
    html::Moved::of(&answers)
}

/// The stage, and what its readings say of it.
pub(crate) fn diagnosed(args: &SuspectArgs) -> Result<Answered, Failure> {
    let names = tube_names();
    let texts = args.readings.iter().chain([&args.file, &args.rates]);
    input::one_standard_input(texts.map(PathBuf::as_path))?;
    let loaded = input::stage(&args.file, &args.includes, &names)?;
    let mut warnings = loaded.warnings;
    let read = both(
        sheets(args, &loaded.stage, &names, &mut warnings),
        input::rates(&args.rates, &loaded.stage, &names),
    );
    let (sheets, (rates, more)) = match read {
        Ok(read) => read,
        Err(failure) => return Err(failure.after(warnings)),
    };
    warnings.join(more);
    output::complain(&warnings.text());
    let options = Options {
        most: args.most.unwrap_or(MOST) as usize,
        rates,
        plan: args.plan,
        ..Options::default()
    };
    let diagnosis = diagnose(&loaded.stage, &sheets, &options)
        .map_err(|error| Failure::no("unsolved", error.to_string()))?;
    Ok(Answered {
        stage: loaded.stage,
        sheets,
        options,
        diagnosis,
    })
}

/// Both, or everything that is wrong with either.
fn both<A, B>(a: Result<A, Failure>, b: Result<B, Failure>) -> Result<(A, B), Failure> {
    match (a, b) {
        (Ok(a), Ok(b)) => Ok((a, b)),
        (Err(a), Err(b)) => Err(a.and(b)),
        (Err(one), _) | (_, Err(one)) => Err(one),
    }
}

/// The sheets in the order given, the readings of the command line as one more;
/// everything wrong in any of them is reported together.
fn sheets(
    args: &SuspectArgs,
    stage: &Stage,
    names: &TubeNames,
    warnings: &mut Findings,
) -> Result<Vec<Readings>, Failure> {
    if args.read.len() > MOST_READINGS {
        return Err(too_many(args.read.len(), MOST_READINGS));
    }
    let mut failure: Option<Failure> = None;
    let mut fail = |found: Failure| {
        failure = Some(match failure.take() {
            Some(before) => before.and(found),
            None => found,
        });
    };
    let mut sheets = Vec::new();
    for path in &args.readings {
        match input::sheet(path, stage, names) {
            Ok((sheet, more)) => {
                warnings.join(more);
                sheets.push(sheet);
            }
            Err(found) => fail(found),
        }
    }
    let stated = match input::conditions(&args.conditions, stage) {
        Ok(stated) => Some(stated),
        Err(found) => {
            fail(found);
            None
        }
    };
    let conditions = sheets
        .last()
        .map(|sheet| sheet.conditions)
        .unwrap_or_default();
    let conditions = stated
        .as_ref()
        .map_or(conditions, |stated| over(stated, conditions));
    let mut typed = Vec::new();
    for word in &args.read {
        let parsed = input::word("--read", word, |text| {
            parse_reading_argument(text, stage, names, &conditions)
        });
        match parsed {
            Ok(reading) => typed.push(reading),
            Err(found) => fail(found),
        }
    }
    if let Some(failure) = failure {
        return Err(failure);
    }
    if let Some(stated) = &stated {
        for sheet in &mut sheets {
            for reading in &mut sheet.readings {
                fill(stated, reading);
            }
        }
    }
    if !typed.is_empty() {
        sheets.push(Readings {
            title: if sheets.is_empty() {
                "readings of the command line".to_owned()
            } else {
                String::new()
            },
            readings: typed,
            conditions,
            ..Readings::default()
        });
    }
    let taken: usize = sheets.iter().map(|sheet| sheet.readings.len()).sum();
    if taken > MOST_READINGS_IN_ALL {
        return Err(too_many(taken, MOST_READINGS_IN_ALL));
    }
    if sheets
        .iter()
        .all(|sheet| sheet.readings.is_empty() && sheet.remarks.is_empty())
    {
        return Err(Failure::plain(
            "no-readings",
            "there is nothing to go by: no sheet holds a reading",
            Some("add a line such as `volts plate1 248V`, or --read plate1=248V".to_owned()),
        ));
    }
    Ok(sheets)
}

fn too_many(taken: usize, most: usize) -> Failure {
    Failure::plain(
        "too-many-readings",
        format!("{taken} readings are more than the {most} that can be weighed together"),
        Some("leave out what no longer matters, and what was read twice".to_owned()),
    )
}

/// For readings of the command line, what it states comes before what a sheet ended with.
fn over(stated: &ChartOptions, sheet: Conditions) -> Conditions {
    Conditions {
        meter: stated.meter.unwrap_or(sheet.meter),
        line: stated.line.or(sheet.line),
        setting: stated.setting.or(sheet.setting),
    }
}

/// For readings of a sheet, what the command line states stands only where the sheet says nothing.
fn fill(stated: &ChartOptions, reading: &mut Reading) {
    if let (Some(meter), true) = (stated.meter, reading.meter == Meter::IDEAL) {
        reading.meter = meter;
    }
    reading.line = reading.line.or(stated.line);
    reading.setting = reading.setting.or(stated.setting);
}
