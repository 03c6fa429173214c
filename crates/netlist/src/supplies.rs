//! Statements of what feeds the stage: supplies and rectifiers.

use crate::cursor::{Fault, Outcome, within};
use crate::diagnostic::Diagnostic;
use crate::limits;
use crate::properties::{Takes, once, set_by_word, tail};
use crate::reader::{Reader, TWO_ENDS};
use crate::stage::{FilterInput, PartKind, RectifierConnection};
use crate::units::{Ohms, Volts};
use crate::value::{self, Dimension};

pub(crate) const CONNECTIONS: [(&str, RectifierConnection); 4] = [
    ("full-wave", RectifierConnection::FullWave),
    ("half-wave", RectifierConnection::HalfWave),
    ("bridge", RectifierConnection::Bridge),
    ("doubler", RectifierConnection::Doubler),
];

pub(crate) const INPUTS: [(&str, FilterInput); 2] = [
    ("capacitor", FilterInput::Capacitor),
    ("choke", FilterInput::Choke),
];

impl Reader<'_, '_, '_, '_> {
    pub(crate) fn supply(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let negative = self.cursor.peek_word().starts_with(['-', '\u{2212}']);
        let volts = match self.cursor.value(&limits::SUPPLY) {
            Ok(volts) => Volts(volts),
            Err(Fault::Say(fault)) if negative => {
                let help = "state the size, and wire `from` to the positive end";
                return Err(fault.help(help).into());
            }
            Err(fault) => return Err(fault),
        };
        let takes = Takes {
            volts: false,
            words: &["source", "follows"],
            ..TWO_ENDS
        };
        let (mut source, mut follows) = (None, None);
        let tail = tail(self.cursor, takes, &mut |cursor, token| {
            match token.text {
                "source" => once(&mut source, Ohms(cursor.value(&limits::SOURCE)?), token)?,
                "follows" => {
                    cursor.keyword("line")?;
                    once(&mut follows, (), token)?;
                }
                _ => return Ok(false),
            }
            Ok(true)
        })?;
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Supply {
            volts,
            source,
            follows_line: follows.is_some(),
            from,
            to,
        })?;
        Ok(())
    }

    pub(crate) fn rectifier(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let tube_type = self.rectifier_type()?;
        let takes = Takes {
            tolerance: true,
            wires: true,
            words: &[
                "full-wave",
                "half-wave",
                "bridge",
                "doubler",
                "winding",
                "input",
            ],
            ..Takes::default()
        };
        let (mut connection, mut volts, mut ohms, mut filter) = (None, None, None, None);
        let tail = tail(self.cursor, takes, &mut |cursor, token| {
            if set_by_word(&mut connection, token, &CONNECTIONS)? {
                return Ok(true);
            }
            match token.text {
                "winding" => once(&mut ohms, Ohms(cursor.value(&limits::COIL)?), token)?,
                "input" => {
                    let input = cursor.choice("what the rectifier looks into", &INPUTS)?;
                    once(&mut filter, input, token)?;
                }
                _ => match value::by_unit(token.text) {
                    Some((Dimension::Volts, amount)) => {
                        within(amount.value, &limits::WINDING_VOLTS, token)?;
                        once(&mut volts, Volts(amount.value), token)?;
                    }
                    _ => return Ok(false),
                },
            }
            Ok(true)
        })?;
        let missing = |what: &str, example: &str| {
            Diagnostic::error(
                "missing-property",
                name.span,
                format!("rectifier `{}` does not say {what}", name.text),
            )
            .label(format!("{what} is missing"))
            .help(format!("add {example}"))
        };
        let connection = connection.ok_or_else(|| {
            missing(
                "how it uses the winding",
                "`full-wave`, `half-wave`, `bridge` or `doubler`",
            )
        })?;
        let winding_volts = volts.ok_or_else(|| {
            missing(
                "the winding's voltage",
                "the volts RMS of each side: `350V`",
            )
        })?;
        let winding_ohms = ohms.ok_or_else(|| {
            missing(
                "the winding's resistance",
                "the ohms of each side: `winding 60`",
            )
        })?;
        let filter = filter
            .ok_or_else(|| missing("what it looks into", "`input capacitor` or `input choke`"))?;
        if connection == RectifierConnection::Doubler && filter == FilterInput::Choke {
            return Err(Diagnostic::error(
                "doubler-into-choke",
                name.span,
                format!("rectifier `{}` doubles into a choke", name.text),
            )
            .label("a doubler works by the capacitors that it charges")
            .help("write `input capacitor`, and the choke as a part of its own behind them")
            .into());
        }
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Rectifier {
            tube_type,
            connection,
            winding_volts,
            winding_ohms,
            filter,
            from,
            to,
        })?;
        Ok(())
    }
}
