//! What is wrong with a text: plain data, rendered elsewhere.

use crate::span::Span;

/// How bad it is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Severity {
    /// The file means something, though perhaps not what its writer wanted.
    Warning,
    /// The statement could not be understood or cannot hold.
    Error,
}

/// A second place that bears on a diagnostic, such as the first declaration
/// of a name declared twice.
#[derive(Clone, Debug, PartialEq)]
pub struct Related {
    /// Where.
    pub span: Span,
    /// What stands there.
    pub label: String,
}

/// How many findings were met beyond those that are kept.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Unlisted {
    /// Errors.
    pub errors: usize,
    /// Warnings.
    pub warnings: usize,
}

impl std::ops::AddAssign for Unlisted {
    fn add_assign(&mut self, other: Self) {
        self.errors += other.errors;
        self.warnings += other.warnings;
    }
}

/// One finding about a text.
///
/// `message` is the single sentence to show where only one fits; `label`
/// stands under the caret; `help` says what would be right.
#[derive(Clone, Debug, PartialEq)]
pub struct Diagnostic {
    /// A stable name for the kind of finding, kebab case: `unknown-keyword`.
    pub code: &'static str,
    /// How bad it is.
    pub severity: Severity,
    /// What is wrong.
    pub message: String,
    /// Where.
    pub span: Span,
    /// Short text under the caret; may be empty.
    pub label: String,
    /// Other places that matter.
    pub related: Vec<Related>,
    /// What would be right.
    pub help: Option<String>,
}

impl Diagnostic {
    /// A finding that makes its statement void.
    pub fn error(code: &'static str, span: Span, message: impl Into<String>) -> Self {
        Self {
            code,
            severity: Severity::Error,
            message: message.into(),
            span,
            label: String::new(),
            related: Vec::new(),
            help: None,
        }
    }

    /// A finding that leaves its statement standing.
    pub fn warning(code: &'static str, span: Span, message: impl Into<String>) -> Self {
        Self {
            severity: Severity::Warning,
            ..Self::error(code, span, message)
        }
    }

    /// Whether it makes its statement void.
    pub fn is_error(&self) -> bool {
        self.severity == Severity::Error
    }

    /// Short text under the caret.
    #[must_use]
    pub fn label(mut self, label: impl Into<String>) -> Self {
        self.label = label.into();
        self
    }

    /// What would be right.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }

    /// Another place that matters.
    #[must_use]
    pub fn related(mut self, span: Span, label: impl Into<String>) -> Self {
        self.related.push(Related {
            span,
            label: label.into(),
        });
        self
    }

    /// `help` asking whether `word` was meant, if there is one.
    #[must_use]
    pub(crate) fn did_you_mean(self, word: Option<&str>) -> Self {
        match word {
            Some(word) => self.help(format!("did you mean `{word}`?")),
            None => self,
        }
    }
}
