//! Findings as they are met: the first of each severity kept, the others counted.

use crate::bounds::MOST_FINDINGS;
use crate::cursor::Fault;
use crate::diagnostic::{Diagnostic, Severity, Unlisted};

/// What is wrong with one text. However much it is, it takes little memory.
#[derive(Clone, Debug, Default)]
pub(crate) struct Findings {
    kept: Vec<Diagnostic>,
    errors: usize,
    warnings: usize,
}

impl Findings {
    /// Those of an earlier reader.
    pub(crate) fn of(kept: Vec<Diagnostic>, unlisted: Unlisted) -> Self {
        let errors = kept.iter().filter(|finding| finding.is_error()).count();
        Self {
            errors: errors + unlisted.errors,
            warnings: kept.len() - errors + unlisted.warnings,
            kept,
        }
    }

    pub(crate) fn push(&mut self, finding: Diagnostic) {
        let met = match finding.severity {
            Severity::Error => &mut self.errors,
            Severity::Warning => &mut self.warnings,
        };
        *met += 1;
        if *met <= MOST_FINDINGS {
            self.kept.push(finding);
        }
    }

    pub(crate) fn extend(&mut self, findings: impl IntoIterator<Item = Diagnostic>) {
        for finding in findings {
            self.push(finding);
        }
    }

    /// What a statement noted, and why it was given up if it was, in the order of the text.
    pub(crate) fn report(&mut self, notes: Vec<Diagnostic>, fault: Option<Fault>) {
        self.extend(notes);
        if let Some(Fault::Say(finding)) = fault {
            self.push(*finding);
        }
    }

    /// Whether a finding of this kind is among those kept.
    pub(crate) fn has(&self, code: &str) -> bool {
        self.kept.iter().any(|finding| finding.code == code)
    }

    /// The first finding, if there is any.
    pub(crate) fn into_first(self) -> Option<Diagnostic> {
        self.kept.into_iter().next()
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.kept.is_empty()
    }

    /// Those kept, in the order of the text, and how many more there were.
    pub(crate) fn finish(mut self) -> (Vec<Diagnostic>, Unlisted) {
        self.kept.sort_by_key(|d| (d.span.file, d.span.start));
        let unlisted = Unlisted {
            errors: self.errors.saturating_sub(MOST_FINDINGS),
            warnings: self.warnings.saturating_sub(MOST_FINDINGS),
        };
        (self.kept, unlisted)
    }
}
