//! Why no answer could be worked out.

use deadstage_circuit::{CompileError, SolveError};
use thiserror::Error;

/// Why no answer could be worked out.
#[derive(Clone, Debug, Error, PartialEq)]
#[non_exhaustive]
pub enum Error {
    /// Parts without a meaning, all of them.
    #[error("{}", .0.iter().map(ToString::to_string).collect::<Vec<_>>().join("; "))]
    Compile(Vec<CompileError>),
    /// The healthy stage has no operating point.
    #[error("the healthy stage does not solve{}: {source}", in_setting(.setting))]
    Healthy {
        /// The setting, if the unit has any.
        setting: Option<String>,
        /// Why.
        #[source]
        source: SolveError,
    },
    /// Networks of the caller's that do not have the same parameters in the same order.
    #[error(
        "the networks given differ in what may vary, so that their answers can't be put together"
    )]
    UnlikeNetworks,
    /// A reading at a place that has no such quantity.
    #[error("nothing of that kind can be read at `{point}`")]
    NoSuchReading {
        /// As on the sheet.
        point: String,
    },
    /// The spread of the readings could not be worked out.
    #[error("the readings' spread could not be worked out from the tolerances")]
    NoScale,
}

fn in_setting(setting: &Option<String>) -> String {
    setting
        .as_ref()
        .map_or_else(String::new, |s| format!(" in setting `{s}`"))
}
