//! A finding as text for people: the place, the line, a caret under it, the help.
//!
//! The drawing is done by `annotate-snippets`; nothing of it shows outside this file.

use std::ops::Range;

use annotate_snippets::{Annotation, AnnotationKind, Level, Renderer, Snippet};

use crate::diagnostic::{Diagnostic, Severity};
use crate::span::{SourceFile, SourceMap, Span};

/// Shows a finding with its line and a caret under the place, ending in a
/// line feed.
///
/// `colour` adds the escape codes of a terminal. A span that is not of
/// `sources` leaves the finding without its line.
pub fn render(diagnostic: &Diagnostic, sources: &SourceMap, colour: bool) -> String {
    let level = match diagnostic.severity {
        Severity::Error => Level::ERROR,
        Severity::Warning => Level::WARNING,
    };
    let mut report = level
        .primary_title(diagnostic.message.as_str())
        .id(diagnostic.code)
        .elements(snippets(diagnostic, sources));
    if let Some(help) = &diagnostic.help {
        report = report.element(Level::HELP.message(help.as_str()));
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

/// One snippet for each file marked, that of the finding itself first.
fn snippets<'a>(
    diagnostic: &'a Diagnostic,
    sources: &'a SourceMap,
) -> Vec<Snippet<'a, Annotation<'a>>> {
    let mut marks = vec![Mark {
        span: diagnostic.span,
        label: &diagnostic.label,
        kind: AnnotationKind::Primary,
    }];
    marks.extend(diagnostic.related.iter().map(|related| Mark {
        span: related.span,
        label: &related.label,
        kind: AnnotationKind::Context,
    }));
    let mut shown = Vec::new();
    let mut snippets = Vec::new();
    for mark in &marks {
        let file = mark.span.file;
        if shown.contains(&file) {
            continue;
        }
        shown.push(file);
        let of_file = marks.iter().filter(|m| m.span.file == file);
        if let Some(source) = sources.files.get(file.0 as usize) {
            snippets.extend(snippet(source, of_file));
        }
    }
    snippets
}

fn snippet<'m, 'a: 'm>(
    source: &'a SourceFile,
    marks: impl Iterator<Item = &'m Mark<'a>>,
) -> Option<Snippet<'a, Annotation<'a>>> {
    let text: &str = &source.text;
    let placed: Vec<(Range<usize>, &Mark<'a>)> = marks
        .map(|mark| (on_one_line(text, mark.span), mark))
        .collect();
    // Only the lines from the first mark to the last are handed over: a long
    // file is not gone through again for each finding.
    let first = placed.iter().map(|(range, _)| range.start).min()?;
    let last = placed.iter().map(|(range, _)| range.end).max()?;
    let start = text[..first].rfind('\n').map_or(0, |at| at + 1);
    let end = text[last..].find('\n').map_or(text.len(), |at| last + at);
    let line = text[..start].matches('\n').count() + 1;
    // The mark that some editors put at the head of a file has no width to draw.
    let start = if text[start..].starts_with('\u{feff}') && first > start {
        start + '\u{feff}'.len_utf8()
    } else {
        start
    };
    let snippet = Snippet::source(&text[start..end])
        .line_start(line)
        .path(source.name.as_str())
        .fold(true);
    Some(snippet.annotations(placed.into_iter().map(|(range, mark)| {
        let annotation = mark.kind.span(range.start - start..range.end - start);
        match mark.label {
            "" => annotation,
            label => annotation.label(label),
        }
    })))
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
