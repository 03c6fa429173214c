//! Meters as they are written: `20k/V 3%`, `11M`, `10M 0.8% + 0.02V`, `ideal`.

use crate::cursor::{Cursor, Fault, Outcome, not_a_value, within};
use crate::diagnostic::Diagnostic;
use crate::lex::{Token, TokenKind};
use crate::limits;
use crate::readings::{Meter, MeterInput};
use crate::units::{Ohms, Volts};
use crate::value::{self, Dimension};

/// Reads a meter: its input, then its accuracy if stated.
pub(crate) fn meter(cursor: &mut Cursor<'_, '_>) -> Outcome<Meter> {
    let token = match cursor.peek() {
        Some(token) if token.kind == TokenKind::Word => token,
        _ => return Err(wanted(cursor).into()),
    };
    let input = input(cursor, token)?;
    let (fraction, offset) = accuracy(cursor)?;
    Ok(Meter {
        input,
        fraction,
        offset,
    })
}

fn wanted(cursor: &Cursor<'_, '_>) -> Diagnostic {
    cursor
        .wanted("a meter")
        .help("write `20k/V` for a pointer meter, `11M` for an electronic one, `ideal` for none")
}

fn input(cursor: &mut Cursor<'_, '_>, token: Token<'_>) -> Outcome<MeterInput> {
    if cursor.accept("ideal") {
        return Ok(MeterInput::Ideal);
    }
    let Some((ohms, per)) = token.text.split_once('/') else {
        if !value::looks_numeric(token.text) {
            return Err(wanted(cursor).into());
        }
        return match cursor.value(&limits::INPUT_OHMS) {
            Ok(ohms) => Ok(MeterInput::Fixed(Ohms(ohms))),
            Err(Fault::Say(fault)) if fault.code == "value-out-of-reason" => Err(fault
                .help(format!(
                    "a pointer meter is written in ohms per volt: `{}/V`",
                    token.text
                ))
                .into()),
            Err(fault) => Err(fault),
        };
    };
    if !["v", "volt"]
        .iter()
        .any(|unit| unit.eq_ignore_ascii_case(per))
    {
        return Err(wanted(cursor).into());
    }
    match value::amount(ohms, Dimension::Ohms) {
        Ok(amount) => {
            within(amount.value, &limits::OHMS_PER_VOLT, token)?;
            cursor.next();
            Ok(MeterInput::OhmsPerVolt(amount.value))
        }
        Err(misread) => Err(not_a_value(token, &misread, &limits::OHMS_PER_VOLT).into()),
    }
}

/// `3%`, `0.8% + 0.02V`, or nothing.
fn accuracy(cursor: &mut Cursor<'_, '_>) -> Outcome<(f64, Volts)> {
    let Some(token) = cursor.peek() else {
        return Ok((0.0, Volts(0.0)));
    };
    let (percent, joined) = match token.text.split_once("%+") {
        Some((percent, offset)) => (format!("{percent}%"), Some(offset)),
        None => (token.text.to_owned(), None),
    };
    let Some(fraction) = value::percent(&percent).filter(|_| token.kind == TokenKind::Word) else {
        return Ok((0.0, Volts(0.0)));
    };
    if fraction > 1.0 {
        return Err(Diagnostic::error(
            "value-out-of-reason",
            token.span,
            format!(
                "`{}` is out of all reason for a meter's accuracy",
                token.text
            ),
        )
        .label("more than 100%")
        .into());
    }
    cursor.next();
    if let Some(offset) = joined.filter(|text| !text.is_empty()) {
        return match value::amount(offset, Dimension::Volts) {
            Ok(amount) => {
                within(amount.value, &limits::METER_OFFSET, token)?;
                Ok((fraction, Volts(amount.value)))
            }
            Err(mut misread) => {
                let before = token.text.len() - offset.len();
                misread.at = misread.at.start + before..misread.at.end + before;
                Err(not_a_value(token, &misread, &limits::METER_OFFSET).into())
            }
        };
    }
    let plus_joined_to_value = cursor.peek_word().len() > 1 && cursor.peek_word().starts_with('+');
    if joined.is_some() || cursor.accept("+") || plus_joined_to_value {
        return Ok((fraction, Volts(cursor.value(&limits::METER_OFFSET)?)));
    }
    Ok((fraction, Volts(0.0)))
}

/// A meter as [`meter`] reads it back.
pub(crate) fn print(meter: &Meter) -> String {
    let mut text = match meter.input {
        MeterInput::Ideal => "ideal".to_owned(),
        MeterInput::OhmsPerVolt(ohms) => format!("{}/V", value::print(ohms, Dimension::Ohms)),
        MeterInput::Fixed(Ohms(ohms)) => value::print(ohms, Dimension::Ohms),
    };
    if meter.fraction != 0.0 || meter.offset.0 != 0.0 {
        text.push(' ');
        text.push_str(&value::print_percent(meter.fraction));
    }
    if meter.offset.0 != 0.0 {
        text.push_str(" + ");
        text.push_str(&value::print(meter.offset.0, Dimension::Volts));
    }
    text
}
