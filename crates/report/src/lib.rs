//! Results as people and programs read them: terminal text, JSON, JUnit XML, a page
//! for a browser or a printer, and what a drawing shows of them.
//!
//! Every function here takes finished data (a chart, a diagnosis, a check)
//! and gives a string; none of them computes a voltage or a probability.
//! Text carries ANSI styles that mean nothing by themselves, so a caller may
//! strip them; its widths do not depend on the terminal.
#![forbid(unsafe_code)]

mod cautions;
mod curves;
mod junit;
mod layout;
mod numbers;
mod operating;
mod plot;
mod problem;
mod tube_answer;
mod words;

#[cfg(test)]
mod samples;

pub mod html;
pub mod json;
pub mod picture;
pub mod text;

pub use cautions::{HAZARD_VOLTS, cautions};
pub use junit::{JunitError, junit};
pub use problem::{FileCheck, Problem};
pub use tube_answer::{TubeAnswer, TypeUse};
