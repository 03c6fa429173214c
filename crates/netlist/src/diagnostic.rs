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
