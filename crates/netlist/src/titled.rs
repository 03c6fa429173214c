//! A text of one file that begins with its title: the readings sheet, the rates file.

use std::sync::Arc;

use crate::cursor::{Cursor, Fault, Outcome};
use crate::diagnostic::Diagnostic;
use crate::lex::{Statement, Token, statements};
use crate::span::{FileId, SourceMap, Span};

/// What such a text is, and whether its title was met.
pub(crate) struct Titled {
    /// The keyword of the title.
    keyword: &'static str,
    /// `a readings sheet`.
    what: &'static str,
    titled: Option<Span>,
    /// Whether any statement was met.
    any: bool,
}

impl Titled {
    pub(crate) fn new(keyword: &'static str, what: &'static str) -> Self {
        Self {
            keyword,
            what,
            titled: None,
            any: false,
        }
    }

    /// Reports a text that does not begin with its title, at its first statement.
    pub(crate) fn begins(&self, cursor: &mut Cursor<'_, '_>, first: Token<'_>) {
        if self.any || first.text == self.keyword || self.titled.is_some() {
            return;
        }
        cursor.notes.push(self.missing(first.span));
    }

    /// Whether no title was read.
    pub(crate) fn is_missing(&self) -> bool {
        self.titled.is_none()
    }

    /// That the text does not begin with its title, at what it begins with.
    pub(crate) fn missing(&self, first: Span) -> Diagnostic {
        let Self { keyword, what, .. } = self;
        Diagnostic::error("no-title", first, format!("{what} begins with its title"))
            .label(format!("`{keyword}` should stand before this"))
            .help(format!("begin the file with `{keyword} \"TITLE\"`"))
    }

    /// The rest of the title's statement.
    pub(crate) fn title(&mut self, cursor: &mut Cursor<'_, '_>) -> Outcome<String> {
        let title = cursor.text("the title")?;
        cursor.finish()?;
        if let Some(earlier) = self.titled {
            return Err(Diagnostic::error(
                "repeated-statement",
                cursor.span,
                format!("{} has one title", self.what),
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

/// Hands every statement to its reader; gives the findings, in the order of the text.
pub(crate) fn read(sources: &SourceMap, reader: &mut impl Reads) -> Vec<Diagnostic> {
    let mut diagnostics = Vec::new();
    if let Some(text) = sources.files.first().map(|file| Arc::clone(&file.text))
        && u32::try_from(text.len()).is_ok()
    {
        for statement in statements(&text, FileId(0), 0, &mut diagnostics) {
            if !statement.broken {
                let mut cursor = Cursor::new(&statement);
                let outcome = reader.statement(&mut cursor, &statement);
                diagnostics.append(&mut cursor.notes);
                if let Err(Fault::Say(diagnostic)) = outcome {
                    diagnostics.push(*diagnostic);
                }
            }
            reader.titled().any = true;
        }
    }
    diagnostics.sort_by_key(|d| d.span.start);
    diagnostics
}
