//! The text of a vintage stage: the netlist and the readings sheet.
//!
//! Reading never fails: it yields a value and the findings about the text.
//! This crate knows words, values, units and places; it knows no physics.
//!
//! ```
//! use deadstage_netlist::{Ohms, PartKind, TubeNames, parse_stage, render};
//!
//! let text = "stage \"Divider\"\n\
//!             supply B1 250V from bplus to chassis\n\
//!             resistor R1 4K7 10% from bplus to tap\n\
//!             resistr R2 1M from tap to chassis\n";
//! let parsed = parse_stage("divider.stage", text, &TubeNames::default(), &mut |_, path| {
//!     Err(format!("{path} is not here"))
//! });
//! let PartKind::Resistor { ohms, .. } = parsed.value.parts[1].kind else {
//!     panic!("R1 is a resistor");
//! };
//! assert_eq!(ohms, Ohms(4700.0));
//!
//! let shown = render(&parsed.diagnostics[0], &parsed.sources, false);
//! assert!(shown.contains("divider.stage:4:1"));
//! assert!(shown.contains("did you mean `resistor`?"));
//! ```
//!
//! # From text to stage
//!
//! | module | does |
//! | --- | --- |
//! | `lex` | comments off, continuation lines joined, words cut |
//! | `value`, `limits` | values with their units, and what is out of all reason |
//! | `cursor`, `properties` | reading one statement; properties in any order |
//! | `reader` and the statements (`whole`, `passive`, `supplies`, `switching`, `devices`, `tubetype`, `defaults`) | one statement to one part |
//! | `file`, `builder` | the driver, includes; names and what they came to |
//! | `point`, `expect`, `meter` | where a probe goes, values from the print, meters |
//! | `sheet`, `reading`, `argument` | the readings sheet, and single values from a command line |
//! | `rates` | the rates file: how often parts fail |
//! | `titled` | texts that begin with their title |
//! | `checks` | what is odd though each statement is sound |
//! | `print`, `render` | stages, sheets and findings as text |
//!
//! # What the language leaves open, as settled here
//!
//! - Names keep the spelling of their first use. Case is folded as Unicode does it.
//! - `across`, `through`, `panel`, `from` and `to` can't name a node; `from` and `to` can't name a setting.
//! - `include "x" as P` puts `P.` before every designator and transformer of that file (and of
//!   what it includes). Nodes, settings, sections and tube types keep their names and are joined by
//!   them; the included file's common is this file's common, whatever either calls it.
//!   A point of an included file looks for its designator with the prefix first, then without.
//! - An included file begins in the section of its `include`, which goes on behind it. Its
//!   `defaults` are its own. Its title is not kept, its notes are.
//! - `section ""` ends a section.
//! - `m` in a letter code or prefix is milli everywhere, with a warning on resistances; `mf` is
//!   microfarad, `mF` millifarad with a warning.
//! - Without a value a fuse has 0.1 Ω and a link 1 mΩ. Without a make a resistor is composition and
//!   a capacitor paper.
//! - `winding W1 250 of T1 ...` names the transformer; `contact K1b of K1 ...` names the relay, and
//!   a single contact may carry its relay's designator instead.
//! - `meter M1 75mV 0.5 ...` gives the full-scale voltage of a movement instead of its current.
//! - Every electrode that the table gives a type must be wired, the suppressor excepted.
//! - `±2V` behind an expected value is kept as a fraction of the value.
//! - The default setting is `None`, also where a statement names it.
//! - `ohms ... inf` is a reading above [`OHMMETER_REACH`]. `panel` readings of a movement without a
//!   printed scale are its current, in amperes, and need their unit.
//! - `good T1` and the like, of a transformer, stand for each of its windings.
//! - In a quoted text `\"`, `\\` and `\n` are escapes; any other backslash is itself.
#![forbid(unsafe_code)]
// A diagnostic is made for a person to read, one at a time: its size is no matter.
#![allow(clippy::result_large_err)]

mod argument;
mod bounds;
mod builder;
mod checks;
mod cursor;
mod defaults;
mod devices;
mod diagnostic;
mod excerpt;
mod expect;
mod file;
mod findings;
mod kinds;
mod lex;
mod limits;
mod meter;
mod names;
mod nearest;
mod passive;
mod point;
mod print;
mod properties;
mod rates;
mod reader;
mod reading;
mod readings;
mod render;
mod room;
mod sheet;
mod span;
mod stage;
mod supplies;
mod switching;
mod titled;
mod tubetype;
mod units;
mod value;
mod visible;
mod whole;

pub use argument::{
    VoltsOrAmps, parse_coil_ohms, parse_line, parse_meter, parse_point, parse_reading_argument,
    parse_volts, parse_volts_or_amps,
};
pub use bounds::{
    DEEPEST_INCLUDE, LONGEST_NAME, LONGEST_TEXT, LONGEST_WORD, MOST_BYTES, MOST_BYTES_IN_ALL,
    MOST_FILES, MOST_FINDINGS, MOST_PARTS, MOST_POINTS, MOST_RATES, MOST_READINGS,
    MOST_READINGS_IN_ALL, MOST_REMARKS, MOST_SETTINGS, MOST_TUBE_TYPES, MOST_WORDS, file_too_long,
};
pub use diagnostic::{Diagnostic, Related, Severity, Unlisted};
pub use file::parse_stage;
use findings::Findings;
pub use names::{TakenFor, TubeName, TubeNames, TubeRole};
pub use nearest::{nearest, slips_between};
pub use print::{print_readings, print_stage};
pub use rates::{Often, RateLine, RateLines, RateOf, RateWords, parse_rates};
pub use reading::OHMMETER_REACH;
pub use readings::{
    Bound, Conditions, Look, Meter, MeterInput, Reading, Readings, Remark, RemarkKind, Taken,
};
pub use render::render;
pub use sheet::parse_readings;
pub use span::{FileId, SourceFile, SourceMap, Span};
pub use stage::*;
pub use units::{
    Amps, Farads, Henries, Ohms, Siemens, Volts, Watts, engineering, prefixed, without_signed_zero,
};
pub use visible::{is_hidden, visible};

/// How `include` gets at a file.
///
/// Called with the name of the including file (as it was given or loaded) and
/// the path as written; gives the name of the file found, by which files are
/// told apart, and its text, or why there is none.
pub type Load<'a> = dyn FnMut(&str, &str) -> Result<(String, String), String> + 'a;

/// What reading a text came to.
#[derive(Clone, Debug)]
pub struct Parsed<T> {
    /// All that could be understood.
    pub value: T,
    /// The findings, in the order of the text: of each severity the first [`MOST_FINDINGS`] met.
    pub diagnostics: Vec<Diagnostic>,
    /// How many more there are.
    pub unlisted: Unlisted,
    /// The texts, for showing the findings.
    pub sources: SourceMap,
}

impl<T> Parsed<T> {
    /// Whether any finding is an error.
    pub fn has_errors(&self) -> bool {
        self.errors().next().is_some()
    }

    /// What another reader made of the value, with what it found besides.
    pub fn then<U>(self, value: U, more: impl IntoIterator<Item = Diagnostic>) -> Parsed<U> {
        let mut findings = Findings::of(self.diagnostics, self.unlisted);
        findings.extend(more);
        let (diagnostics, unlisted) = findings.finish();
        Parsed {
            value,
            diagnostics,
            unlisted,
            sources: self.sources,
        }
    }

    /// The findings that make a statement void.
    pub fn errors(&self) -> impl Iterator<Item = &Diagnostic> {
        self.of(Severity::Error)
    }

    /// The findings that leave their statement standing.
    pub fn warnings(&self) -> impl Iterator<Item = &Diagnostic> {
        self.of(Severity::Warning)
    }

    fn of(&self, severity: Severity) -> impl Iterator<Item = &Diagnostic> {
        self.diagnostics
            .iter()
            .filter(move |d| d.severity == severity)
    }
}
