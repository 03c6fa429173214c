//! Why a command has no answer.

use crate::Status;
use crate::files::Refusal;
use crate::findings::Findings;
use deadstage_netlist::visible;
use deadstage_report::{Problem, json};

/// Everything that stood in the way, found in one run.
#[derive(Debug, Default)]
pub(crate) struct Failure {
    findings: Findings,
    /// Readings typed on the command line, as lines of a sheet.
    unused: Vec<String>,
    /// The input was sound, but there is no answer to it.
    answer_is_no: bool,
}

impl Failure {
    /// Bad input that has no place in a text.
    pub(crate) fn plain(code: &str, message: impl Into<String>, help: Option<String>) -> Self {
        Findings::plain(Problem {
            help,
            ..Problem::plain(code, message)
        })
        .into()
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
        self.findings.join(other.findings);
        self.unused.extend(other.unused);
        self.answer_is_no &= other.answer_is_no;
        self
    }

    /// The same, with what an earlier step remarked before it.
    pub(crate) fn after(mut self, mut earlier: Findings) -> Self {
        earlier.join(self.findings);
        self.findings = earlier;
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
        self.findings.text() + &self.unused_text()
    }

    /// The readings that were typed, as lines of a sheet.
    pub(crate) fn unused_text(&self) -> String {
        if self.unused.is_empty() {
            return String::new();
        }
        let mut text =
            "\nThe readings typed were not used. As lines of a sheet, so that none is lost:\n"
                .to_owned();
        for typed in &self.unused {
            let typed = visible(typed);
            match typed.split_once('=') {
                Some((point, value)) => {
                    text.push_str(&format!("  volts {} {}\n", point.trim(), value.trim()));
                }
                None => text.push_str(&format!("  {typed}\n")),
            }
        }
        text
    }

    /// The findings alone.
    pub(crate) fn into_findings(self) -> Findings {
        self.findings
    }

    /// For a program, on standard output.
    pub(crate) fn json(&self) -> anyhow::Result<String> {
        let problems: Vec<Problem> = self.findings.problems().cloned().collect();
        let unlisted = self.findings.unlisted();
        Ok(json::errors(&problems, unlisted, &self.unused)?)
    }
}

impl From<Findings> for Failure {
    fn from(findings: Findings) -> Self {
        Self {
            findings,
            ..Self::default()
        }
    }
}

impl From<Refusal> for Failure {
    fn from(refusal: Refusal) -> Self {
        Self::plain(refusal.code, refusal.message, refusal.help)
    }
}

impl From<anyhow::Error> for Failure {
    fn from(error: anyhow::Error) -> Self {
        Self::plain("output", format!("{error:#}"), None)
    }
}
