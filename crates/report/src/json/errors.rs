//! `deadstage.errors/1`: bad input, for programs.

use super::document;
use crate::problem::Problem;
use deadstage_netlist::{Unlisted, visible};
use serde::Serialize;
use std::borrow::Cow;

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    errors: Vec<Entry<'a>>,
    #[serde(skip_serializing_if = "Option::is_none")]
    unlisted: Option<Others>,
    #[serde(skip_serializing_if = "<[String]>::is_empty")]
    unused: &'a [String],
}

/// How many findings there are beside those listed.
#[derive(Serialize)]
pub(super) struct Others {
    errors: usize,
    warnings: usize,
}

impl Others {
    pub(super) fn of(unlisted: Unlisted) -> Option<Self> {
        let Unlisted { errors, warnings } = unlisted;
        (unlisted != Unlisted::default()).then_some(Self { errors, warnings })
    }
}

#[derive(Serialize)]
pub(super) struct Entry<'a> {
    file: Option<&'a str>,
    line: Option<usize>,
    column: Option<usize>,
    severity: &'static str,
    code: &'a str,
    message: Cow<'a, str>,
    help: Option<Cow<'a, str>>,
}

impl<'a> Entry<'a> {
    pub(super) fn of(problem: &'a Problem) -> Self {
        Self {
            file: problem.file.as_deref(),
            line: problem.line,
            column: problem.column,
            severity: if problem.error { "error" } else { "warning" },
            code: &problem.code,
            message: visible(&problem.message),
            help: problem.help.as_deref().map(visible),
        }
    }
}

/// What is wrong with the input, how many findings more there are (`unlisted`, left out if none are),
/// and the words of the command line that were therefore not used (`unused`, likewise).
///
/// # Errors
/// If the document cannot be written as JSON.
pub fn errors(
    problems: &[Problem],
    unlisted: Unlisted,
    unused: &[String],
) -> Result<String, serde_json::Error> {
    document(&Document {
        schema: "deadstage.errors/1",
        errors: problems.iter().map(Entry::of).collect(),
        unlisted: Others::of(unlisted),
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
        let found: Value = serde_json::from_str(&errors(
            &[problem],
            Unlisted::default(),
            &["plate1=248".to_owned()],
        )?)?;
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

    #[test]
    fn what_is_not_listed_is_counted() -> Result<(), serde_json::Error> {
        let unlisted = Unlisted {
            errors: 7,
            warnings: 0,
        };
        let found: Value = serde_json::from_str(&errors(&[], unlisted, &[])?)?;
        assert_eq!(found["unlisted"], json!({"errors": 7, "warnings": 0}));
        assert!(found.get("unused").is_none());
        Ok(())
    }

    #[test]
    fn a_message_shows_what_it_quotes() -> Result<(), serde_json::Error> {
        let problem = Problem::plain("stray", "`\u{1b}[31m\u{202e}` means nothing");
        let text = errors(&[problem], Unlisted::default(), &["a\u{200b}=1".to_owned()])?;
        assert!(
            !text
                .chars()
                .any(|c| c != '\n' && deadstage_netlist::is_hidden(c))
        );
        let found: Value = serde_json::from_str(&text)?;
        assert_eq!(
            found["errors"][0]["message"],
            "`\\u{1b}[31m\\u{202e}` means nothing"
        );
        // What was typed is given back as it was.
        assert_eq!(found["unused"][0], "a\u{200b}=1");
        Ok(())
    }
}
