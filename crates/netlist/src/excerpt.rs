//! The piece of a text that a finding shows: its lines, cut about the places marked.

use std::ops::Range;

use crate::visible::push_visible;

/// Columns of a line that are shown, at most.
const WIDTH: usize = 100;

/// Of these, columns before the place marked.
const BEFORE: usize = 40;

/// Lines between two marks of one piece, at most; what lies farther apart is shown in two.
pub(crate) const NEAR: usize = 20;

/// A piece of a text with every hidden character written out.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Excerpt {
    /// Whole lines, or what is left of them.
    pub(crate) text: String,
    /// The places marked, in the order they were given.
    pub(crate) marks: Vec<Range<usize>>,
}

impl Excerpt {
    /// The lines of `text` from the first of `marks` to the last.
    ///
    /// Each mark lies on one line, on character boundaries; there is at least one.
    pub(crate) fn of(text: &str, marks: &[Range<usize>]) -> Self {
        let first = marks.iter().map(|m| m.start).min().unwrap_or(0);
        let last = marks.iter().map(|m| m.end).max().unwrap_or(0);
        let start = line_start(text, first);
        let mut excerpt = Self {
            text: String::new(),
            marks: vec![0..0; marks.len()],
        };
        let mut at = start;
        while let Some(rest) = text.get(at..).filter(|_| at <= last) {
            let end = at + rest.find('\n').unwrap_or(rest.len());
            excerpt.line(text, at..end, marks);
            if end >= last {
                break;
            }
            excerpt.text.push('\n');
            at = end + 1;
        }
        excerpt
    }

    fn line(&mut self, text: &str, line: Range<usize>, marks: &[Range<usize>]) {
        let whole = line;
        let is_here = |mark: &&Range<usize>| whole.start <= mark.start && mark.start <= whole.end;
        let line = without_marks(text, whole.clone());
        let focus = marks.iter().find(is_here).map_or(line.start, |m| m.start);
        let shown = window(text, &line, focus);
        let opening = self.text.len();
        if shown.start > line.start {
            self.text.push('…');
        }
        // Where each mark begins and ends is noted as the characters go by.
        let mut places: Vec<(usize, &mut usize, usize)> = Vec::new();
        let ends = marks.iter().zip(&mut self.marks);
        for (mark, place) in ends.filter(|(mark, _)| is_here(mark)) {
            *place = opening..opening;
            places.push((mark.start, &mut place.start, 0));
            places.push((mark.end, &mut place.end, 1));
        }
        places.sort_by_key(|&(at, _, is_end)| (at, is_end));
        let mut places = places.into_iter().peekable();
        let piece = text.get(shown.clone()).unwrap_or_default();
        for (offset, c) in piece.char_indices() {
            while let Some((_, place, _)) = places.next_if(|p| p.0 <= shown.start + offset) {
                *place = self.text.len();
            }
            if c == '\t' {
                self.text.push(c);
            } else {
                push_visible(&mut self.text, c);
            }
        }
        for (_, place, _) in places {
            *place = self.text.len();
        }
        if shown.end < line.end {
            self.text.push('…');
        }
    }
}

/// Where the line of this place begins.
fn line_start(text: &str, at: usize) -> usize {
    text[..at].rfind('\n').map_or(0, |feed| feed + 1)
}

/// A line without what some editors put at the head of a file and at the end of each line.
fn without_marks(text: &str, line: Range<usize>) -> Range<usize> {
    let mut within = line;
    if within.start == 0 && text.starts_with('\u{feff}') {
        within.start += '\u{feff}'.len_utf8();
    }
    if text[within.clone()].ends_with('\r') {
        within.end -= 1;
    }
    within
}

/// The bytes of a line that are shown, so that `focus` is among them.
fn window(text: &str, line: &Range<usize>, focus: usize) -> Range<usize> {
    let Range {
        start: head,
        end: tail,
    } = *line;
    let focus = focus.clamp(head, tail);
    let mut start = focus;
    let mut room = BEFORE;
    for (at, c) in text[head..focus].char_indices().rev() {
        match room.checked_sub(columns(c)) {
            Some(left) => room = left,
            None => break,
        }
        start = head + at;
    }
    let mut end = focus;
    room += WIDTH - BEFORE;
    for c in text[focus..tail].chars() {
        match room.checked_sub(columns(c)) {
            Some(left) => room = left,
            None => break,
        }
        end += c.len_utf8();
    }
    start..end
}

/// Columns that a character takes; a wide one is taken for one.
fn columns(c: char) -> usize {
    if c == '\t' {
        return 4;
    }
    let mut shown = String::new();
    push_visible(&mut shown, c);
    shown.chars().count()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn marked(text: &str, marks: &[(usize, usize)]) -> (String, Vec<String>) {
        let marks: Vec<Range<usize>> = marks.iter().map(|&(start, end)| start..end).collect();
        let excerpt = Excerpt::of(text, &marks);
        let at = |mark: &Range<usize>| excerpt.text[mark.clone()].to_owned();
        let marks = excerpt.marks.iter().map(at).collect();
        (excerpt.text, marks)
    }

    #[test]
    fn short_lines_are_shown_whole() {
        let (text, marks) = marked("one\r\ntwo three\nfour", &[(9, 14), (5, 8)]);
        assert_eq!(text, "two three");
        assert_eq!(marks, ["three", "two"]);
        let (text, marks) = marked("one\ntwo\nthree", &[(0, 3), (8, 13)]);
        assert_eq!(text, "one\ntwo\nthree");
        assert_eq!(marks, ["one", "three"]);
        assert_eq!(marked("", &[(0, 0)]), (String::new(), vec![String::new()]));
    }

    #[test]
    fn a_long_line_is_cut_on_both_sides_of_the_place() {
        let line = format!("{}X{}", "a".repeat(1000), "b".repeat(1000));
        let (text, marks) = marked(&line, &[(1000, 1001)]);
        assert_eq!(text, format!("…{}X{}…", "a".repeat(40), "b".repeat(59)));
        assert_eq!(marks, ["X"]);
        // What is marked may be longer than what is shown, or lie out of sight.
        let (text, marks) = marked(&line, &[(0, 2001), (1500, 1501)]);
        assert_eq!(text, format!("{}…", "a".repeat(100)));
        assert_eq!(marks, ["a".repeat(100), String::new()]);
    }

    #[test]
    fn hidden_characters_are_written_out_and_marked_whole() {
        let (text, marks) = marked("a\u{202e}b\u{1b}[1m", &[(1, 4), (5, 6)]);
        assert_eq!(text, "a\\u{202e}b\\u{1b}[1m");
        assert_eq!(marks, ["\\u{202e}", "\\u{1b}"]);
        let escapes = "\u{1}".repeat(1000);
        let (text, _) = marked(&escapes, &[(500, 501)]);
        assert!(text.chars().count() <= 102, "{text}");
    }

    #[test]
    fn a_mark_at_the_head_of_a_file_is_not_shown() {
        let (text, marks) = marked("\u{feff}a b", &[(3, 4)]);
        assert_eq!((text.as_str(), marks[0].as_str()), ("a b", "a"));
        assert_eq!(marked("\u{feff}", &[(0, 0)]).0, "");
    }
}
