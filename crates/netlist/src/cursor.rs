//! Reading one statement from left to right.

use crate::bounds::{LONGEST_NAME, LONGEST_TEXT};
use crate::diagnostic::Diagnostic;
use crate::lex::{Statement, Token, TokenKind, is_longer, unescape};
use crate::limits::Limits;
use crate::nearest::nearest;
use crate::span::Span;
use crate::units::engineering;
use crate::value::{self, Amount, Caution, Misread, Why};
use crate::visible::{is_hidden, visible};

/// Why a statement, or a piece of it, was given up.
#[derive(Debug)]
pub(crate) enum Fault {
    /// For this reason.
    Say(Box<Diagnostic>),
    /// It hangs on a statement that was itself reported: saying so again would not help.
    Follows,
}

impl From<Diagnostic> for Fault {
    fn from(diagnostic: Diagnostic) -> Self {
        Self::Say(Box::new(diagnostic))
    }
}

pub(crate) type Outcome<T> = Result<T, Fault>;

/// A place in a statement. What is noted along the way collects in `notes`.
pub(crate) struct Cursor<'s, 'a> {
    tokens: &'s [Token<'a>],
    at: usize,
    /// The whole statement.
    pub(crate) span: Span,
    pub(crate) notes: Vec<Diagnostic>,
}

impl<'s, 'a> Cursor<'s, 'a> {
    pub(crate) fn new(statement: &'s Statement<'a>) -> Self {
        Self {
            tokens: &statement.tokens,
            at: 0,
            span: statement.span,
            notes: Vec::new(),
        }
    }

    pub(crate) fn peek(&self) -> Option<Token<'a>> {
        self.tokens.get(self.at).copied()
    }

    /// The text of the next token if that is a word, else an empty text.
    pub(crate) fn peek_word(&self) -> &'a str {
        self.peek_word_at(0)
    }

    pub(crate) fn peek_word_at(&self, ahead: usize) -> &'a str {
        match self.tokens.get(self.at + ahead) {
            Some(token) if token.kind == TokenKind::Word => token.text,
            _ => "",
        }
    }

    pub(crate) fn next(&mut self) -> Option<Token<'a>> {
        let token = self.peek()?;
        self.at += 1;
        Some(token)
    }

    /// The next token's place, or the empty place behind the last one.
    pub(crate) fn here(&self) -> Span {
        self.peek().map_or(self.end(), |token| token.span)
    }

    fn end(&self) -> Span {
        Span {
            start: self.span.end,
            ..self.span
        }
    }

    pub(crate) fn is_done(&self) -> bool {
        self.at >= self.tokens.len()
    }

    /// Takes the next token if it is the word `keyword`.
    pub(crate) fn accept(&mut self, keyword: &str) -> bool {
        let found = self.peek_word() == keyword;
        self.at += usize::from(found);
        found
    }

    pub(crate) fn accept_sign(&mut self, kind: TokenKind) -> bool {
        let found = self.peek().is_some_and(|token| token.kind == kind);
        self.at += usize::from(found);
        found
    }

    /// A complaint about the next token, or about the end of the statement.
    pub(crate) fn wanted(&self, what: &str) -> Diagnostic {
        match self.peek() {
            None => Diagnostic::error(
                "statement-ends-early",
                self.end(),
                format!("the statement ends where {what} should be"),
            )
            .label(format!("{what} is missing")),
            Some(token) => {
                let fault = Diagnostic::error(
                    "unexpected-word",
                    token.span,
                    format!("{} stands where {what} should be", shown(token)),
                )
                .label(format!("should be {what}"));
                self.torn(self.at, fault)
            }
        }
    }

    /// A complaint about the token of this index, with a word on values that are written as two.
    pub(crate) fn torn(&self, index: usize, fault: Diagnostic) -> Diagnostic {
        let number = index
            .checked_sub(1)
            .and_then(|before| self.tokens.get(before));
        match (number, self.tokens.get(index)) {
            (Some(number), Some(unit))
                if value::leading_number(number.text).is_some_and(|(_, rest)| rest.is_empty())
                    && value::is_suffix(unit.text) =>
            {
                fault.help(format!(
                    "a value and its unit are one word: `{}{}`",
                    number.text, unit.text
                ))
            }
            _ => fault,
        }
    }

    /// As [`Self::torn`], about the token that was taken last.
    pub(crate) fn torn_last(&self, fault: Diagnostic) -> Diagnostic {
        self.torn(self.at.saturating_sub(1), fault)
    }

    pub(crate) fn keyword(&mut self, keyword: &str) -> Outcome<()> {
        if self.accept(keyword) {
            return Ok(());
        }
        Err(self.wanted(&format!("`{keyword}`")).into())
    }

    /// One of several words, by its meaning.
    pub(crate) fn choice<T: Copy>(&mut self, what: &str, words: &[(&str, T)]) -> Outcome<T> {
        let word = self.peek_word();
        if let Some(&(_, meaning)) = words.iter().find(|(known, _)| *known == word) {
            self.at += 1;
            return Ok(meaning);
        }
        let list: Vec<String> = words.iter().map(|(word, _)| format!("`{word}`")).collect();
        let known = words.iter().map(|(word, _)| *word);
        let fault = self.wanted(what);
        Err(match nearest(word, known) {
            Some(near) => fault.did_you_mean(Some(near)),
            None => fault.help(format!("write {}", either(&list))),
        }
        .into())
    }

    /// A word that names something: letters, digits and `_ - + .` only.
    pub(crate) fn name(&mut self, what: &str) -> Outcome<Token<'a>> {
        let token = match self.peek() {
            Some(token) if token.kind == TokenKind::Word => token,
            _ => return Err(self.wanted(what).into()),
        };
        // Some letters of far scripts show nothing: two names with and without would look alike.
        let is_of_name =
            |c: char| c.is_alphanumeric() && !is_hidden(c) || matches!(c, '_' | '-' | '+' | '.');
        let stray = token.text.char_indices().find(|&(_, c)| !is_of_name(c));
        if let Some((at, c)) = stray {
            let start = token.span.start + clamp(at);
            let span = Span {
                start,
                end: start + clamp(c.len_utf8()),
                ..token.span
            };
            return Err(Diagnostic::error(
                "bad-name",
                span,
                format!(
                    "`{}` can't be {what}: `{}` is no part of a name",
                    token.text,
                    visible(c.encode_utf8(&mut [0; 4]))
                ),
            )
            .label("not in a name")
            .help("names are letters, digits and `_ - + .`")
            .into());
        }
        bounded_name(token.text, token.span)?;
        self.at += 1;
        Ok(token)
    }

    /// The name of a node. The words that begin a point can't be one.
    pub(crate) fn node(&mut self) -> Outcome<Token<'a>> {
        let word = self.peek_word();
        if matches!(word, "from" | "to") {
            return Err(self.wanted("a node").into());
        }
        if matches!(word, "across" | "through" | "panel") {
            return Err(Diagnostic::error(
                "bad-name",
                self.here(),
                format!("`{word}` can't name a node: it says how something is measured"),
            )
            .label("not a node's name")
            .into());
        }
        self.name("a node")
    }

    /// A quoted text, escapes resolved. What shows nothing is kept as its escape, so that
    /// no title or note can play tricks wherever it is shown; a tab is a space.
    pub(crate) fn text(&mut self, what: &str) -> Outcome<String> {
        match self.peek() {
            Some(token) if token.kind == TokenKind::Quoted => {
                let text = unescape(&visible(&token.text.replace('\t', " ")));
                if is_longer(&text, LONGEST_TEXT) {
                    return Err(Diagnostic::error(
                        "text-too-long",
                        token.span,
                        format!("a text in quotes has at most {LONGEST_TEXT} characters"),
                    )
                    .label("too long")
                    .into());
                }
                self.at += 1;
                Ok(text)
            }
            _ => Err(self
                .wanted(&format!("{what} in quotes"))
                .help("put the text in double quotes: `\"Phono preamplifier\"`")
                .into()),
        }
    }

    /// A value within limits, in the SI unit.
    pub(crate) fn value(&mut self, limits: &Limits) -> Outcome<f64> {
        Ok(self.amount(limits)?.value)
    }

    pub(crate) fn amount(&mut self, limits: &Limits) -> Outcome<Amount> {
        let dimension = limits.dimension;
        let token = match self.peek() {
            Some(token) if token.kind == TokenKind::Word => token,
            _ => {
                return Err(self
                    .wanted(limits.what)
                    .help(format!(
                        "write {} such as {}",
                        dimension.noun(),
                        dimension.example()
                    ))
                    .into());
            }
        };
        let amount = match value::amount(token.text, dimension) {
            Ok(amount) => amount,
            Err(misread) => return Err(not_a_value(token, &misread, limits).into()),
        };
        self.at += 1;
        if let Some(caution) = amount.caution {
            self.notes.push(caution_about(caution, token));
        }
        within(amount.value, limits, token)?;
        Ok(amount)
    }

    /// Fails if anything is left.
    pub(crate) fn finish(&self) -> Outcome<()> {
        match self.peek() {
            None => Ok(()),
            Some(token) => {
                let fault = Diagnostic::error(
                    "unexpected-word",
                    token.span,
                    format!("the statement is complete before {}", shown(token)),
                )
                .label("not expected here");
                Err(self.torn(self.at, fault).into())
            }
        }
    }
}

/// Fails if a name, its prefixes before it, is longer than any.
pub(crate) fn bounded_name(name: &str, at: Span) -> Outcome<()> {
    if !is_longer(name, LONGEST_NAME) {
        return Ok(());
    }
    Err(Diagnostic::error(
        "name-too-long",
        at,
        format!("a name has at most {LONGEST_NAME} characters, prefixes included"),
    )
    .label("too long")
    .into())
}

/// Fails if a value lies outside its limits.
pub(crate) fn within(value: f64, limits: &Limits, token: Token<'_>) -> Outcome<()> {
    if value >= limits.low && value <= limits.high {
        return Ok(());
    }
    let symbol = limits.dimension.symbol();
    let show = |value| engineering(value, symbol).trim_end().to_owned();
    Err(Diagnostic::error(
        "value-out-of-reason",
        token.span,
        format!("`{}` is out of all reason for {}", token.text, limits.what),
    )
    .label(format!(
        "outside {} to {}",
        show(limits.low),
        show(limits.high)
    ))
    .help(format!(
        "is the prefix right? {} is written such as {}",
        limits.dimension.noun(),
        limits.dimension.example()
    ))
    .into())
}

pub(crate) fn not_a_value(token: Token<'_>, misread: &Misread, limits: &Limits) -> Diagnostic {
    let dimension = limits.dimension;
    let span = Span {
        start: token.span.start + clamp(misread.at.start),
        end: token.span.start + clamp(misread.at.end),
        ..token.span
    };
    let part = token.text.get(misread.at.clone()).unwrap_or(token.text);
    let fault = match misread.why {
        Why::NotANumber => Diagnostic::error(
            "not-a-value",
            span,
            format!("`{}` stands where {} should be", token.text, limits.what),
        )
        .label(format!("not {}", dimension.noun())),
        Why::UnknownUnit => Diagnostic::error(
            "unknown-unit",
            span,
            format!(
                "`{part}` in `{}` is no unit or prefix of {}",
                token.text,
                dimension.noun()
            ),
        )
        .label("unknown unit"),
        Why::UnitOf(other) => Diagnostic::error(
            "wrong-unit",
            span,
            format!(
                "`{}` is {}, but {} should stand here",
                token.text,
                other.noun(),
                limits.what
            ),
        )
        .label(format!("should be {}", dimension.noun())),
        Why::TooLarge => Diagnostic::error(
            "value-out-of-reason",
            span,
            format!("`{}` is out of all reason for {}", token.text, limits.what),
        )
        .label("past any number"),
    };
    let comma = if part.starts_with(',') {
        "the decimal sign is a point: "
    } else {
        ""
    };
    fault.help(format!(
        "{comma}write {} such as {}",
        dimension.noun(),
        dimension.example()
    ))
}

fn caution_about(caution: Caution, token: Token<'_>) -> Diagnostic {
    match caution {
        Caution::Milliohm => Diagnostic::warning(
            "milliohm",
            token.span,
            format!("`{}` is read as milliohms", token.text),
        )
        .label("`m` is milli")
        .help("write `M` or `meg` for megohms, a plain decimal such as `0.075` for milliohms"),
        Caution::Millifarad => Diagnostic::warning(
            "millifarad",
            token.span,
            format!("`{}` is read as millifarads", token.text),
        )
        .label("`mF` is a thousand microfarads")
        .help("write `mf`, `mfd` or `uF` for microfarads"),
    }
}

/// A token as a message shows it.
pub(crate) fn shown(token: Token<'_>) -> String {
    match token.kind {
        TokenKind::Quoted => "a quoted text".to_owned(),
        _ => format!("`{}`", token.text),
    }
}

/// `a`, `a or b`, `a, b or c`.
pub(crate) fn either(list: &[String]) -> String {
    match list {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} or {last}", most.join(", ")),
    }
}

pub(crate) fn clamp(at: usize) -> u32 {
    u32::try_from(at).unwrap_or(u32::MAX)
}
