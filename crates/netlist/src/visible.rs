//! Characters that show nothing, or move what stands beside them, as text that shows.
//!
//! Whatever is quoted from a text may hold them: an escape sequence would be
//! obeyed by a terminal, a mark of writing direction would turn a line about,
//! a character without width would make two names look alike.

use std::borrow::Cow;

/// Whether a character does something to a terminal or to its neighbours, or shows nothing at all.
///
/// The ranges are the control characters, the separators of lines and paragraphs, the
/// noncharacters, and the property `Default_Ignorable_Code_Point` of the Unicode Character
/// Database, among which are the marks of writing direction (from memory, high).
pub fn is_hidden(c: char) -> bool {
    // Nearly every character of nearly every text is one of these.
    if matches!(c, ' '..='~') {
        return false;
    }
    c.is_control()
        || matches!(c,
            '\u{ad}' | '\u{34f}' | '\u{61c}' | '\u{115f}'..='\u{1160}' | '\u{17b4}'..='\u{17b5}'
            | '\u{180b}'..='\u{180f}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
            | '\u{2060}'..='\u{206f}' | '\u{3164}' | '\u{fdd0}'..='\u{fdef}' | '\u{fe00}'..='\u{fe0f}'
            | '\u{feff}' | '\u{ffa0}' | '\u{fff0}'..='\u{fffb}' | '\u{1bca0}'..='\u{1bca3}'
            | '\u{1d173}'..='\u{1d17a}' | '\u{e0000}'..='\u{e0fff}')
        || u32::from(c) & 0xfffe == 0xfffe
}

/// The text on one line, with every hidden character as an escape such as `\u{202e}`.
pub fn visible(text: &str) -> Cow<'_, str> {
    if !text.contains(is_hidden) {
        return Cow::Borrowed(text);
    }
    let mut out = String::with_capacity(text.len() + 16);
    for c in text.chars() {
        push_visible(&mut out, c);
    }
    Cow::Owned(out)
}

/// Puts a character, or the escape for it, behind `out`.
pub(crate) fn push_visible(out: &mut String, c: char) {
    if !is_hidden(c) {
        out.push(c);
    } else if matches!(c, '\n' | '\r' | '\t') {
        out.extend(c.escape_default());
    } else {
        out.extend(c.escape_unicode());
    }
}

/// As [`visible`], and cut in the middle of what is longer than `most` characters.
pub(crate) fn brief(text: &str, most: usize) -> String {
    let shown = visible(text);
    let length = shown.chars().count();
    if length <= most {
        return shown.into_owned();
    }
    let half = most / 2;
    let head: String = shown.chars().take(half).collect();
    let tail: String = shown.chars().skip(length - half).collect();
    format!("{head}…{tail}")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_shows_is_left_alone() {
        for text in [
            "",
            "plate1",
            "4.7kΩ ±10 %",
            "e\u{301}",
            "\u{a0}",
            "日本 \u{1f4fb}",
        ] {
            assert!(matches!(visible(text), Cow::Borrowed(same) if same == text));
        }
    }

    #[test]
    fn what_hides_is_written_out() {
        for (text, shown) in [
            ("\u{1b}[31mred", "\\u{1b}[31mred"),
            ("a\u{202e}b", "a\\u{202e}b"),
            ("a\u{200b}b\u{feff}", "a\\u{200b}b\\u{feff}"),
            ("\0\u{7f}\u{85}", "\\u{0}\\u{7f}\\u{85}"),
            ("one\r\n\ttwo", "one\\r\\n\\ttwo"),
            (
                "\u{fffe}\u{10ffff}\u{fdd0}",
                "\\u{fffe}\\u{10ffff}\\u{fdd0}",
            ),
        ] {
            assert_eq!(visible(text), shown);
            assert!(!shown.contains(is_hidden));
        }
    }

    #[test]
    fn a_long_text_is_cut_in_its_middle() {
        assert_eq!(brief("abcdefgh", 8), "abcdefgh");
        assert_eq!(brief("abcdefghi", 4), "ab…hi");
    }
}
