//! Files and words into stages and readings, with everything wrong in them.

use crate::args::{Conditions, Includes};
use crate::failure::Failure;
use crate::files::{Folders, STANDARD_INPUT, shown, text_of};
use crate::findings::Findings;
use deadstage_circuit::{CompileError, check_connections};
use deadstage_netlist::{
    Diagnostic, Parsed, Readings, SettingId, SourceMap, Stage, TubeNames, Unlisted, parse_line,
    parse_meter, parse_readings, parse_stage, visible,
};
use deadstage_reason::{ChartOptions, Rates, parse_rates};
use std::path::Path;

/// A stage that can be used, with the warnings about its text.
#[derive(Debug)]
pub(crate) struct LoadedStage {
    pub(crate) stage: Stage,
    pub(crate) warnings: Findings,
    /// The texts, for findings that come later.
    pub(crate) sources: SourceMap,
}

/// Reads a stage file and whatever it includes.
pub(crate) fn stage(
    path: &Path,
    includes: &Includes,
    names: &TubeNames,
) -> Result<LoadedStage, Failure> {
    let (name, text) = text_of(path)?;
    let mut folders = Folders::around(&name, path, &includes.further)?;
    let mut load = |including: &str, written: &str| folders.include(including, written);
    let parsed = parse_stage(&name, &text, names, &mut load);
    // The wiring of a text that was only half understood would be blamed for what is missing.
    let sound = !parsed.has_errors();
    let mut diagnostics = parsed.diagnostics;
    if sound {
        diagnostics.extend(check_connections(&parsed.value));
    }
    let findings = Findings::of(&diagnostics, parsed.unlisted, &parsed.sources);
    if findings.stops() {
        return Err(findings.into());
    }
    if parsed.value.parts.is_empty() {
        return Err(Failure::plain(
            "no-parts",
            format!("{} holds no part", visible(&name)),
            Some("a part is a line such as `resistor R1 100k from bplus to plate1`".to_owned()),
        ));
    }
    Ok(LoadedStage {
        stage: parsed.value,
        warnings: findings,
        sources: parsed.sources,
    })
}

/// Parts that the circuit engine can make nothing of, at their statements.
pub(crate) fn meaningless(errors: &[CompileError], sources: &SourceMap) -> Findings {
    let diagnostics: Vec<Diagnostic> = errors
        .iter()
        .map(|error| Diagnostic::error("no-physics", error.span(), error.to_string()))
        .collect();
    Findings::of(&diagnostics, Unlisted::default(), sources)
}

/// What was read, with the warnings about its text, if it can be used.
fn usable<T>(parsed: Parsed<T>) -> Result<(T, Findings), Failure> {
    let findings = Findings::of(&parsed.diagnostics, parsed.unlisted, &parsed.sources);
    if findings.stops() {
        return Err(findings.into());
    }
    Ok((parsed.value, findings))
}

/// Refuses standard input asked for twice: the second to read it would get nothing.
pub(crate) fn one_standard_input<'p>(
    paths: impl IntoIterator<Item = &'p Path>,
) -> Result<(), Failure> {
    let asked = paths
        .into_iter()
        .filter(|path| path.as_os_str() == STANDARD_INPUT);
    if asked.count() < 2 {
        return Ok(());
    }
    Err(Failure::plain(
        "standard-input-twice",
        "`-` is given twice: standard input holds one text".to_owned(),
        Some("write all texts but one to files".to_owned()),
    ))
}

/// Reads a readings sheet against its stage.
pub(crate) fn sheet(
    path: &Path,
    stage: &Stage,
    names: &TubeNames,
) -> Result<(Readings, Findings), Failure> {
    let (name, text) = text_of(path)?;
    usable(parse_readings(&name, &text, stage, names))
}

/// Rates of failure: a set of the table's by its name, or a rates file read against the stage.
pub(crate) fn rates(
    named: &Path,
    stage: &Stage,
    names: &TubeNames,
) -> Result<(Rates, Findings), Failure> {
    if let Some(rates) = named.to_str().and_then(Rates::named) {
        return Ok((rates, Findings::default()));
    }
    if !named.exists() && named.as_os_str() != STANDARD_INPUT {
        let known: Vec<&str> = Rates::names().collect();
        return Err(Failure::plain(
            "unknown-rates",
            format!(
                "--rates {}: neither a set of rates nor a file",
                shown(named)
            ),
            Some(format!(
                "write {} or the path of a rates file",
                known.join(", ")
            )),
        ));
    }
    let (name, text) = text_of(named)?;
    usable(parse_rates(&name, &text, stage, names))
}

/// What the command line says of the circumstances: nothing, where it says nothing.
pub(crate) fn conditions(typed: &Conditions, stage: &Stage) -> Result<ChartOptions, Failure> {
    let (meter, line) = (typed.meter.as_deref(), typed.line.as_deref());
    Ok(ChartOptions {
        meter: meter
            .map(|typed| word("--meter", typed, parse_meter))
            .transpose()?,
        line: line
            .map(|typed| word("--line", typed, parse_line))
            .transpose()?,
        setting: typed
            .setting
            .as_deref()
            .map(|typed| setting(typed, stage))
            .transpose()?,
    })
}

/// The setting of that name.
pub(crate) fn setting(typed: &str, stage: &Stage) -> Result<SettingId, Failure> {
    let found = (0u32..)
        .zip(&stage.settings)
        .find(|(_, name)| name.eq_ignore_ascii_case(typed));
    if let Some((index, _)) = found {
        return Ok(SettingId(index));
    }
    let help = if stage.settings.is_empty() {
        "the stage file has no `settings`".to_owned()
    } else {
        format!("the stage file has {}", stage.settings.join(", "))
    };
    Err(Failure::plain(
        "unknown-setting",
        format!("--setting {}: no such setting", visible(typed)),
        Some(help),
    ))
}

/// What a word of the command line means, or why it means nothing.
pub(crate) fn word<T>(
    option: &str,
    typed: &str,
    parse: impl FnOnce(&str) -> Result<T, Diagnostic>,
) -> Result<T, Failure> {
    parse(typed).map_err(|diagnostic| {
        let sources = SourceMap::single(option, typed);
        Findings::of(&[diagnostic], Unlisted::default(), &sources).into()
    })
}
