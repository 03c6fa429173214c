//! What may be typed: words only, given their meaning elsewhere.

use clap::{Args as ClapArgs, Parser, Subcommand, ValueEnum};
use std::path::PathBuf;

/// Finds failed parts in vintage tube equipment from meter readings.
///
/// Exit status: 0 all well, 1 the answer is no (a netlist does not solve, a
/// value of its print is missed), 2 bad input.
#[derive(Debug, Parser)]
#[command(name = "deadstage", version, max_term_width = 100)]
pub(crate) struct Args {
    #[command(subcommand)]
    pub(crate) command: Command,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Solve netlists in every setting and hold them against their prints.
    Check(CheckArgs),
    /// List the tubes known, or show one type's data, pins and curves.
    Tubes(TubesArgs),
}

/// How an answer is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Format {
    /// For people.
    Text,
    /// For programs; the key `schema` names the document and its version.
    Json,
}

/// How the answer of a check is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum CheckFormat {
    /// For people.
    Text,
    /// For programs; the key `schema` names the document and its version.
    Json,
    /// JUnit XML, for continuous integration.
    Junit,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct CheckArgs {
    /// Stage files, or folders to look through for files that end in .stage.
    #[arg(required = true, value_name = "PATH")]
    pub(crate) paths: Vec<PathBuf>,
    /// How to write the answer.
    #[arg(long, value_enum, default_value_t = CheckFormat::Text)]
    pub(crate) format: CheckFormat,
}

#[derive(Debug, ClapArgs)]
pub(crate) struct TubesArgs {
    /// A type, such as 12AX7; all types known if left out.
    #[arg(value_name = "TYPE")]
    pub(crate) tube: Option<String>,
    /// How to write the answer.
    #[arg(long, value_enum, default_value_t = Format::Text)]
    pub(crate) format: Format,
}
