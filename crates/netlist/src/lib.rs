//! The text of a vintage stage: the netlist and the readings sheet.
//!
//! Reading never fails: it yields a value and the findings about the text.
//! This crate knows words, values, units and places; it knows no physics.
#![forbid(unsafe_code)]
// A diagnostic is made for a person to read, one at a time: its size is no matter.
#![allow(clippy::result_large_err)]

mod builder;
mod checks;
mod cursor;
mod devices;
mod diagnostic;
mod expect;
mod file;
mod lex;
mod limits;
mod meter;
mod names;
mod nearest;
mod passive;
mod point;
mod print;
mod properties;
mod readings;
mod render;
mod sheet;
mod span;
mod stage;
mod units;
mod value;

pub use diagnostic::{Diagnostic, Related, Severity};
pub use file::parse_stage;
pub use names::{TubeName, TubeNames, TubeRole};
pub use nearest::{nearest, slips_between};
pub use print::{print_readings, print_stage};
pub use readings::{
    Bound, Conditions, Look, Meter, MeterInput, Reading, Readings, Remark, RemarkKind,
};
pub use render::render;
pub use sheet::{
    OHMMETER_REACH, parse_meter, parse_point, parse_reading_argument, parse_readings, parse_volts,
};
pub use span::{FileId, SourceFile, SourceMap, Span};
pub use stage::*;
pub use units::{Amps, Farads, Henries, Ohms, Siemens, Volts, Watts, engineering};

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
    /// The findings, in the order of the text.
    pub diagnostics: Vec<Diagnostic>,
    /// The texts, for showing the findings.
    pub sources: SourceMap,
}

impl<T> Parsed<T> {
    /// Whether any finding is an error.
    pub fn has_errors(&self) -> bool {
        self.errors().next().is_some()
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
