//! Whether there is room for one more of something.

use crate::cursor::{Fault, Outcome};
use crate::diagnostic::Diagnostic;
use crate::span::Span;

/// What there was no room for. It is said of the first that is too many; the others follow from it.
#[derive(Debug, Default)]
pub(crate) struct Room {
    full: Vec<&'static str>,
}

impl Room {
    /// Fails where there are `most` of `what` already.
    pub(crate) fn for_one_more(
        &mut self,
        met: usize,
        most: usize,
        what: &'static str,
        at: Span,
    ) -> Outcome<()> {
        if met < most {
            return Ok(());
        }
        if self.full.contains(&what) {
            return Err(Fault::Follows);
        }
        self.full.push(what);
        Err(
            Diagnostic::error("too-many", at, format!("there are more than {most} {what}"))
                .label("one too many; this and all below are left out")
                .into(),
        )
    }
}
