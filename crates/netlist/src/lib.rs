//! The text of a vintage stage: the netlist and the readings sheet.
//!
//! Reading never fails: it yields a value and the findings about the text.
//! This crate knows words, values, units and places; it knows no physics.
#![forbid(unsafe_code)]

mod diagnostic;
mod names;
mod readings;
mod span;
mod stage;
mod units;

pub use diagnostic::{Diagnostic, Related, Severity};
pub use names::{TubeName, TubeNames, TubeRole};
pub use readings::{Bound, Look, Meter, MeterInput, Reading, Readings, Remark, RemarkKind};
pub use span::{FileId, SourceFile, SourceMap, Span};
pub use stage::*;
pub use units::{Amps, Farads, Henries, Ohms, Siemens, Volts, Watts, engineering};
