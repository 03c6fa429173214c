//! What must hold of every text, whatever stands in it.

use deadstage_circuit::{Network, check_connections};
use deadstage_netlist::{
    Conditions, Diagnostic, MOST_FINDINGS, Parsed, PartKind, Place, Readings, SourceMap, Stage,
    TubeNames, Unlisted, is_hidden, parse_coil_ohms, parse_line, parse_meter, parse_point,
    parse_reading_argument, parse_readings, parse_stage, parse_volts, parse_volts_or_amps,
    print_readings, print_stage, render,
};
use deadstage_parts::LawForm;
use deadstage_reason::{ChartOptions, Options, chart, check, diagnose, ohms_chart, parse_rates};
use deadstage_report::{FileCheck, Problem, json, junit, text as report};

use super::corpus::Corpus;
use super::{Kind, Text};

/// A rule that a text broke.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Broken {
    /// The rule, by which the same fault is known again in a shorter text.
    pub rule: &'static str,
    /// What was seen.
    pub seen: String,
}

/// How far a text is followed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Depth {
    /// Read, printed, its findings shown; a sound stage compiled.
    Read,
    /// A small sound stage is also solved, charted and reported.
    Solve,
    /// One that is solved is also asked for its suspects.
    Diagnose,
}

/// Largest stage that is solved, parts: how the solver bears more is another's matter.
const MOST_PARTS: usize = 24;

/// What a text came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Outcome {
    /// It read without an error.
    pub sound: bool,
    /// It was a stage that compiled.
    pub compiled: bool,
    /// It was a stage that was solved in some setting.
    pub solved: bool,
}

type Verdict<T> = Result<T, Broken>;

fn hold(holds: bool, rule: &'static str, seen: impl FnOnce() -> String) -> Verdict<()> {
    if holds {
        return Ok(());
    }
    Err(Broken { rule, seen: seen() })
}

/// Reads a text and all that follows from it.
///
/// # Errors
/// The first rule that it breaks. A panic is the caller's to catch.
pub fn judge(corpus: &Corpus, text: &Text, depth: Depth) -> Verdict<Outcome> {
    match text.kind {
        Kind::Stage => stage(&corpus.names, &text.text, depth),
        Kind::Sheet(of) => sheet(&corpus.names, &text.text, corpus.stage_of(of)),
        Kind::Rates(of) => {
            let parsed = parse_rates("a.rates", &text.text, corpus.stage_of(of), &corpus.names);
            findings(&parsed.diagnostics, parsed.unlisted, &parsed.sources)?;
            Ok(Outcome {
                sound: !parsed.has_errors(),
                ..Outcome::default()
            })
        }
        Kind::Argument(of) => argument(&corpus.names, &text.text, corpus.stage_of(of)),
    }
}

fn read_stage(names: &TubeNames, text: &str) -> Parsed<Stage> {
    // As a folder might: a file that is there, one that comes back to the first, one that is gone.
    parse_stage("a.stage", text, names, &mut |_, path| match path {
        "a" => Ok((
            "a".to_owned(),
            "stage \"a\"\nresistor R1 1k from bplus to a\n".to_owned(),
        )),
        "b" => Ok((
            "b".to_owned(),
            "stage \"b\"\ncommon ground\ninclude \"a\" as B\n".to_owned(),
        )),
        "itself" => Ok(("a.stage".to_owned(), text.to_owned())),
        _ => Err("there is no such file".to_owned()),
    })
}

fn stage(names: &TubeNames, text: &str, depth: Depth) -> Verdict<Outcome> {
    let parsed = read_stage(names, text);
    findings(&parsed.diagnostics, parsed.unlisted, &parsed.sources)?;
    ids(&parsed.value)?;
    printed_stage(names, &parsed)?;
    let sound = !parsed.has_errors();
    if !sound {
        return Ok(Outcome::default());
    }
    let wiring = check_connections(&parsed.value);
    for finding in &wiring {
        shown(finding, &parsed.sources)?;
    }
    // What a person could mend is told first; only then is the stage built.
    if wiring.iter().any(Diagnostic::is_error) {
        return Ok(Outcome {
            sound,
            ..Outcome::default()
        });
    }
    let compiled = match Network::compile(&parsed.value, LawForm::default()) {
        Ok(_) => true,
        Err(errors) => {
            hold(!errors.is_empty(), "a refusal says why", String::new)?;
            for error in &errors {
                let span = parsed.sources.text_of(error.span());
                hold(span.is_some(), "a refusal has a place", || {
                    error.to_string()
                })?;
            }
            false
        }
    };
    let mut outcome = Outcome {
        sound,
        compiled,
        solved: false,
    };
    if depth != Depth::Read && compiled && parsed.value.parts.len() <= MOST_PARTS {
        outcome.solved = solved(&parsed.value)?;
        if depth == Depth::Diagnose && outcome.solved {
            diagnosed(&parsed.value, names)?;
        }
    }
    Ok(outcome)
}

/// Printing a stage gives a text that reads without an error, and to the same stage.
fn printed_stage(names: &TubeNames, parsed: &Parsed<Stage>) -> Verdict<()> {
    let printed = print_stage(&parsed.value);
    let again = read_stage(names, &printed);
    let error = again.errors().next();
    hold(error.is_none(), "a printed stage reads back", || {
        format!("{}\n{printed}", error.map_or("", |e| &e.message))
    })?;
    // What a faulty text leaves behind may lack a setting or a point that something names.
    hold(
        parsed.has_errors() || again.value == parsed.value,
        "a printed stage is the same stage",
        || printed,
    )
}

/// Solves a sound stage and writes what came of it; whether any setting was solved.
fn solved(stage: &Stage) -> Verdict<bool> {
    let Ok(outcome) = check(stage) else {
        return Ok(false);
    };
    let solved = outcome.settings.iter().any(|s| s.unsolved.is_none());
    let files = [FileCheck {
        path: "a.stage".to_owned(),
        problems: Vec::new(),
        unlisted: Unlisted::default(),
        outcome: Some(outcome),
    }];
    document(json::check(&files))?;
    document(junit(&files))?;
    page(&report::check(&files))?;
    let options = ChartOptions::default();
    if let Ok(chart) = chart(stage, &options) {
        document(json::chart(&chart))?;
        page(&report::chart(&chart))?;
    }
    if let Ok(chart) = ohms_chart(stage, &options) {
        document(json::ohms(&chart))?;
        page(&report::ohms(&chart))?;
    }
    Ok(solved)
}

/// Asks for the suspects of a sound stage by one reading of every node.
fn diagnosed(stage: &Stage, names: &TubeNames) -> Verdict<()> {
    let mut sheet = String::from("readings \"x\"\nmeter 11M 3%\n");
    for (number, node) in stage.nodes.iter().enumerate().skip(1) {
        sheet.push_str(&format!("volts {} {number}V\n", node.name));
    }
    let sheet = parse_readings("a.readings", &sheet, stage, names).value;
    if let Ok(answer) = diagnose(stage, &[sheet], &Options::default()) {
        document(json::suspects(&answer))?;
        page(&report::suspects(&answer, report::Listing::Full))?;
    }
    Ok(())
}

/// A document that could be written, with nothing hidden in it.
fn document<E: std::fmt::Display>(written: Result<String, E>) -> Verdict<()> {
    let document = written.map_err(|error| Broken {
        rule: "a report can be written",
        seen: error.to_string(),
    })?;
    visible(&document)
}

/// A page for people. Styles are escape sequences; what stands between them must not be.
fn page(text: &str) -> Verdict<()> {
    visible(&text.replace("\u{1b}[", ""))
}

fn sheet(names: &TubeNames, text: &str, stage: &Stage) -> Verdict<Outcome> {
    let parsed = parse_readings("a.readings", text, stage, names);
    findings(&parsed.diagnostics, parsed.unlisted, &parsed.sources)?;
    for reading in &parsed.value.readings {
        hold(
            reading.value.is_finite() && !is_negative_zero(reading.value),
            "a reading is a plain number",
            || format!("{reading:?}"),
        )?;
    }
    let printed = print_readings(&parsed.value, stage);
    let again: Parsed<Readings> = parse_readings("b.readings", &printed, stage, names);
    let error = again.errors().next();
    hold(error.is_none(), "a printed sheet reads back", || {
        format!("{}\n{printed}", error.map_or("", |e| &e.message))
    })?;
    hold(
        again.value == parsed.value,
        "a printed sheet is the same sheet",
        || printed,
    )?;
    Ok(Outcome {
        sound: !parsed.has_errors(),
        ..Outcome::default()
    })
}

fn argument(names: &TubeNames, text: &str, stage: &Stage) -> Verdict<Outcome> {
    let single = SourceMap::single("--option", text);
    let conditions = Conditions::default();
    let faults = [
        parse_meter(text).err(),
        parse_volts(text).err(),
        parse_line(text).err(),
        parse_coil_ohms(text).err(),
        parse_volts_or_amps(text).err(),
        parse_point(text, stage, names).err(),
        parse_reading_argument(text, stage, names, &conditions).err(),
    ];
    let sound = faults.iter().any(Option::is_none);
    for fault in faults.into_iter().flatten() {
        hold(fault.is_error(), "what is refused is an error", || {
            format!("{fault:?}")
        })?;
        shown(&fault, &single)?;
    }
    Ok(Outcome {
        sound,
        ..Outcome::default()
    })
}

fn is_negative_zero(value: f64) -> bool {
    value == 0.0 && value.is_sign_negative()
}

/// Findings are few, in the order of the text, and can be shown.
///
/// # Errors
/// The first rule that they break.
pub fn findings(found: &[Diagnostic], unlisted: Unlisted, sources: &SourceMap) -> Verdict<()> {
    let errors = found.iter().filter(|d| d.is_error()).count();
    let warnings = found.len() - errors;
    hold(
        errors <= MOST_FINDINGS && warnings <= MOST_FINDINGS,
        "findings are bounded",
        || format!("{errors} errors, {warnings} warnings"),
    )?;
    let counted = |listed, more| more == 0 || listed == MOST_FINDINGS;
    hold(
        counted(errors, unlisted.errors) && counted(warnings, unlisted.warnings),
        "only what does not fit is left out",
        || format!("{errors}, {warnings}, {unlisted:?}"),
    )?;
    let places = found.iter().map(|d| (d.span.file, d.span.start));
    hold(places.is_sorted(), "findings are in order", || {
        format!("{found:?}")
    })?;
    for finding in found {
        shown(finding, sources)?;
    }
    let problems: Vec<Problem> = found.iter().map(|d| Problem::of(d, sources)).collect();
    let document = json::errors(&problems, unlisted, &[]).map_err(|error| Broken {
        rule: "findings are JSON",
        seen: error.to_string(),
    })?;
    visible(&document)
}

/// A finding's places lie within the text, and it can be shown to a person.
fn shown(finding: &Diagnostic, sources: &SourceMap) -> Verdict<()> {
    let spans = finding.related.iter().map(|related| related.span);
    for span in std::iter::once(finding.span).chain(spans) {
        hold(
            sources.text_of(span).is_some() && sources.locate(span).is_some(),
            "a place lies within its text",
            || format!("{finding:?}"),
        )?;
    }
    hold(
        !finding.message.is_empty() && !finding.code.is_empty(),
        "a finding says something",
        || format!("{finding:?}"),
    )?;
    let text = render(finding, sources, false);
    hold(
        text.contains(finding.code) && text.ends_with('\n') && text.len() < 20_000,
        "a finding is shown in little room",
        || format!("{} bytes: {}", text.len(), finding.message),
    )?;
    visible(&text)
}

/// Nothing in it is obeyed by a terminal or shows nothing.
fn visible(text: &str) -> Verdict<()> {
    let hidden = text.chars().find(|&c| c != '\n' && is_hidden(c));
    hold(hidden.is_none(), "nothing hidden is shown", || {
        format!("{hidden:?} in {text:?}")
    })
}

/// Indices lead somewhere: what lies behind the reader follows them.
fn ids(stage: &Stage) -> Verdict<()> {
    let node = |id: deadstage_netlist::NodeId| (id.0 as usize) < stage.nodes.len();
    let part = |id: deadstage_netlist::PartId| (id.0 as usize) < stage.parts.len();
    for found in &stage.parts {
        let mut leads = found.kind.terminals().into_iter().all(node);
        leads &= found
            .section
            .is_none_or(|s| (s.0 as usize) < stage.sections.len());
        leads &= match &found.kind {
            PartKind::Contact { relay, .. } => {
                part(*relay) && matches!(stage.part(*relay).kind, PartKind::Relay { .. })
            }
            PartKind::Switch { closed_in, .. } => closed_in
                .iter()
                .all(|s| (s.0 as usize) < stage.settings.len()),
            PartKind::Winding {
                transformer: Some(of),
                ..
            } => (*of as usize) < stage.transformers.len(),
            _ => true,
        };
        hold(leads, "every index leads somewhere", || {
            format!("{found:?}")
        })?;
    }
    let expects = stage.expects.iter().map(|expect| &expect.point);
    for point in expects.chain(stage.test_points.iter().map(|t| &t.point)) {
        let leads = match point.place {
            Place::Node(id) => node(id),
            Place::Across(id) | Place::Through(id) => part(id),
        };
        hold(leads, "every index leads somewhere", || {
            format!("{point:?}")
        })?;
    }
    Ok(())
}
