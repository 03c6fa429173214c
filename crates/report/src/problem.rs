//! Findings about the text of a file, as a report carries them.

use deadstage_netlist::{Diagnostic, Severity, SourceMap, Unlisted, visible};
use deadstage_reason::Check;

/// One finding, with its place told in lines and columns.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Problem {
    /// The file as the user named it; `None` for a word of the command line.
    pub file: Option<String>,
    /// Line from 1.
    pub line: Option<usize>,
    /// Column from 1, in characters.
    pub column: Option<usize>,
    /// Whether it stops the work.
    pub error: bool,
    /// Stable name of the kind of finding.
    pub code: String,
    /// What is wrong.
    pub message: String,
    /// What would be right.
    pub help: Option<String>,
}

impl Problem {
    /// The problem that `diagnostic` tells of, its place looked up in `sources`.
    pub fn of(diagnostic: &Diagnostic, sources: &SourceMap) -> Self {
        let place = sources.locate(diagnostic.span);
        Self {
            file: place.map(|(file, _, _)| file.to_owned()),
            line: place.map(|(_, line, _)| line),
            column: place.map(|(_, _, column)| column),
            error: diagnostic.severity == Severity::Error,
            code: diagnostic.code.to_owned(),
            message: diagnostic.message.clone(),
            help: diagnostic.help.clone(),
        }
    }

    /// A problem that has no place in any text, such as a file that cannot be read.
    pub fn plain(code: &str, message: impl Into<String>) -> Self {
        Self {
            file: None,
            line: None,
            column: None,
            error: true,
            code: code.to_owned(),
            message: message.into(),
            help: None,
        }
    }

    /// One line: `file:3:8: error: what is wrong`, hidden characters as escapes.
    pub fn one_line(&self) -> String {
        let mut said = String::new();
        if let Some(file) = &self.file {
            said.push_str(&visible(file));
            if let (Some(line), Some(column)) = (self.line, self.column) {
                said.push_str(&format!(":{line}:{column}"));
            }
            said.push_str(": ");
        }
        said.push_str(if self.error { "error: " } else { "warning: " });
        said.push_str(&visible(&self.message));
        said
    }
}

/// One stage file held against its print: what the text suffers from, and
/// what the circuit does.
#[derive(Clone, Debug, PartialEq)]
pub struct FileCheck {
    /// The file as the user named it.
    pub path: String,
    /// Findings about the text and the wiring.
    pub problems: Vec<Problem>,
    /// How many more there are.
    pub unlisted: Unlisted,
    /// The answer; `None` if the text could not be used.
    pub outcome: Option<Check>,
}

impl FileCheck {
    /// Whether the text could be used.
    pub fn readable(&self) -> bool {
        self.outcome.is_some() && !self.problems.iter().any(|problem| problem.error)
    }

    /// Whether the text is sound, every setting solves and the print is kept.
    pub fn pass(&self) -> bool {
        self.readable() && self.outcome.as_ref().is_some_and(Check::pass)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    use deadstage_netlist::{FileId, Span};

    #[test]
    fn a_finding_is_told_with_its_place() {
        let text = "one\n2 kΩ x\n";
        let sources = SourceMap::single("a.stage", text);
        let start = u32::try_from(text.find('x').unwrap_or(0)).unwrap_or(0);
        let diagnostic = Diagnostic {
            code: "stray",
            severity: Severity::Warning,
            message: "`x` means nothing here".to_owned(),
            span: Span {
                file: FileId(0),
                start,
                end: start + 1,
            },
            label: String::new(),
            related: Vec::new(),
            help: None,
        };
        let problem = Problem::of(&diagnostic, &sources);
        assert_eq!(
            problem.one_line(),
            "a.stage:2:6: warning: `x` means nothing here"
        );
        assert!(!problem.error);
        let plain = Problem::plain("unreadable", "no such file");
        assert_eq!(plain.one_line(), "error: no such file");
    }
}
