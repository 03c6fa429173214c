//! The rates file: how often the parts of a unit fail, where its owner knows better than a table.
//!
//! Which kinds and ways to fail there are is not known here: they come as [`RateWords`].

use std::collections::HashSet;

use crate::Parsed;
use crate::bounds::MOST_RATES;
use crate::cursor::{Cursor, Outcome, either};
use crate::diagnostic::Diagnostic;
use crate::kinds::RATES;
use crate::lex::{Statement, Token, TokenKind};
use crate::names::TubeNames;
use crate::nearest::nearest;
use crate::point::{Index, Naming};
use crate::room::Room;
use crate::span::Span;
use crate::stage::{PartId, Stage};
use crate::titled::{self, Reads, Titled};
use crate::value;

/// The largest factor that a line may put on a rate.
const MOST_TIMES: f64 = 1000.0;

/// The highest probability that a line may state, per cent.
const MOST_PER_CENT: f64 = 95.0;

/// The words that a rates file may use. Phrases of several words have single spaces.
#[derive(Clone, Debug, Default)]
pub struct RateWords {
    /// Sets of rates to start from.
    pub profiles: Vec<&'static str>,
    /// Kinds of part.
    pub kinds: Vec<&'static str>,
    /// Ways to fail.
    pub modes: Vec<&'static str>,
}

/// A rates file; words are given by their index in the [`RateWords`].
#[derive(Clone, Debug, Default, PartialEq)]
pub struct RateLines {
    /// Title of the `rates` statement.
    pub title: String,
    /// The set of rates to start from, if it names one.
    pub profile: Option<usize>,
    /// Its lines, in order.
    pub lines: Vec<RateLine>,
}

/// One line: what fails how often.
#[derive(Clone, Debug, PartialEq)]
pub struct RateLine {
    /// What.
    pub of: RateOf,
    /// In which way; in any if none is named.
    pub mode: Option<usize>,
    /// How often.
    pub often: Often,
    /// Where the way to fail stands; the whole line if none is named.
    pub span: Span,
}

/// What a line is about.
#[derive(Clone, Debug, PartialEq)]
pub enum RateOf {
    /// Every part of a kind.
    Kind(usize),
    /// A part, all sections of a bottle, all windings of a transformer.
    Parts(Vec<PartId>),
}

/// How often something fails.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Often {
    /// So many times as often as it would otherwise.
    Times(f64),
    /// With this probability in a unit on the bench.
    Probability(f64),
}

/// Reads a rates file against the stage that it is for.
///
/// What could not be understood is reported in [`Parsed::diagnostics`], in the order of the text.
pub fn parse_rates(
    name: &str,
    text: &str,
    stage: &Stage,
    names: &TubeNames,
    words: &RateWords,
) -> Parsed<RateLines> {
    let mut reader = Reader {
        index: Index::new(stage, names, HashSet::new()),
        words,
        rates: RateLines::default(),
        titled: Titled::new(&RATES),
        from: None,
        room: Room::default(),
    };
    let (sources, findings) = titled::read(name, text, &mut reader);
    let (diagnostics, unlisted) = findings.finish();
    Parsed {
        value: reader.rates,
        diagnostics,
        unlisted,
        sources,
    }
}

struct Reader<'s> {
    index: Index<'s>,
    words: &'s RateWords,
    rates: RateLines,
    titled: Titled,
    /// The `from` statement.
    from: Option<Span>,
    room: Room,
}

impl Reads for Reader<'_> {
    fn titled(&mut self) -> &mut Titled {
        &mut self.titled
    }

    fn statement(&mut self, cursor: &mut Cursor<'_, '_>, statement: &Statement<'_>) -> Outcome<()> {
        let Some(first) = cursor.peek() else {
            return Ok(());
        };
        self.titled.begins(cursor, first);
        if cursor.accept("rates") {
            self.rates.title = self.titled.title(cursor)?;
        } else if cursor.accept("notes") {
            cursor.text("the note")?;
        } else if cursor.accept("from") {
            self.from(cursor)?;
        } else {
            let met = self.rates.lines.len();
            self.room
                .for_one_more(met, MOST_RATES, "lines of rates", statement.span)?;
            let line = self.line(cursor, statement.span)?;
            self.rates.lines.push(line);
        }
        cursor.finish()
    }
}

impl Reader<'_> {
    fn from(&mut self, cursor: &mut Cursor<'_, '_>) -> Outcome<()> {
        let known: Vec<(&str, usize)> = self.words.profiles.iter().copied().zip(0..).collect();
        let profile = cursor.choice("the set of rates to start from", &known)?;
        if let Some(earlier) = self.from.replace(cursor.span) {
            return Err(Diagnostic::error(
                "repeated-statement",
                cursor.span,
                "rates start from one set",
            )
            .label("second `from`")
            .related(earlier, "first `from`")
            .into());
        }
        self.rates.profile = Some(profile);
        Ok(())
    }

    fn line(&self, cursor: &mut Cursor<'_, '_>, whole: Span) -> Outcome<RateLine> {
        let of = match phrase(cursor, &self.words.kinds) {
            Some((kind, _)) => RateOf::Kind(kind),
            None => RateOf::Parts(self.parts(cursor)?),
        };
        let mode = phrase(cursor, &self.words.modes);
        let often = self.often(cursor, mode.is_some())?;
        Ok(RateLine {
            of,
            mode: mode.map(|(mode, _)| mode),
            often,
            span: mode.map_or(whole, |(_, span)| span),
        })
    }

    /// The part named, `V1 section 2` where one of several is meant.
    fn parts(&self, cursor: &mut Cursor<'_, '_>) -> Outcome<Vec<PartId>> {
        let naming = Naming::default();
        let windings = self.index.windings(cursor, &naming);
        if !windings.is_empty() {
            return Ok(windings);
        }
        let word = cursor.peek_word();
        let is_part = self.index.is_part(word);
        if let Some(token) = cursor.peek().filter(|_| !is_part) {
            return Err(self.unknown(token).into());
        }
        if cursor.peek_word_at(1) != "section" {
            return self.index.parts(cursor, &naming);
        }
        let one = self.index.part(cursor, &naming)?;
        Ok(vec![one])
    }

    fn unknown(&self, token: Token<'_>) -> Diagnostic {
        let fault = Diagnostic::error(
            "unknown-part",
            token.span,
            format!(
                "no kind of part and no part of this stage is called `{}`",
                token.text
            ),
        )
        .label("neither a kind nor a designator");
        let names = self.index.stage.parts.iter().map(|p| p.name.as_str());
        let known = self.words.kinds.iter().copied().chain(names);
        match self.index.near(token.text, known) {
            Some(near) => fault.did_you_mean(Some(near)),
            None => {
                let kinds: Vec<String> = self.words.kinds.iter().map(|k| (*k).to_owned()).collect();
                fault.help(format!(
                    "write a designator of the stage, or {}",
                    either(&kinds)
                ))
            }
        }
    }

    /// `x5`, `×0.2` or `5%`.
    fn often(&self, cursor: &mut Cursor<'_, '_>, has_mode: bool) -> Outcome<Often> {
        const HELP: &str =
            "write `x5` for five times as often as otherwise, `2%` for two such parts in a hundred";
        let word = cursor.peek_word();
        let times = word.strip_prefix(['x', '×']).map(value::leading_number);
        let often = match (times, value::leading_number(word)) {
            (Some(Some((times, ""))), _) if (0.0..=MOST_TIMES).contains(&times) => {
                Often::Times(times)
            }
            (None, Some((per_cent, "%"))) if (0.0..=MOST_PER_CENT).contains(&per_cent) => {
                Often::Probability(per_cent / 100.0)
            }
            (Some(Some((_, ""))), _) | (None, Some((_, "%"))) => {
                return Err(Diagnostic::error(
                    "value-out-of-reason",
                    cursor.here(),
                    format!("`{word}` is out of all reason for how often a part fails"),
                )
                .label(format!("past x{MOST_TIMES} or {MOST_PER_CENT}%"))
                .help(HELP)
                .into());
            }
            _ => {
                let fault = cursor.wanted(if has_mode {
                    "how often"
                } else {
                    "a way to fail or how often"
                });
                let is_word = cursor.peek().is_some_and(|t| t.kind == TokenKind::Word);
                let near = nearest(word, self.words.modes.iter().copied())
                    .filter(|_| is_word && !has_mode);
                return Err(match near {
                    Some(near) => fault.did_you_mean(Some(near)),
                    None => fault.help(HELP),
                }
                .into());
            }
        };
        cursor.next();
        Ok(often)
    }
}

/// The longest of these phrases that comes next, with its place.
fn phrase(cursor: &mut Cursor<'_, '_>, known: &[&str]) -> Option<(usize, Span)> {
    let follows = |phrase: &str| {
        phrase
            .split(' ')
            .enumerate()
            .all(|(ahead, word)| cursor.peek_word_at(ahead) == word)
    };
    let words = |phrase: &str| phrase.split(' ').count();
    let (found, phrase) = known
        .iter()
        .enumerate()
        .filter(|(_, phrase)| follows(phrase))
        .max_by_key(|(_, phrase)| words(phrase))?;
    let mut span = cursor.here();
    for _ in 0..words(phrase) {
        span.end = cursor.next()?.span.end;
    }
    Some((found, span))
}
