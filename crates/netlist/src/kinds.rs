//! The kinds of file that are read, and what is no such file: one that is too long, or of another kind.

use std::sync::Arc;

use crate::bounds::{MOST_BYTES, file_too_long};
use crate::diagnostic::Diagnostic;
use crate::lex::Statement;
use crate::span::{FileId, SourceFile, Span};

/// A kind of file.
#[derive(Debug, PartialEq, Eq)]
pub(crate) struct Kind {
    /// The keyword of its title, with which it begins.
    pub(crate) keyword: &'static str,
    /// What to call it: `a stage file`.
    pub(crate) what: &'static str,
}

pub(crate) const STAGE: Kind = Kind {
    keyword: "stage",
    what: "a stage file",
};

pub(crate) const READINGS: Kind = Kind {
    keyword: "readings",
    what: "a readings sheet",
};

pub(crate) const RATES: Kind = Kind {
    keyword: "rates",
    what: "a rates file",
};

impl Kind {
    /// The text as it is kept, and what is wrong with it as a whole; of one that is too long nothing is kept.
    pub(crate) fn source(name: &str, text: &str, file: FileId) -> (SourceFile, Option<Diagnostic>) {
        let too_long = (text.len() > MOST_BYTES).then(|| {
            let start = Span {
                file,
                start: 0,
                end: 0,
            };
            Diagnostic::error("file-too-long", start, file_too_long(name))
        });
        let source = SourceFile {
            name: name.to_owned(),
            text: Arc::from(if too_long.is_some() { "" } else { text }),
        };
        (source, too_long)
    }

    /// That a text is of another kind, if it begins so: nothing in it would be understood.
    pub(crate) fn mistaken(&self, found: &[Statement<'_>]) -> Option<Diagnostic> {
        let first = found.first()?;
        let other = [&STAGE, &READINGS, &RATES]
            .into_iter()
            .find(|other| other.keyword == first.keyword() && *other != self)?;
        let Self { keyword, what } = self;
        Some(
            Diagnostic::error(
                "another-kind-of-file",
                first.span,
                format!("this is {}, and {what} should be here", other.what),
            )
            .label("begins as one")
            .help(format!("{what} begins with `{keyword} \"TITLE\"`")),
        )
    }

    /// That the title is missing, at what stands in its place.
    pub(crate) fn no_title(&self, at: Span) -> Diagnostic {
        let Self { keyword, what } = self;
        Diagnostic::error("no-title", at, format!("{what} begins with its title"))
            .label(format!("`{keyword}` should stand before this"))
            .help(format!("begin the file with `{keyword} \"TITLE\"`"))
    }

    /// That there is no statement in a text.
    pub(crate) fn empty(&self, text: &str, file: FileId) -> Diagnostic {
        let Self { keyword, what } = self;
        let blank = text
            .trim_matches(['\u{feff}', ' ', '\t', '\r', '\n'])
            .is_empty();
        let holds = if blank {
            "is empty"
        } else {
            "holds comments only"
        };
        let start = Span {
            file,
            start: 0,
            end: 0,
        };
        let message = format!("the file {holds}: {what} begins with its title");
        Diagnostic::error("no-title", start, message)
            .help(format!("begin the file with `{keyword} \"TITLE\"`"))
    }
}
