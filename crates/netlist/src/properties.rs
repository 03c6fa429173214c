//! What follows a part's value: its properties in any order, then its wires.

use crate::builder::{Builder, Scope};
use crate::cursor::{Cursor, Fault, Outcome, either, shown, within};
use crate::diagnostic::Diagnostic;
use crate::lex::{Token, TokenKind};
use crate::limits;
use crate::nearest::nearest;
use crate::stage::{Dielectric, NodeId, Part, PartKind, ResistorMaterial};
use crate::units::{Volts, Watts};
use crate::value::{self, Dimension};

/// Tolerance, ratings and make: what `defaults` can also give.
#[derive(Clone, Debug, Default)]
pub(crate) struct Ratings {
    pub(crate) tolerance: Option<f64>,
    pub(crate) watts: Option<Watts>,
    pub(crate) volts: Option<Volts>,
    pub(crate) material: Option<ResistorMaterial>,
    pub(crate) dielectric: Option<Dielectric>,
}

impl Ratings {
    /// What is not stated taken from `defaults`.
    pub(crate) fn or(self, defaults: &Self) -> Self {
        Self {
            tolerance: self.tolerance.or(defaults.tolerance),
            watts: self.watts.or(defaults.watts),
            volts: self.volts.or(defaults.volts),
            material: self.material.or(defaults.material),
            dielectric: self.dielectric.or(defaults.dielectric),
        }
    }
}

/// Which properties a kind of part has.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Takes {
    pub(crate) tolerance: bool,
    pub(crate) watts: bool,
    pub(crate) volts: bool,
    pub(crate) henries: bool,
    pub(crate) wires: bool,
    /// Its own property words, for suggestions.
    pub(crate) words: &'static [&'static str],
}

/// The properties read.
#[derive(Debug, Default)]
pub(crate) struct Tail<'a> {
    pub(crate) ratings: Ratings,
    pub(crate) henries: Option<f64>,
    from: Option<Token<'a>>,
    to: Option<Token<'a>>,
}

/// Reads properties to the end of the statement. `own` is asked first about
/// each word and answers whether it took it (the word itself is then consumed).
///
/// Every faulty property is noted; the last one is the error returned.
pub(crate) fn tail<'s, 'a>(
    cursor: &mut Cursor<'s, 'a>,
    takes: Takes,
    own: &mut dyn FnMut(&mut Cursor<'s, 'a>, Token<'a>) -> Outcome<bool>,
) -> Outcome<Tail<'a>> {
    let mut tail = Tail::default();
    let mut faults = Vec::new();
    while let Some(token) = cursor.peek() {
        if let Err(fault) = property(cursor, takes, own, &mut tail, token) {
            skip_faulty(cursor, &fault);
            faults.push(fault);
        }
    }
    if faults.is_empty() && takes.wires && (tail.from.is_none() || tail.to.is_none()) {
        let missing = if tail.from.is_none() { "from" } else { "to" };
        faults.push(
            cursor
                .wanted(&format!("`{missing} NODE`"))
                .help("say where it is wired: `from NODE to NODE`")
                .into(),
        );
    }
    let Some(last) = faults.pop() else {
        return Ok(tail);
    };
    for fault in faults {
        if let Fault::Say(diagnostic) = fault {
            cursor.notes.push(*diagnostic);
        }
    }
    Err(last)
}

/// Steps over the token that a fault is about, so that it is not taken for a
/// property next and reported a second time.
fn skip_faulty(cursor: &mut Cursor<'_, '_>, fault: &Fault) {
    let Fault::Say(diagnostic) = fault else {
        return;
    };
    let at = diagnostic.span;
    let is_next = cursor
        .peek()
        .is_some_and(|next| (next.span.start..next.span.end).contains(&at.start));
    if is_next && !matches!(cursor.peek_word(), "from" | "to") {
        cursor.next();
    }
}

fn property<'s, 'a>(
    cursor: &mut Cursor<'s, 'a>,
    takes: Takes,
    own: &mut dyn FnMut(&mut Cursor<'s, 'a>, Token<'a>) -> Outcome<bool>,
    tail: &mut Tail<'a>,
    token: Token<'a>,
) -> Outcome<()> {
    cursor.next();
    if token.kind == TokenKind::Word {
        if own(cursor, token)? {
            return Ok(());
        }
        if takes.wires && token.text == "from" {
            return once(&mut tail.from, cursor.node()?, token);
        }
        if takes.wires && token.text == "to" {
            return once(&mut tail.to, cursor.node()?, token);
        }
        if takes.tolerance && matches!(token.text, "±" | "+-" | "+/-") {
            let percent = cursor.peek().unwrap_or(token);
            cursor.next();
            return tolerance(percent).and_then(|t| once(&mut tail.ratings.tolerance, t, token));
        }
        if token.text.ends_with('%') && takes.tolerance {
            return tolerance(token).and_then(|t| once(&mut tail.ratings.tolerance, t, token));
        }
        if value::looks_numeric(token.text) {
            return rated(takes, tail, token);
        }
    }
    Err(cursor.torn_last(unknown(takes, token)).into())
}

fn rated<'a>(takes: Takes, tail: &mut Tail<'a>, token: Token<'a>) -> Outcome<()> {
    let Some((dimension, amount)) = value::by_unit(token.text) else {
        return Err(unknown(takes, token).into());
    };
    match dimension {
        Dimension::Watts if takes.watts => {
            within(amount.value, &limits::RATING_WATTS, token)?;
            once(&mut tail.ratings.watts, Watts(amount.value), token)
        }
        Dimension::Volts if takes.volts => {
            within(amount.value, &limits::RATING_VOLTS, token)?;
            once(&mut tail.ratings.volts, Volts(amount.value), token)
        }
        Dimension::Henries if takes.henries => {
            within(amount.value, &limits::HENRIES, token)?;
            once(&mut tail.henries, amount.value, token)
        }
        _ => Err(unknown(takes, token).into()),
    }
}

/// A tolerance up to 100 %, as a fraction.
fn tolerance(token: Token<'_>) -> Outcome<f64> {
    match value::percent(token.text) {
        Some(fraction) if fraction <= 1.0 => Ok(fraction),
        Some(_) => Err(Diagnostic::error(
            "value-out-of-reason",
            token.span,
            format!("`{}` is out of all reason for a tolerance", token.text),
        )
        .label("more than 100%")
        .help("write a tolerance such as `10%`")
        .into()),
        None => Err(Diagnostic::error(
            "not-a-value",
            token.span,
            format!("`{}` is no tolerance", token.text),
        )
        .label("not a percentage")
        .help("write a tolerance such as `10%` or `±10%`")
        .into()),
    }
}

/// Sets a property that may be stated once.
pub(crate) fn once<T>(slot: &mut Option<T>, value: T, token: Token<'_>) -> Outcome<()> {
    if slot.is_some() {
        return Err(Diagnostic::error(
            "repeated-property",
            token.span,
            format!(
                "`{}` states again what the statement has stated",
                token.text
            ),
        )
        .label("stated before")
        .into());
    }
    *slot = Some(value);
    Ok(())
}

/// A property word that sets `slot` by its meaning; whether it was one.
pub(crate) fn set_by_word<T: Copy>(
    slot: &mut Option<T>,
    token: Token<'_>,
    words: &[(&str, T)],
) -> Outcome<bool> {
    match words.iter().find(|(word, _)| *word == token.text) {
        Some(&(_, meaning)) => once(slot, meaning, token).map(|()| true),
        None => Ok(false),
    }
}

fn unknown(takes: Takes, token: Token<'_>) -> Diagnostic {
    let fault = Diagnostic::error(
        "unknown-property",
        token.span,
        format!("{} is no property of this part", shown(token)),
    )
    .label("not known here");
    let wires: &[&str] = if takes.wires { &["from", "to"] } else { &[] };
    if let Some(near) = nearest(token.text, takes.words.iter().chain(wires).copied()) {
        return fault.did_you_mean(Some(near));
    }
    let mut known: Vec<String> = Vec::new();
    for (taken, example) in [
        (takes.tolerance, "a tolerance (`10%`)"),
        (takes.watts, "a power (`0.5W`)"),
        (takes.volts, "a voltage (`400V`)"),
        (takes.henries, "an inductance (`10H`)"),
    ] {
        if taken {
            known.push(example.to_owned());
        }
    }
    known.extend(takes.words.iter().map(|word| format!("`{word}`")));
    if takes.wires {
        known.push("`from NODE to NODE`".to_owned());
    }
    if known.is_empty() {
        return fault;
    }
    fault.help(format!("here may stand {}", either(&known)))
}

impl<'a> Tail<'a> {
    /// The nodes of `from` and `to`, which must differ.
    pub(crate) fn wires(
        &self,
        builder: &mut Builder<'_>,
        scope: &Scope,
        name: Token<'_>,
    ) -> Outcome<(NodeId, NodeId)> {
        let (Some(from), Some(to)) = (self.from, self.to) else {
            // `tail` has seen to it that a part that takes wires has both.
            return Err(Fault::Follows);
        };
        let ends = (builder.node(scope, from), builder.node(scope, to));
        if ends.0 == ends.1 {
            return Err(self_wired(name, to, &[from]).into());
        }
        Ok(ends)
    }
}

/// The complaint about a part whose ends meet.
pub(crate) fn self_wired(name: Token<'_>, end: Token<'_>, others: &[Token<'_>]) -> Diagnostic {
    let fault = Diagnostic::error(
        "wired-to-itself",
        end.span,
        format!(
            "`{}` is wired to itself: both ends are `{}`",
            name.text, end.text
        ),
    )
    .label("the same node")
    .help("give its two ends different nodes");
    others
        .iter()
        .fold(fault, |fault, other| fault.related(other.span, "one end"))
}

/// A part with its ratings, to be named and numbered by [`Builder::add`].
pub(crate) fn part(
    scope: &Scope,
    cursor: &Cursor<'_, '_>,
    ratings: &Ratings,
    kind: PartKind,
) -> Part {
    Part {
        name: String::new(),
        kind,
        tolerance: ratings.tolerance,
        rating_watts: ratings.watts,
        rating_volts: ratings.volts,
        section: scope.section,
        span: cursor.span,
    }
}
