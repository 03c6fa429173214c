//! `deadstage.errors/1`: bad input, for programs.

use super::document;
use crate::problem::Problem;
use serde::Serialize;

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    errors: Vec<Entry<'a>>,
    #[serde(skip_serializing_if = "<[String]>::is_empty")]
    unused: &'a [String],
}

#[derive(Serialize)]
pub(super) struct Entry<'a> {
    file: Option<&'a str>,
    line: Option<usize>,
    column: Option<usize>,
    severity: &'static str,
    code: &'a str,
    message: &'a str,
    help: Option<&'a str>,
}

impl<'a> Entry<'a> {
    pub(super) fn of(problem: &'a Problem) -> Self {
        Self {
            file: problem.file.as_deref(),
            line: problem.line,
            column: problem.column,
            severity: if problem.error { "error" } else { "warning" },
            code: &problem.code,
            message: &problem.message,
            help: problem.help.as_deref(),
        }
    }
}

/// What is wrong with the input, and the words of the command line that were
/// therefore not used (`unused`, left out if there are none).
///
/// # Errors
/// If the document cannot be written as JSON.
pub fn errors(problems: &[Problem], unused: &[String]) -> Result<String, serde_json::Error> {
    document(&Document {
        schema: "deadstage.errors/1",
        errors: problems.iter().map(Entry::of).collect(),
        unused,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::{Value, json};

    #[test]
    fn what_was_typed_is_kept() -> Result<(), serde_json::Error> {
        let problem = Problem {
            file: Some("x.stage".to_owned()),
            line: Some(3),
            column: Some(8),
            error: true,
            code: "unknown-keyword".to_owned(),
            message: "`resistr` is no statement".to_owned(),
            help: Some("write `resistor`".to_owned()),
        };
        let found: Value = serde_json::from_str(&errors(&[problem], &["plate1=248".to_owned()])?)?;
        assert_eq!(
            found,
            json!({"schema": "deadstage.errors/1",
                   "errors": [{"file": "x.stage", "line": 3, "column": 8, "severity": "error",
                               "code": "unknown-keyword", "message": "`resistr` is no statement",
                               "help": "write `resistor`"}],
                   "unused": ["plate1=248"]})
        );
        Ok(())
    }
}
