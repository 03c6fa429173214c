//! Statements of switches, relays and panel meters.

use crate::cursor::{Outcome, within};
use crate::diagnostic::Diagnostic;
use crate::limits;
use crate::properties::{Takes, once, tail};
use crate::reader::{Reader, TWO_ENDS};
use crate::stage::{MeterScale, PartId, PartKind};
use crate::units::{Amps, Ohms};
use crate::value::{self, Dimension};

impl Reader<'_, '_, '_, '_> {
    pub(crate) fn switch(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let takes = Takes {
            volts: true,
            wires: true,
            words: &["closed"],
            ..Takes::default()
        };
        let mut closed_in = None;
        let tail = tail(self.cursor, takes, &mut |cursor, token| {
            if token.text != "closed" {
                return Ok(false);
            }
            cursor.keyword("in")?;
            let mut named = vec![cursor.name("a setting")?];
            while !cursor.is_done() && !matches!(cursor.peek_word(), "from" | "to") {
                named.push(cursor.name("a setting")?);
            }
            once(&mut closed_in, named, token)?;
            Ok(true)
        })?;
        let Some(named) = closed_in else {
            return Err(self
                .cursor
                .wanted("`closed in SETTING`")
                .help("name the control settings in which the switch is closed")
                .into());
        };
        let mut closed_in = Vec::with_capacity(named.len());
        for setting in named {
            let id = self.builder.setting(setting)?;
            if !closed_in.contains(&id) {
                closed_in.push(id);
            }
        }
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Switch {
            closed_in,
            from,
            to,
        })?;
        Ok(())
    }

    pub(crate) fn relay(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let ohms = Ohms(self.cursor.value(&limits::RELAY_COIL)?);
        let takes = Takes {
            words: &["pulls-in"],
            ..TWO_ENDS
        };
        let mut pulls_in = None;
        let tail = tail(self.cursor, takes, &mut |cursor, token| {
            if token.text != "pulls-in" {
                return Ok(false);
            }
            once(&mut pulls_in, Amps(cursor.value(&limits::PULLS_IN)?), token)?;
            Ok(true)
        })?;
        let Some(pulls_in) = pulls_in else {
            return Err(self
                .cursor
                .wanted("`pulls-in CURRENT`")
                .help("say at which coil current the relay pulls in: `pulls-in 8mA`")
                .into());
        };
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Relay {
            ohms,
            pulls_in,
            from,
            to,
        })?;
        Ok(())
    }

    pub(crate) fn contact(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let takes = Takes {
            volts: true,
            wires: true,
            words: &["normally", "of"],
            ..Takes::default()
        };
        let (mut normally_open, mut of) = (None, None);
        let tail = tail(self.cursor, takes, &mut |cursor, token| {
            match token.text {
                "normally" => {
                    let open = cursor.choice(
                        "how the contact rests",
                        &[("open", true), ("closed", false)],
                    )?;
                    once(&mut normally_open, open, token)?;
                }
                "of" => once(&mut of, cursor.name("a relay's designator")?, token)?,
                _ => return Ok(false),
            }
            Ok(true)
        })?;
        let Some(normally_open) = normally_open else {
            return Err(self
                .cursor
                .wanted("`normally open` or `normally closed`")
                .help("say how the contact rests with no current in the coil")
                .into());
        };
        let id = self.add_two_ended(name, &tail, |_, from, to| PartKind::Contact {
            // Set once all relays are known.
            relay: PartId(0),
            normally_open,
            from,
            to,
        })?;
        let relay = of.unwrap_or(name);
        let full = format!("{}{}", self.scope.prefix, relay.text);
        self.builder.contacts.push((id, full, relay.span));
        Ok(())
    }

    pub(crate) fn meter(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        // A movement may be known by its voltage at full scale instead.
        let by_volts = value::by_unit(self.cursor.peek_word())
            .is_some_and(|(dimension, _)| dimension == Dimension::Volts);
        let limits = if by_volts {
            limits::FULL_SCALE_VOLTS
        } else {
            limits::FULL_SCALE
        };
        let stated = self.cursor.peek();
        let full_scale = self.cursor.value(&limits)?;
        let ohms = self.cursor.value(&limits::METER_OHMS)?;
        let full_scale = Amps(if by_volts {
            full_scale / ohms
        } else {
            full_scale
        });
        if let Some(stated) = stated {
            // Volts and ohms that are each in reason may come to a current that is not.
            within(full_scale.0, &limits::FULL_SCALE, stated)?;
        }
        let takes = Takes {
            tolerance: true,
            wires: true,
            words: &["scale"],
            ..Takes::default()
        };
        let mut scale = None;
        let tail = tail(self.cursor, takes, &mut |cursor, token| {
            if token.text != "scale" {
                return Ok(false);
            }
            let face = cursor.here();
            let text = cursor.text("a meter's scale")?;
            let Some(read) = meter_scale(&text) else {
                return Err(Diagnostic::error(
                    "bad-scale",
                    face,
                    format!("\"{}\" is no meter scale", text.escape_debug()),
                )
                .label("not a scale")
                .help("write both ends and the unit: `scale \"0-500 mA\"`")
                .into());
            };
            once(&mut scale, read, token)?;
            Ok(true)
        })?;
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Meter {
            full_scale,
            ohms: Ohms(ohms),
            scale,
            from,
            to,
        })?;
        Ok(())
    }
}

/// `0-500 mA`: both ends of the scale and the unit on the face.
pub(crate) fn meter_scale(text: &str) -> Option<MeterScale> {
    let (low, rest) = value::leading_number(text.trim())?;
    let rest = rest.trim_start();
    let rest = ["to", "-", "\u{2013}"]
        .iter()
        .find_map(|dash| rest.strip_prefix(dash))?;
    let (high, unit) = value::leading_number(rest.trim_start())?;
    let unit = unit.trim();
    (low != high && !unit.contains(['"', '\n'])).then(|| MeterScale {
        low,
        high,
        unit: unit.to_owned(),
    })
}
