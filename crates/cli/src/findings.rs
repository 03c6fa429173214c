//! What is wrong with the texts of one run: so many findings at length, the others counted.

use deadstage_netlist::{Diagnostic, MOST_FINDINGS, SourceMap, Unlisted, render, visible};
use deadstage_report::Problem;

/// One finding.
#[derive(Clone, Debug)]
struct Finding {
    /// For programs.
    problem: Problem,
    /// The same at length, for people: the place, a caret, what would be right.
    shown: String,
}

/// Findings about any number of texts, at most [`MOST_FINDINGS`] of them kept, errors first.
#[derive(Clone, Debug, Default)]
pub(crate) struct Findings {
    listed: Vec<Finding>,
    unlisted: Unlisted,
}

impl Findings {
    /// Those about one text or a group of texts that include each other, and how many more there are.
    pub(crate) fn of(diagnostics: &[Diagnostic], unlisted: Unlisted, sources: &SourceMap) -> Self {
        let is_error: Vec<bool> = diagnostics.iter().map(Diagnostic::is_error).collect();
        let kept = kept(&is_error);
        let mut findings = Self {
            listed: Vec::new(),
            unlisted,
        };
        for (diagnostic, keep) in diagnostics.iter().zip(kept) {
            if !keep {
                findings.leave_out(diagnostic.is_error());
                continue;
            }
            let mut shown = render(diagnostic, sources, true);
            while !shown.ends_with("\n\n") {
                shown.push('\n');
            }
            findings.listed.push(Finding {
                problem: Problem::of(diagnostic, sources),
                shown,
            });
        }
        findings
    }

    /// One that has no place in a text.
    pub(crate) fn plain(problem: Problem) -> Self {
        let mut shown = format!("{}\n", problem.one_line());
        if let Some(help) = &problem.help {
            shown.push_str(&format!("  help: {}\n", visible(help)));
        }
        Self {
            listed: vec![Finding { problem, shown }],
            unlisted: Unlisted::default(),
        }
    }

    /// Puts other findings behind these, as far as there is room.
    pub(crate) fn join(&mut self, other: Self) {
        self.unlisted += other.unlisted;
        self.listed.extend(other.listed);
        let is_error: Vec<bool> = self.listed.iter().map(|f| f.problem.error).collect();
        let mut kept = kept(&is_error).into_iter();
        let all = std::mem::take(&mut self.listed);
        for finding in all {
            if kept.next() == Some(true) {
                self.listed.push(finding);
            } else {
                self.leave_out(finding.problem.error);
            }
        }
    }

    fn leave_out(&mut self, error: bool) {
        if error {
            self.unlisted.errors += 1;
        } else {
            self.unlisted.warnings += 1;
        }
    }

    /// Whether any of it stops the work.
    pub(crate) fn stops(&self) -> bool {
        self.problems().any(|problem| problem.error)
    }

    /// The findings listed, for programs.
    pub(crate) fn problems(&self) -> impl Iterator<Item = &Problem> {
        self.listed.iter().map(|finding| &finding.problem)
    }

    /// How many there are beside those listed.
    pub(crate) fn unlisted(&self) -> Unlisted {
        self.unlisted
    }

    /// For people: those listed at length, and how many others there are.
    pub(crate) fn text(&self) -> String {
        let mut text: String = self.listed.iter().map(|f| f.shown.as_str()).collect();
        text.push_str(&and_others(self.unlisted));
        text
    }
}

/// Which of these findings are kept: every error that there is room for, then warnings.
fn kept(is_error: &[bool]) -> Vec<bool> {
    let errors = is_error.iter().filter(|error| **error).count();
    let mut errors_left = errors.min(MOST_FINDINGS);
    let mut warnings_left = MOST_FINDINGS - errors_left;
    is_error
        .iter()
        .map(|error| {
            let left = if *error {
                &mut errors_left
            } else {
                &mut warnings_left
            };
            let keep = *left > 0;
            *left = left.saturating_sub(1);
            keep
        })
        .collect()
}

/// `... and 3 more errors, 1 more warning`; nothing if there are none.
fn and_others(unlisted: Unlisted) -> String {
    let count = |number: usize, what: &str| match number {
        0 => None,
        1 => Some(format!("1 more {what}")),
        _ => Some(format!("{number} more {what}s")),
    };
    let counts = [
        count(unlisted.errors, "error"),
        count(unlisted.warnings, "warning"),
    ];
    let said: Vec<String> = counts.into_iter().flatten().collect();
    if said.is_empty() {
        return String::new();
    }
    format!("... and {}\n", said.join(", "))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn some(errors: usize, warnings: usize) -> Findings {
        let mut all = Findings::default();
        for number in 0..errors + warnings {
            let mut problem = Problem::plain("test", format!("finding {number}"));
            problem.error = number >= warnings;
            all.join(Findings::plain(problem));
        }
        all
    }

    #[test]
    fn errors_come_before_warnings_when_there_is_room_for_fifty() {
        let all = some(20, 60);
        assert_eq!(all.problems().filter(|p| p.error).count(), 20);
        assert_eq!(all.problems().count(), MOST_FINDINGS);
        assert_eq!(
            all.unlisted(),
            Unlisted {
                errors: 0,
                warnings: 30
            }
        );
        assert!(all.text().ends_with("... and 30 more warnings\n"));
        // In the order in which they came.
        assert!(all.text().starts_with("warning: finding 0\n"));
    }

    #[test]
    fn what_is_left_out_is_counted() {
        let all = some(51, 1);
        assert!(
            all.text()
                .ends_with("error: finding 50\n... and 1 more error, 1 more warning\n"),
            "{}",
            all.text()
        );
        assert!(all.stops());
        assert_eq!(and_others(Unlisted::default()), "");
    }
}
