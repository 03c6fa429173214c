//! `expect` and `testpoint`: read once every part is known.

use crate::cursor::{Cursor, Outcome, within};
use crate::diagnostic::Diagnostic;
use crate::lex::{Token, TokenKind};
use crate::limits::{self, Limits};
use crate::meter::meter;
use crate::point::{Index, Naming};
use crate::properties::once;
use crate::stage::{Access, Expect, MeterScale, Part, PartKind, Point, Quantity, TestPoint};
use crate::value::{self, Dimension};

const ACCESS: [(&str, Access); 2] = [("awkward", Access::Awkward), ("hazard", Access::Hazard)];

pub(crate) fn expect(
    cursor: &mut Cursor<'_, '_>,
    index: &Index<'_>,
    naming: &Naming,
) -> Outcome<Expect> {
    let (point, quantity, value) = if cursor.accept("panel") {
        let (point, part) = index.panel(cursor, naming)?;
        (point, Quantity::Panel, panel_value(cursor, part)?)
    } else if cursor.accept("through") {
        let point = index.through(cursor, naming)?;
        (point, Quantity::Amps, cursor.value(&limits::AMPS_READ)?)
    } else {
        let point = index.probe(cursor, naming)?;
        (point, Quantity::Volts, cursor.value(&limits::VOLTS_READ)?)
    };
    let (mut tolerance, mut setting, mut with) = (None, None, None);
    while let Some(token) = cursor.peek() {
        let plus_minus_alone = matches!(cursor.peek_word(), "±" | "+-" | "+/-");
        if cursor.accept("in") {
            let named = cursor.name("a setting")?;
            once(&mut setting, index.setting(named)?, token)?;
        } else if cursor.accept("with") {
            once(&mut with, meter(cursor)?, token)?;
        } else if plus_minus_alone || value::looks_numeric(cursor.peek_word()) {
            if plus_minus_alone {
                cursor.next();
            }
            let fraction = expected_tolerance(cursor, quantity, value, plus_minus_alone)?;
            once(&mut tolerance, fraction, token)?;
        } else {
            return Err(cursor
                .wanted("a tolerance, `in SETTING` or `with METER`")
                .into());
        }
    }
    Ok(Expect {
        point,
        value,
        quantity,
        tolerance,
        setting: setting.flatten(),
        meter: with,
        span: cursor.span,
    })
}

/// Widest tolerance of an expected value, as a fraction: a cathode's few tenths
/// of a volt may be printed with a volt either way.
const WIDEST: f64 = 10.0;

/// `15%`, `±15%` or `±2V`, as a fraction of the value; `signed` where the sign
/// stood by itself.
fn expected_tolerance(
    cursor: &mut Cursor<'_, '_>,
    quantity: Quantity,
    value: f64,
    signed: bool,
) -> Outcome<f64> {
    let Some(token) = cursor.peek() else {
        return Err(cursor.wanted("a tolerance").into());
    };
    let too_wide = || {
        Diagnostic::error(
            "value-out-of-reason",
            token.span,
            format!("`{}` is out of all reason for a tolerance", token.text),
        )
        .label("says nothing")
    };
    if token.text.ends_with('%') {
        let Some(fraction) = value::percent(token.text) else {
            return Err(cursor
                .wanted("a tolerance")
                .help("write a tolerance such as `±15%` or `±2V`")
                .into());
        };
        cursor.next();
        if fraction > WIDEST {
            return Err(too_wide().into());
        }
        return Ok(fraction);
    }
    let dimension = match quantity {
        Quantity::Amps => Dimension::Amps,
        _ => Dimension::Volts,
    };
    // Without its sign a second value would pass for a tolerance.
    let text = match value::strip_plus_minus(token.text) {
        None if signed => Some(token.text),
        stripped => stripped,
    };
    let width = match text.map(|text| value::amount(text, dimension)) {
        Some(Ok(amount)) if amount.value >= 0.0 && quantity != Quantity::Panel => amount.value,
        _ => {
            return Err(cursor
                .wanted("a tolerance")
                .help("write a tolerance such as `±15%` or `±2V`")
                .into());
        }
    };
    cursor.next();
    let fraction = width / value.abs();
    if value == 0.0 {
        return Err(Diagnostic::error(
            "tolerance-of-zero",
            token.span,
            "a tolerance is kept as a share of the value, and the value is zero",
        )
        .label("a share of nothing")
        .help("leave the tolerance out")
        .into());
    }
    if !fraction.is_finite() || fraction > WIDEST {
        return Err(too_wide().into());
    }
    Ok(fraction)
}

/// A panel meter's reading in the units of its scale. The unit may be left
/// out where the scale has one; without a scale the reading is the movement's
/// current, in amperes.
pub(crate) fn panel_value(cursor: &mut Cursor<'_, '_>, part: &Part) -> Outcome<f64> {
    let scale = match &part.kind {
        PartKind::Meter { scale, .. } => scale.as_ref(),
        _ => None,
    };
    let Some(scale) = scale else {
        let token = cursor.peek();
        let amount = cursor.amount(&limits::AMPS_READ)?;
        if !amount.has_unit && amount.value != 0.0 {
            let span = token.map_or(cursor.here(), |t| t.span);
            return Err(Diagnostic::error(
                "unit-missing",
                span,
                format!(
                    "`{}` has no printed scale, so its reading needs a unit",
                    part.name
                ),
            )
            .label("in what unit?")
            .help("write the movement's current, as in `0.4mA`")
            .into());
        }
        return Ok(amount.value);
    };
    scale_reading(cursor, scale)
}

fn scale_reading(cursor: &mut Cursor<'_, '_>, scale: &MeterScale) -> Outcome<f64> {
    let token = match cursor.peek() {
        Some(token) if token.kind == TokenKind::Word => token,
        _ => return Err(cursor.wanted("the meter's reading").into()),
    };
    let read = match value::unit_of(&scale.unit) {
        Some((dimension, power)) => match value::amount_in_tens(token.text, dimension, power) {
            Ok(amount) if amount.has_unit => Some(amount.value),
            _ => plain_reading(token, &scale.unit),
        },
        None => plain_reading(token, &scale.unit),
    };
    let Some(read) = read else {
        let unit = &scale.unit;
        return Err(cursor
            .wanted("the meter's reading")
            .help(format!(
                "its scale is in {unit}: write a number such as `{}{unit}`",
                scale.high / 2.0
            ))
            .into());
    };
    cursor.next();
    let span = (scale.high - scale.low).abs();
    let reach = Limits {
        what: "this meter's scale",
        dimension: Dimension::Plain,
        // A pointer can stand past either end, but not by the length of the scale.
        low: scale.low.min(scale.high) - span,
        high: scale.low.max(scale.high) + span,
    };
    within(read, &reach, token)?;
    Ok(read)
}

/// A bare number, or one followed by just what the scale prints.
fn plain_reading(token: Token<'_>, unit: &str) -> Option<f64> {
    let (number, rest) = value::leading_number(token.text)?;
    (rest.is_empty() || rest == unit).then_some(number)
}

pub(crate) fn test_point(
    cursor: &mut Cursor<'_, '_>,
    index: &Index<'_>,
    naming: &Naming,
) -> Outcome<TestPoint> {
    let point: Point = if cursor.accept("panel") {
        index.panel(cursor, naming)?.0
    } else if cursor.accept("through") {
        index.through(cursor, naming)?
    } else {
        index.probe(cursor, naming)?
    };
    let access = if cursor.is_done() {
        Access::Easy
    } else {
        cursor.choice("how hard it is to reach", &ACCESS)?
    };
    cursor.finish()?;
    Ok(TestPoint { point, access })
}
