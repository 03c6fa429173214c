//! Files and words into stages and readings, with everything wrong in them.

use crate::failure::Failure;
use deadstage_circuit::{CompileError, check_connections};
use deadstage_netlist::{
    Diagnostic, Parsed, Readings, SettingId, Severity, SourceMap, Stage, TubeNames, parse_readings,
    parse_stage, render,
};
use deadstage_reason::{Rates, parse_rates};
use deadstage_report::Problem;
use std::io::Read;
use std::path::{Path, PathBuf};

/// The name under which standard input is typed.
const STANDARD_INPUT: &str = "-";

/// Findings about one text or a group of texts that include each other.
#[derive(Debug, Default)]
pub(crate) struct Findings {
    /// For programs.
    pub(crate) problems: Vec<Problem>,
    /// The same at length, for people.
    pub(crate) rendered: String,
}

impl Findings {
    pub(crate) fn of(diagnostics: &[Diagnostic], sources: &SourceMap) -> Self {
        Self {
            problems: diagnostics
                .iter()
                .map(|diagnostic| Problem::of(diagnostic, sources))
                .collect(),
            rendered: diagnostics
                .iter()
                .map(|diagnostic| {
                    let mut text = render(diagnostic, sources, true);
                    while !text.ends_with("\n\n") {
                        text.push('\n');
                    }
                    text
                })
                .collect(),
        }
    }

    /// Whether any of it stops the work.
    pub(crate) fn stops(&self) -> bool {
        self.problems.iter().any(|problem| problem.error)
    }

    /// Puts other findings behind these.
    pub(crate) fn join(&mut self, other: Self) {
        self.problems.extend(other.problems);
        self.rendered.push_str(&other.rendered);
    }

    /// As the reason for having no answer.
    pub(crate) fn into_failure(self) -> Failure {
        Failure::bad_input(self.problems, self.rendered)
    }
}

/// A stage that can be used, with the warnings about its text.
#[derive(Debug)]
pub(crate) struct LoadedStage {
    pub(crate) stage: Stage,
    pub(crate) warnings: Findings,
    /// The texts, for findings that come later.
    pub(crate) sources: SourceMap,
}

/// Reads a stage file and whatever it includes.
pub(crate) fn stage(path: &Path, names: &TubeNames) -> Result<LoadedStage, Failure> {
    let (name, text) = text_of(path)?;
    let mut load = |including: &str, written: &str| load_included(including, written);
    let parsed = parse_stage(&name, &text, names, &mut load);
    let mut diagnostics = parsed.diagnostics;
    // The wiring of a text that was only half understood would be blamed for what is missing.
    if !diagnostics.iter().any(|d| d.severity == Severity::Error) {
        diagnostics.extend(check_connections(&parsed.value));
    }
    let findings = Findings::of(&diagnostics, &parsed.sources);
    if findings.stops() {
        return Err(findings.into_failure());
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
        .map(|error| Diagnostic {
            code: "no-physics",
            severity: Severity::Error,
            message: error.to_string(),
            span: error.span(),
            label: String::new(),
            related: Vec::new(),
            help: None,
        })
        .collect();
    Findings::of(&diagnostics, sources)
}

/// What was read, with the warnings about its text, if it can be used.
fn usable<T>(parsed: Parsed<T>) -> Result<(T, Findings), Failure> {
    let findings = Findings::of(&parsed.diagnostics, &parsed.sources);
    if findings.stops() {
        return Err(findings.into_failure());
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
                named.display()
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
        format!("--setting {typed}: no such setting"),
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
        Findings::of(&[diagnostic], &sources).into_failure()
    })
}

fn text_of(path: &Path) -> Result<(String, String), Failure> {
    let name = path.display().to_string();
    if name == STANDARD_INPUT {
        let mut bytes = Vec::new();
        std::io::stdin()
            .lock()
            .read_to_end(&mut bytes)
            .map_err(|error| {
                Failure::plain("unreadable", format!("standard input: {error}"), None)
            })?;
        let name = "standard input".to_owned();
        let text =
            as_text(&name, bytes).map_err(|message| Failure::plain("not-text", message, None))?;
        return Ok((name, text));
    }
    read(path)
        .map(|text| (name, text))
        .map_err(|message| Failure::plain("unreadable", message, None))
}

fn load_included(including: &str, written: &str) -> Result<(String, String), String> {
    let written = Path::new(written);
    let path: PathBuf = match Path::new(including).parent() {
        Some(folder) if written.is_relative() => folder.join(written),
        _ => written.to_owned(),
    };
    let text = read(&path)?;
    Ok((path.display().to_string(), text))
}

fn read(path: &Path) -> Result<String, String> {
    let name = path.display().to_string();
    if path.is_dir() {
        return Err(format!("{name} is a folder"));
    }
    let bytes = std::fs::read(path).map_err(|error| format!("{name}: {error}"))?;
    as_text(&name, bytes)
}

fn as_text(name: &str, bytes: Vec<u8>) -> Result<String, String> {
    String::from_utf8(bytes).map_err(|error| {
        let line = error
            .as_bytes()
            .iter()
            .take(error.utf8_error().valid_up_to())
            .filter(|&&byte| byte == b'\n')
            .count()
            + 1;
        format!("{name} is not UTF-8 text (line {line})")
    })
}
