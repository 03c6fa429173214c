//! The program `deadstage`.
//!
//! Exit status: 0 all well, 1 the answer is no, 2 bad input.
#![forbid(unsafe_code)]
// A finding is made for a person to read, one at a time: its size is no matter.
#![allow(clippy::result_large_err)]

mod args;
mod commands;
mod failure;
mod files;
mod findings;
mod input;
mod output;
mod usage;

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
    let words: Vec<_> = std::env::args_os().collect();
    let status = match Args::try_parse_from(&words) {
        Ok(args) => run(&args),
        Err(error) => usage::explain(&error, &words),
    };
    ExitCode::from(status as u8)
}

fn run(args: &Args) -> Status {
    let outcome = match &args.command {
        Command::Check(check) => commands::check::run(check),
        Command::Chart(chart) => commands::chart::run(chart),
        Command::Draw(draw) => commands::draw::run(draw),
        Command::Suspect(suspect) => commands::suspect::run(suspect),
        Command::Shunt(shunt) => commands::shunt::run(shunt),
        Command::Tubes(tubes) => commands::tubes::run(tubes),
    };
    outcome.unwrap_or_else(|failure| report(&failure, args.json()))
}

/// Says on stderr why there is no answer and, for a program, on stdout too.
fn report(failure: &Failure, json: bool) -> Status {
    output::complain(&failure.text());
    if json {
        output::document(failure.json());
    }
    failure.status()
}
