//! One reading: its value, what bounds it, and what was pulled or lifted.

use crate::cursor::{Cursor, Fault, Outcome};
use crate::diagnostic::Diagnostic;
use crate::lex::TokenKind;
use crate::limits::{self, Limits};
use crate::point::{Index, Naming};
use crate::properties::once;
use crate::readings::{Bound, Conditions, Reading};
use crate::sheet::is_tube;
use crate::span::Span;
use crate::stage::{PartKind, Place, Point, Quantity};
use crate::units::Amps;
use crate::value;

/// What `ohms ... inf` stands for: above the reach of an ordinary ohmmeter,
/// 20 MΩ (common practice, no source).
pub const OHMMETER_REACH: f64 = 20e6;

pub(crate) fn taken(
    quantity: Quantity,
    point: Point,
    value: f64,
    bound: Bound,
    conditions: &Conditions,
    span: Span,
) -> Reading {
    Reading {
        quantity,
        point,
        value,
        bound,
        meter: conditions.meter,
        range: None,
        setting: conditions.setting,
        line: conditions.line,
        pulled: Vec::new(),
        lifted: Vec::new(),
        bench: None,
        span,
    }
}

pub(crate) fn bound(cursor: &mut Cursor<'_, '_>) -> Bound {
    if cursor.accept_sign(TokenKind::Greater) {
        Bound::Above
    } else if cursor.accept_sign(TokenKind::Less) {
        Bound::Below
    } else {
        Bound::Exact
    }
}

/// A value with its bound, in volts, ohms or amperes.
pub(crate) fn bounded(
    cursor: &mut Cursor<'_, '_>,
    quantity: Quantity,
    point: Point,
    conditions: &Conditions,
) -> Outcome<Reading> {
    let span = cursor.span;
    let bound = bound(cursor);
    if quantity == Quantity::Ohms && bound == Bound::Exact && cursor.accept("inf") {
        return Ok(taken(
            quantity,
            point,
            OHMMETER_REACH,
            Bound::Above,
            conditions,
            span,
        ));
    }
    let limits: &Limits = match quantity {
        Quantity::Ohms => &limits::OHMS_READ,
        Quantity::Amps => &limits::AMPS_READ,
        _ => &limits::VOLTS_READ,
    };
    if cursor.peek_word() == "inf" {
        return Err(cursor
            .wanted(limits.what)
            .help("for a reading beyond the range write what it was above: `> 300V`")
            .into());
    }
    let value = cursor.value(limits)?;
    Ok(taken(quantity, point, value, bound, conditions, span))
}

pub(crate) fn tester_value(cursor: &mut Cursor<'_, '_>) -> Outcome<f64> {
    let word = cursor.peek_word();
    let number = word.strip_suffix('%').unwrap_or(word);
    match value::leading_number(number) {
        Some((percent, "")) if (0.0..=300.0).contains(&percent) => {
            cursor.next();
            Ok(percent)
        }
        _ => Err(cursor
            .wanted("the tester's reading")
            .help("write it in per cent of a new tube: `tester V1 45%`")
            .into()),
    }
}

/// `range 250V`, `bench 80mA`, `with V2 pulled`, `with C2 lifted`, in any order.
pub(crate) fn tail(
    cursor: &mut Cursor<'_, '_>,
    index: &Index<'_>,
    mut reading: Reading,
) -> Outcome<Reading> {
    while let Some(token) = cursor.peek() {
        if cursor.accept("range") {
            let limits = match reading.quantity {
                Quantity::Volts => &limits::RANGE_VOLTS,
                Quantity::Amps => &limits::RANGE_AMPS,
                Quantity::Ohms => &limits::RANGE_OHMS,
                Quantity::Panel | Quantity::Tester => {
                    return Err(Diagnostic::error(
                        "unexpected-word",
                        token.span,
                        "only volts, ohms and amps are read on a range",
                    )
                    .label("not expected here")
                    .into());
                }
            };
            let full_scale = cursor.value(limits)?;
            once(&mut reading.range, full_scale, token)?;
        } else if cursor.accept("with") {
            with(cursor, index, &mut reading)?;
        } else if cursor.accept("bench") {
            let across = matches!(reading.point.place, Place::Across(_));
            if reading.quantity != Quantity::Panel
                && !(reading.quantity == Quantity::Volts && across)
            {
                return Err(Diagnostic::error(
                    "unexpected-word",
                    token.span,
                    "a bench current is sent through a panel meter, and shows on it or across it",
                )
                .label("not expected here")
                .help("write `panel M1 76mA bench 80mA` or `volts across M1 0.08V bench 80mA`")
                .into());
            }
            let amps = Amps(cursor.value(&limits::BENCH_AMPS)?);
            once(&mut reading.bench, amps, token)?;
        } else {
            return Err(cursor
                .wanted("`range`, `bench`, `with TUBE pulled` or `with PART lifted`")
                .into());
        }
    }
    Ok(reading)
}

pub(crate) fn with(
    cursor: &mut Cursor<'_, '_>,
    index: &Index<'_>,
    reading: &mut Reading,
) -> Outcome<()> {
    let Some(token) = cursor.peek() else {
        return Err(cursor.wanted("a designator").into());
    };
    let parts = index.parts(cursor, &Naming::default())?;
    let Some(&id) = parts.first() else {
        return Err(Fault::Follows);
    };
    let part = index.stage.part(id);
    let pulled = cursor.choice(
        "`pulled` or `lifted`",
        &[("pulled", true), ("lifted", false)],
    )?;
    let plugs_in =
        is_tube(&part.kind) || matches!(part.kind, PartKind::Lamp { .. } | PartKind::Fuse { .. });
    let soldered = !is_tube(&part.kind);
    if pulled && !plugs_in {
        return Err(Diagnostic::error(
            "not-pluggable",
            token.span,
            format!("`{}` sits in no socket", part.name),
        )
        .label("can't be pulled")
        .help(format!(
            "with one lead off, write `with {} lifted`",
            part.name
        ))
        .into());
    }
    if !pulled && !soldered {
        return Err(Diagnostic::error(
            "not-soldered",
            token.span,
            format!("`{}` is a tube: it has no lead to lift", part.name),
        )
        .label("can't be lifted")
        .help(format!(
            "out of its socket, write `with {} pulled`",
            part.name
        ))
        .into());
    }
    let list = if pulled {
        &mut reading.pulled
    } else {
        &mut reading.lifted
    };
    if !list.contains(&id) {
        list.push(id);
    }
    Ok(())
}
