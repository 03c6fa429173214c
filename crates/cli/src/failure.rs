//! Why a command has no answer.

use crate::Status;
use deadstage_report::{Problem, json};

/// Everything that stood in the way, found in one run.
#[derive(Debug, Default)]
pub(crate) struct Failure {
    /// The findings, for programs.
    problems: Vec<Problem>,
    /// The same at length, for people: places, carets, what would be right.
    rendered: String,
    /// Readings typed on the command line, as lines of a sheet.
    unused: Vec<String>,
    /// The input was sound, but there is no answer to it.
    answer_is_no: bool,
}

impl Failure {
    /// Bad input, with the findings already rendered at length.
    pub(crate) fn bad_input(problems: Vec<Problem>, rendered: String) -> Self {
        Self {
            problems,
            rendered,
            ..Self::default()
        }
    }

    /// Bad input that has no place in a text.
    pub(crate) fn plain(code: &str, message: impl Into<String>, help: Option<String>) -> Self {
        let problem = Problem {
            help,
            ..Problem::plain(code, message)
        };
        let mut rendered = format!("{}\n", problem.one_line());
        if let Some(help) = &problem.help {
            rendered.push_str(&format!("  help: {help}\n"));
        }
        Self::bad_input(vec![problem], rendered)
    }

    /// Sound input for which no answer exists.
    pub(crate) fn no(code: &str, message: impl Into<String>) -> Self {
        Self {
            answer_is_no: true,
            ..Self::plain(code, message, None)
        }
    }

    /// Puts what another step found behind what this one did.
    pub(crate) fn and(mut self, other: Self) -> Self {
        self.problems.extend(other.problems);
        self.rendered.push_str(&other.rendered);
        self.unused.extend(other.unused);
        self.answer_is_no &= other.answer_is_no;
        self
    }

    /// The same, keeping readings that were typed.
    pub(crate) fn keeping(mut self, typed: &[String]) -> Self {
        self.unused = typed.to_vec();
        self
    }

    pub(crate) fn status(&self) -> Status {
        if self.answer_is_no {
            Status::AnswerIsNo
        } else {
            Status::BadInput
        }
    }

    /// For standard error.
    pub(crate) fn text(&self) -> String {
        let mut text = self.rendered.clone();
        if !self.unused.is_empty() {
            text.push_str(
                "\nThe readings typed were not used. As lines of a sheet, so that none is lost:\n",
            );
            for typed in &self.unused {
                match typed.split_once('=') {
                    Some((point, value)) => {
                        text.push_str(&format!("  volts {} {}\n", point.trim(), value.trim()));
                    }
                    None => text.push_str(&format!("  {typed}\n")),
                }
            }
        }
        text
    }

    /// The findings alone.
    pub(crate) fn into_problems(self) -> Vec<Problem> {
        self.problems
    }

    /// For a program, on standard output.
    pub(crate) fn json(&self) -> anyhow::Result<String> {
        Ok(json::errors(&self.problems, &self.unused)?)
    }
}

impl From<anyhow::Error> for Failure {
    fn from(error: anyhow::Error) -> Self {
        Self::plain("output", format!("{error:#}"), None)
    }
}
