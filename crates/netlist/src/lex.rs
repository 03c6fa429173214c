//! From text to statements: comments off, continuation lines joined, words cut.
//!
//! One statement is one line plus the lines below it that begin with white
//! space. A word is a run of characters up to white space or one of
//! `" # = < >`; whether it is a name, a value or a keyword is for the reader
//! of the statement to say.

use nom::IResult;
use nom::Parser;
use nom::branch::alt;
use nom::bytes::complete::{take_while, take_while1};
use nom::character::complete::{anychar, one_of};
use nom::combinator::{map, recognize, value, verify};
use nom::multi::many0_count;
use nom::sequence::{delimited, preceded};

use crate::bounds::{LONGEST_WORD, MOST_WORDS};
use crate::diagnostic::Diagnostic;
use crate::findings::Findings;
use crate::span::{FileId, Span};

/// What a token is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum TokenKind {
    /// A word; its text is the word.
    Word,
    /// A quoted text; its text is what stands between the quotes, escapes and all.
    Quoted,
    /// `=`.
    Equals,
    /// `>`.
    Greater,
    /// `<`.
    Less,
}

/// One word, quoted text or sign.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Token<'a> {
    pub(crate) kind: TokenKind,
    pub(crate) text: &'a str,
    pub(crate) span: Span,
}

/// The tokens of one statement; never empty.
#[derive(Clone, Debug)]
pub(crate) struct Statement<'a> {
    pub(crate) tokens: Vec<Token<'a>>,
    pub(crate) span: Span,
    /// A lexical fault was reported already: don't read further into it.
    pub(crate) broken: bool,
}

type Lexeme<'a> = (Option<TokenKind>, &'a str);

fn is_word(c: char) -> bool {
    !c.is_whitespace() && !matches!(c, '"' | '#' | '=' | '<' | '>')
}

fn quoted(input: &str) -> IResult<&str, Lexeme<'_>> {
    let escape = recognize((nom::character::complete::char('\\'), anychar));
    let plain = recognize(verify(anychar, |c| !matches!(c, '"' | '\\')));
    map(
        delimited(
            nom::character::complete::char('"'),
            recognize(many0_count(alt((escape, plain)))),
            nom::character::complete::char('"'),
        ),
        |text| (Some(TokenKind::Quoted), text),
    )
    .parse(input)
}

fn lexeme(input: &str) -> IResult<&str, Lexeme<'_>> {
    let sign = |c: &'static str, kind| value((Some(kind), c), nom::bytes::complete::tag(c));
    preceded(
        take_while(char::is_whitespace),
        alt((
            map(take_while1(is_word), |text| (Some(TokenKind::Word), text)),
            quoted,
            sign("=", TokenKind::Equals),
            sign(">", TokenKind::Greater),
            sign("<", TokenKind::Less),
            // What is left is a comment or a quote that nothing closes: either takes the rest of the line.
            map(recognize((one_of("#\""), nom::combinator::rest)), |text| {
                (None, text)
            }),
        )),
    )
    .parse(input)
}

/// Cuts `text`, which begins at byte `base` of `file`, into statements.
pub(crate) fn statements<'a>(
    text: &'a str,
    file: FileId,
    base: u32,
    sink: &mut Findings,
) -> Vec<Statement<'a>> {
    let mut found: Vec<Statement<'a>> = Vec::new();
    let mut offset = base as usize;
    // An orphaned continuation is reported once, not for each of its lines.
    let mut orphan = false;
    for full_line in text.split_inclusive('\n') {
        let mut line = full_line;
        let mut start = offset;
        offset += full_line.len();
        if start == 0
            && let Some(rest) = line.strip_prefix('\u{feff}')
        {
            start += line.len() - rest.len();
            line = rest;
        }
        let continues = line.starts_with(char::is_whitespace);
        let (tokens, broken) = line_tokens(line, file, start, sink);
        let (Some(first), Some(last)) = (tokens.first(), tokens.last()) else {
            continue;
        };
        let span = Span {
            end: last.span.end,
            ..first.span
        };
        match found.last_mut() {
            Some(statement) if continues => {
                statement.span.end = span.end;
                statement.broken |= broken;
                statement.carry_on(tokens, sink);
            }
            None if continues => {
                if !orphan {
                    sink.push(continues_nothing(span));
                }
                orphan = true;
            }
            _ => {
                let mut statement = Statement {
                    tokens: Vec::new(),
                    span,
                    broken,
                };
                statement.carry_on(tokens, sink);
                found.push(statement);
            }
        }
    }
    found
}

impl<'a> Statement<'a> {
    /// The first word, or an empty text.
    pub(crate) fn keyword(&self) -> &'a str {
        match self.tokens.first() {
            Some(token) if token.kind == TokenKind::Word => token.text,
            _ => "",
        }
    }

    /// Takes the words of one more line, as far as a statement has room for them.
    fn carry_on(&mut self, mut tokens: Vec<Token<'a>>, sink: &mut Findings) {
        let room = MOST_WORDS - self.tokens.len();
        if tokens.len() > room {
            // What a full statement is given is dropped without a further word.
            if let Some(too_many) = tokens.get(room).filter(|_| room > 0) {
                sink.push(
                    Diagnostic::error(
                        "too-many-words",
                        too_many.span,
                        format!("a statement has at most {MOST_WORDS} words"),
                    )
                    .label("one too many"),
                );
            }
            tokens.truncate(room);
            self.broken = true;
        }
        if self.tokens.is_empty() {
            // Most statements are one line: nothing is copied for them.
            tokens.shrink_to_fit();
            self.tokens = tokens;
        } else {
            self.tokens.append(&mut tokens);
        }
    }
}

fn continues_nothing(span: Span) -> Diagnostic {
    Diagnostic::error(
        "nothing-to-continue",
        span,
        "a line that begins with white space continues the statement above it, and there is none",
    )
    .label("continues nothing")
    .help("begin the statement at the left edge")
}

fn unclosed_text(span: Span) -> Diagnostic {
    Diagnostic::error(
        "unclosed-text",
        span,
        "a quoted text is not closed on its line",
    )
    .label("opens here")
    .help("close it with `\"`")
}

/// Whether a text has more characters than that.
pub(crate) fn is_longer(text: &str, most: usize) -> bool {
    // A character is at least a byte: short ones need no counting.
    text.len() > most && text.chars().nth(most).is_some()
}

/// The tokens of a line, up to one more than a statement may have, and whether any is at fault.
fn line_tokens<'a>(
    line: &'a str,
    file: FileId,
    start: usize,
    sink: &mut Findings,
) -> (Vec<Token<'a>>, bool) {
    let line = line.trim_end();
    let mut tokens = Vec::new();
    let mut broken = false;
    let mut rest = line;
    while let Ok((after, (kind, text))) = lexeme(rest) {
        let end = start + line.len() - after.len();
        let quotes = if kind == Some(TokenKind::Quoted) {
            2
        } else {
            0
        };
        let span = span(file, end - text.len() - quotes, end);
        rest = after;
        let token = match kind {
            Some(kind) => Token { kind, text, span },
            None if text.starts_with('#') => continue,
            None => {
                broken = true;
                sink.push(unclosed_text(span));
                Token {
                    kind: TokenKind::Quoted,
                    text: text.get(1..).unwrap_or_default(),
                    span,
                }
            }
        };
        // Of several on one line the first is enough.
        if !broken && token.kind == TokenKind::Word && is_longer(text, LONGEST_WORD) {
            broken = true;
            sink.push(
                Diagnostic::error(
                    "word-too-long",
                    span,
                    format!("a word has at most {LONGEST_WORD} characters"),
                )
                .label("too long"),
            );
        }
        tokens.push(token);
        if tokens.len() > MOST_WORDS {
            break;
        }
    }
    (tokens, broken)
}

fn span(file: FileId, start: usize, end: usize) -> Span {
    let clamp = |at: usize| u32::try_from(at).unwrap_or(u32::MAX);
    Span {
        file,
        start: clamp(start),
        end: clamp(end),
    }
}

/// A quoted text with its escapes resolved: `\"`, `\\` and `\n`. Any other
/// backslash stands for itself, as in a path.
pub(crate) fn unescape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    let mut chars = text.chars().peekable();
    while let Some(c) = chars.next() {
        let next = match (c, chars.peek()) {
            ('\\', Some('"')) => Some('"'),
            ('\\', Some('\\')) => Some('\\'),
            ('\\', Some('n')) => Some('\n'),
            _ => None,
        };
        if next.is_some() {
            chars.next();
        }
        out.push(next.unwrap_or(c));
    }
    out
}

/// The text in quotes, so that [`unescape`] gives it back.
pub(crate) fn quote(text: &str) -> String {
    let mut out = String::with_capacity(text.len() + 2);
    out.push('"');
    for c in text.chars() {
        match c {
            '"' => out.push_str("\\\""),
            '\\' => out.push_str("\\\\"),
            '\n' => out.push_str("\\n"),
            c => out.push(c),
        }
    }
    out.push('"');
    out
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(text: &str) -> Vec<Vec<String>> {
        let mut sink = Findings::default();
        let found = statements(text, FileId(0), 0, &mut sink);
        assert!(sink.is_empty(), "{sink:?}");
        for statement in &found {
            for token in &statement.tokens {
                let at = &text[token.span.start as usize..token.span.end as usize];
                assert!(at.contains(token.text), "{at:?} {token:?}");
            }
        }
        found
            .iter()
            .map(|s| s.tokens.iter().map(|t| t.text.to_owned()).collect())
            .collect()
    }

    #[test]
    fn cuts_words_signs_and_quoted_text() {
        assert_eq!(
            words("tube V1 plate=p1 # \"no\"\nnotes \"a # b\"#c\nvolts x >300V"),
            [
                vec!["tube", "V1", "plate", "=", "p1"],
                vec!["notes", "a # b"],
                vec!["volts", "x", ">", "300V"]
            ]
        );
    }

    #[test]
    fn joins_continuations_over_blank_and_comment_lines() {
        assert_eq!(
            words("a b\n\n  # remark\n\tc\n d\ne"),
            [vec!["a", "b", "c", "d"], vec!["e"]]
        );
    }

    #[test]
    fn byte_order_mark_carriage_returns_and_wide_letters() {
        assert_eq!(
            words("\u{feff}a é\r\n\tΩ\u{a0}b\r\nc"),
            [vec!["a", "é", "Ω", "b"], vec!["c"]]
        );
    }

    #[test]
    fn escapes_go_there_and_back() {
        for text in ["", "a\"b", "c\\", "\\n", "line\nline", "dir\\file"] {
            let quoted = quote(text);
            assert_eq!(unescape(&quoted[1..quoted.len() - 1]), text);
        }
        assert_eq!(unescape("dir\\file"), "dir\\file");
    }

    #[test]
    fn reports_an_open_quote_and_an_orphan() {
        let mut sink = Findings::default();
        let found = statements("  a\n  b\nnotes \"x\nc", FileId(0), 0, &mut sink);
        let codes: Vec<_> = sink.finish().0.iter().map(|d| d.code).collect();
        assert_eq!(codes, ["nothing-to-continue", "unclosed-text"]);
        assert_eq!(found.len(), 2);
        assert!(found[0].broken && !found[1].broken);
    }
}
