//! A text of one file that begins with its title: the readings sheet, the rates file.

use crate::cursor::{Cursor, Outcome};
use crate::diagnostic::Diagnostic;
use crate::findings::Findings;
use crate::kinds::Kind;
use crate::lex::{Statement, Token, statements};
use crate::span::{FileId, SourceMap, Span};

/// What such a text is, and whether its title was met.
pub(crate) struct Titled {
    kind: &'static Kind,
    titled: Option<Span>,
    /// Whether any statement was met.
    any: bool,
}

impl Titled {
    pub(crate) fn new(kind: &'static Kind) -> Self {
        Self {
            kind,
            titled: None,
            any: false,
        }
    }

    /// Reports a text that does not begin with its title, at its first statement.
    pub(crate) fn begins(&self, cursor: &mut Cursor<'_, '_>, first: Token<'_>) {
        if self.any || first.text == self.kind.keyword || self.titled.is_some() {
            return;
        }
        cursor.notes.push(self.kind.no_title(first.span));
    }

    /// The rest of the title's statement.
    pub(crate) fn title(&mut self, cursor: &mut Cursor<'_, '_>) -> Outcome<String> {
        let title = cursor.text("the title")?;
        cursor.finish()?;
        if let Some(earlier) = self.titled {
            return Err(Diagnostic::error(
                "repeated-statement",
                cursor.span,
                format!("{} has one title", self.kind.what),
            )
            .label("second title")
            .related(earlier, "first title")
            .into());
        }
        self.titled = Some(cursor.span);
        if self.any {
            cursor.notes.push(
                Diagnostic::error(
                    "title-not-first",
                    cursor.span,
                    "the title is not the first statement",
                )
                .label("belongs at the top"),
            );
        }
        Ok(title)
    }
}

/// Something that reads such a text, one statement after another.
pub(crate) trait Reads {
    fn titled(&mut self) -> &mut Titled;
    fn statement(&mut self, cursor: &mut Cursor<'_, '_>, statement: &Statement<'_>) -> Outcome<()>;
}

/// Hands every statement of the text to `reader`; gives the text as it is kept, and the findings.
pub(crate) fn read(name: &str, text: &str, reader: &mut impl Reads) -> (SourceMap, Findings) {
    let kind = reader.titled().kind;
    let mut findings = Findings::default();
    let (source, too_long) = Kind::source(name, text, FileId(0));
    let sources = SourceMap {
        files: vec![source],
    };
    if let Some(too_long) = too_long {
        findings.push(too_long);
        return (sources, findings);
    }
    let found = statements(text, FileId(0), 0, &mut findings);
    if let Some(mistaken) = kind.mistaken(&found) {
        findings.push(mistaken);
        return (sources, findings);
    }
    if found.is_empty() && findings.is_empty() {
        findings.push(kind.empty(text, FileId(0)));
    }
    for statement in found {
        if !statement.broken {
            let mut cursor = Cursor::new(&statement);
            let outcome = reader.statement(&mut cursor, &statement);
            findings.report(cursor.notes, outcome.err());
        }
        reader.titled().any = true;
    }
    (sources, findings)
}
