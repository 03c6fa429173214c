//! A finding as text for people: the place, the line, a caret under it, the help.
//!
//! The drawing is done by `annotate-snippets`; nothing of it shows outside this file.

use std::borrow::Cow;
use std::ops::Range;

use annotate_snippets::{AnnotationKind, Element, Level, Origin, Renderer, Snippet};

use crate::diagnostic::{Diagnostic, Severity};
use crate::excerpt::{Excerpt, NEAR};
use crate::span::{SourceFile, SourceMap, Span, line_number};
use crate::visible::visible;

/// Shows a finding with its line and a caret under the place, ending in a
/// line feed.
///
/// Lines are cut to a sensible width, and hidden characters are shown as escapes
/// ([`visible`]). `colour` adds the escape codes of a terminal. A span that is not of
/// `sources` leaves the finding without its line.
pub fn render(diagnostic: &Diagnostic, sources: &SourceMap, colour: bool) -> String {
    let level = match diagnostic.severity {
        Severity::Error => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let marks = marks(diagnostic);
    let pieces = pieces(&marks, sources);
    let mut report = level
        .primary_title(visible(&diagnostic.message))
        .id(diagnostic.code)
        .elements(pieces.iter().map(Piece::element));
    if let Some(help) = &diagnostic.help {
        report = report.element(Level::HELP.message(visible(help)));
    }
    let renderer = if colour {
        Renderer::styled()
    } else {
        Renderer::plain()
    };
    let mut text = renderer.render(&[report]);
    text.push('\n');
    text
}

/// A mark on a file: what stands where.
struct Mark<'a> {
    span: Span,
    label: &'a str,
    kind: AnnotationKind,
}

/// Lines of one file with the marks on them.
struct Piece<'a> {
    path: Cow<'a, str>,
    /// Number of the first line.
    line: usize,
    excerpt: Excerpt,
    marks: Vec<&'a Mark<'a>>,
}

/// The finding's own place, then the others that it names.
fn marks(diagnostic: &Diagnostic) -> Vec<Mark<'_>> {
    let own = Mark {
        span: diagnostic.span,
        label: &diagnostic.label,
        kind: AnnotationKind::Primary,
    };
    let others = diagnostic.related.iter().map(|related| Mark {
        span: related.span,
        label: &related.label,
        kind: AnnotationKind::Context,
    });
    std::iter::once(own).chain(others).collect()
}

/// The pieces of text that a finding is about, that of the finding itself first.
fn pieces<'a>(marks: &'a [Mark<'a>], sources: &'a SourceMap) -> Vec<Piece<'a>> {
    let mut shown = Vec::new();
    let mut pieces: Vec<Piece<'a>> = Vec::new();
    for mark in marks {
        let file = mark.span.file;
        if shown.contains(&file) {
            continue;
        }
        shown.push(file);
        let of_file = marks.iter().filter(|m| m.span.file == file);
        if let Some(source) = sources.files.get(file.0 as usize) {
            pieces.extend(pieces_of(source, of_file.collect()));
        }
    }
    pieces
}

/// The pieces of one file: one, or several where its marks lie far apart.
fn pieces_of<'a>(source: &'a SourceFile, marks: Vec<&'a Mark<'a>>) -> Vec<Piece<'a>> {
    let text: &str = &source.text;
    let mut placed: Vec<(Range<usize>, usize)> = marks
        .iter()
        .enumerate()
        .map(|(index, mark)| (on_one_line(text, mark.span), index))
        .collect();
    placed.sort_by_key(|(range, _)| range.start);
    let mut groups: Vec<Vec<(Range<usize>, usize)>> = Vec::new();
    for place in placed {
        match groups.last_mut() {
            Some(group) if is_near(text, group, place.0.start) => group.push(place),
            _ => groups.push(vec![place]),
        }
    }
    // The finding's own mark is the first given.
    groups.sort_by_key(|group| group.iter().map(|(_, index)| *index).min());
    groups
        .into_iter()
        .map(|mut group| {
            group.sort_by_key(|(_, index)| *index);
            let ranges: Vec<Range<usize>> = group.iter().map(|(range, _)| range.clone()).collect();
            let first = ranges.iter().map(|range| range.start).min().unwrap_or(0);
            Piece {
                path: visible(&source.name),
                line: line_number(text, first),
                excerpt: Excerpt::of(text, &ranges),
                marks: group.iter().map(|(_, index)| marks[*index]).collect(),
            }
        })
        .collect()
}

/// Whether a place is but a few lines below the last of these.
fn is_near(text: &str, group: &[(Range<usize>, usize)], start: usize) -> bool {
    group.last().is_some_and(|(last, _)| {
        let between = &text.as_bytes()[last.start..start];
        between
            .iter()
            .filter(|&&byte| byte == b'\n')
            .take(NEAR + 1)
            .count()
            <= NEAR
    })
}

impl Piece<'_> {
    fn element(&self) -> Element<'_> {
        if self.excerpt.text.is_empty() {
            // There is nothing to point at: an empty file, or one that was not kept.
            return Origin::path(self.path.as_ref()).into();
        }
        let marks = self.excerpt.marks.iter().zip(&self.marks);
        Snippet::source(self.excerpt.text.as_str())
            .line_start(self.line)
            .path(self.path.as_ref())
            .fold(true)
            .annotations(marks.map(|(range, mark)| {
                let annotation = mark.kind.span(range.clone());
                match mark.label {
                    "" => annotation,
                    label => annotation.label(visible(label)),
                }
            }))
            .into()
    }
}

/// The part of a span on the line it begins on, moved to character boundaries
/// within the text.
fn on_one_line(text: &str, span: Span) -> Range<usize> {
    let start = text.floor_char_boundary((span.start as usize).min(text.len()));
    let end = text.ceil_char_boundary((span.end as usize).min(text.len()));
    let line_end = text[start..].find('\n').map_or(text.len(), |at| start + at);
    let line_end = start + text[start..line_end].trim_end_matches('\r').len();
    start..end.clamp(start, line_end)
}
