//! The program `deadstage`.
//!
//! Exit status: 0 all well, 1 the answer is no, 2 bad input.
#![forbid(unsafe_code)]
// A finding is made for a person to read, one at a time: its size is no matter.
#![allow(clippy::result_large_err)]

mod args;
mod commands;
mod failure;
mod input;
mod output;

use crate::args::{Args, Command};
use crate::failure::Failure;
use clap::Parser;
use std::process::ExitCode;

/// How a command ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Status {
    AllWell = 0,
    /// A netlist does not solve, or a value of its print is missed.
    AnswerIsNo = 1,
    BadInput = 2,
}

fn main() -> ExitCode {
    let args = Args::parse();
    let (outcome, format) = match &args.command {
        Command::Check(check) => (commands::check::run(check), None),
        Command::Chart(chart) => (commands::chart::run(chart), Some(chart.format)),
        Command::Suspect(suspect) => (commands::suspect::run(suspect), Some(suspect.format)),
        Command::Shunt(shunt) => (commands::shunt::run(shunt), Some(shunt.format)),
        Command::Tubes(tubes) => (commands::tubes::run(tubes), Some(tubes.format)),
    };
    let status = match outcome {
        Ok(status) => status,
        Err(failure) => report(&failure, format == Some(args::Format::Json)),
    };
    ExitCode::from(status as u8)
}

/// Says on stderr why there is no answer and, for a program, on stdout too.
fn report(failure: &Failure, json: bool) -> Status {
    output::complain(&failure.text());
    if json {
        match failure.json() {
            Ok(text) => {
                // Nothing better is left to do if stdout is gone as well.
                let _ = output::show(&text);
            }
            Err(error) => output::complain(&format!("error: {error}\n")),
        }
    }
    failure.status()
}
