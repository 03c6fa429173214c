//! Single values as they are typed on a command line.

use std::collections::HashSet;

use crate::builder::has_errors;
use crate::cursor::{Cursor, Fault, Outcome};
use crate::diagnostic::{Diagnostic, Severity};
use crate::findings::Findings;
use crate::lex::{TokenKind, statements};
use crate::limits;
use crate::meter::meter;
use crate::names::TubeNames;
use crate::point::{Index, Naming};
use crate::reading::{bounded, tail};
use crate::readings::{Conditions, Meter, Reading};
use crate::span::{FileId, Span};
use crate::stage::{Point, Quantity, Stage};
use crate::units::{Amps, Ohms, Volts};
use crate::value::{self, Dimension};

/// Reads `POINT=VALUE` as typed on a command line: a voltage, taken under the
/// conditions given. `range 250V` and `with V2 pulled` may follow the value.
///
/// # Errors
///
/// What is wrong, with a span in a source that holds `text` alone
/// ([`SourceMap::single`](crate::SourceMap::single)).
pub fn parse_reading_argument(
    text: &str,
    stage: &Stage,
    names: &TubeNames,
    conditions: &Conditions,
) -> Result<Reading, Diagnostic> {
    let index = Index::new(stage, names, HashSet::new());
    let naming = Naming::default();
    one(text, |cursor| {
        let point = index.probe(cursor, &naming)?;
        if !cursor.accept_sign(TokenKind::Equals) {
            return Err(cursor
                .wanted("`=`")
                .help("write POINT=VALUE, as in `plate1=248V`")
                .into());
        }
        let reading = bounded(cursor, Quantity::Volts, point, conditions)?;
        tail(cursor, &index, reading)
    })
}

/// Reads a point: a node, `V1 pin 6`, `V1 plate`, `across R3`.
///
/// # Errors
///
/// What is wrong, with a span in a source that holds `text` alone.
pub fn parse_point(text: &str, stage: &Stage, names: &TubeNames) -> Result<Point, Diagnostic> {
    let index = Index::new(stage, names, HashSet::new());
    one(text, |cursor| index.probe(cursor, &Naming::default()))
}

/// Reads a meter: `20k/V`, `11M`, `10M 0.8% + 0.02V`, `ideal`.
///
/// # Errors
///
/// What is wrong, with a span in a source that holds `text` alone.
pub fn parse_meter(text: &str) -> Result<Meter, Diagnostic> {
    one(text, meter)
}

/// Reads a voltage: `248V`, `0.05`, `-12.4V`, `2.5kV`.
///
/// # Errors
///
/// What is wrong, with a span in a source that holds `text` alone.
pub fn parse_volts(text: &str) -> Result<Volts, Diagnostic> {
    one(text, |cursor| cursor.value(&limits::VOLTS_READ).map(Volts))
}

/// Reads the mains voltage, as the `line` of a sheet or a stage has it.
///
/// # Errors
///
/// What is wrong, with a span in a source that holds `text` alone.
pub fn parse_line(text: &str) -> Result<Volts, Diagnostic> {
    one(text, |cursor| cursor.value(&limits::LINE).map(Volts))
}

/// A voltage or a current, whichever its unit says.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum VoltsOrAmps {
    /// Volts.
    Volts(Volts),
    /// Amperes.
    Amps(Amps),
}

/// Reads a meter's full scale, or a value on its scale: `500V`, `100mA`,
/// `50µA`. The unit must be there, for it says which of the two it is.
///
/// # Errors
///
/// What is wrong, with a span in a source that holds `text` alone.
pub fn parse_volts_or_amps(text: &str) -> Result<VoltsOrAmps, Diagnostic> {
    one(text, |cursor| {
        match value::by_unit(cursor.peek_word()).map(|(dimension, _)| dimension) {
            Some(Dimension::Volts) => cursor
                .value(&limits::FULL_SCALE_VOLTS)
                .map(|volts| VoltsOrAmps::Volts(Volts(volts))),
            Some(_) => cursor
                .value(&limits::FULL_SCALE)
                .map(|amps| VoltsOrAmps::Amps(Amps(amps))),
            None => Err(cursor
                .wanted("a current or a voltage with its unit")
                .help("write the unit too, as in `100mA` or `500V`")
                .into()),
        }
    })
}

/// Reads the resistance of a meter's coil: `100`, `1.7k`, `75ohm`.
///
/// # Errors
///
/// What is wrong, with a span in a source that holds `text` alone.
pub fn parse_coil_ohms(text: &str) -> Result<Ohms, Diagnostic> {
    one(text, |cursor| cursor.value(&limits::METER_OHMS).map(Ohms))
}

/// Reads a text that holds one statement's worth of words with `read`.
fn one<T>(
    text: &str,
    read: impl FnOnce(&mut Cursor<'_, '_>) -> Outcome<T>,
) -> Result<T, Diagnostic> {
    let mut sink = Findings::default();
    let found = statements(text.trim_start(), FileId(0), leading_space(text), &mut sink);
    let empty = Diagnostic::error(
        "nothing-there",
        Span::default(),
        "there is nothing here to read",
    );
    if let Some(diagnostic) = sink.into_first() {
        return Err(diagnostic);
    }
    let [statement, rest @ ..] = found.as_slice() else {
        return Err(empty);
    };
    if let Some(second) = rest.first() {
        return Err(Diagnostic::error(
            "unexpected-word",
            second.span,
            "only one line can be read here",
        )
        .label("a second line"));
    }
    let mut cursor = Cursor::new(statement);
    let outcome = read(&mut cursor).and_then(|value| cursor.finish().map(|()| value));
    match outcome {
        Ok(_) if has_errors(&cursor.notes) => {
            let mut errors = cursor.notes.into_iter();
            let first = errors.find(|note| note.severity == Severity::Error);
            Err(first.unwrap_or(empty))
        }
        Ok(value) => Ok(value),
        Err(Fault::Say(diagnostic)) => Err(*diagnostic),
        Err(Fault::Follows) => Err(empty),
    }
}

fn leading_space(text: &str) -> u32 {
    crate::cursor::clamp(text.len() - text.trim_start().len())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_unit_says_what_a_full_scale_is() {
        let read = |text| parse_volts_or_amps(text).map_err(|found| found.code);
        assert_eq!(read("100mA"), Ok(VoltsOrAmps::Amps(Amps(0.1))));
        assert_eq!(read(" 50µA "), Ok(VoltsOrAmps::Amps(Amps(50e-6))));
        assert_eq!(read("1.5kV"), Ok(VoltsOrAmps::Volts(Volts(1500.0))));
        for bad in ["100", "", "100k", "100mA 5", "1e9V"] {
            assert!(read(bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn a_coil_is_in_ohms() {
        assert_eq!(parse_coil_ohms("1k7"), Ok(Ohms(1700.0)));
        assert!(parse_coil_ohms("75mV").is_err());
        assert!(parse_coil_ohms("0").is_err());
    }
}
