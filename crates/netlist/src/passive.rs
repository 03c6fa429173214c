//! Statements of passive parts: resistors, capacitors, coils, lamps, links.

use crate::cursor::{Cursor, Outcome};
use crate::lex::Token;
use crate::limits;
use crate::properties::{Tail, Takes, once, part, set_by_word, tail};
use crate::reader::{Reader, TWO_ENDS};
use crate::stage::{Dielectric, PartKind, ResistorMaterial};
use crate::units::{Farads, Henries, Ohms};
use crate::value;

pub(crate) const MATERIALS: [(&str, ResistorMaterial); 3] = [
    ("composition", ResistorMaterial::Composition),
    ("film", ResistorMaterial::Film),
    ("wirewound", ResistorMaterial::Wirewound),
];

pub(crate) const DIELECTRICS: [(&str, Dielectric); 6] = [
    ("paper", Dielectric::Paper),
    ("mica", Dielectric::Mica),
    ("ceramic", Dielectric::Ceramic),
    ("film", Dielectric::Film),
    ("electrolytic", Dielectric::Electrolytic),
    ("oil", Dielectric::Oil),
];

/// Resistance of a fuse where the statement gives none.
pub(crate) const FUSE_OHMS: f64 = 0.1;
/// Resistance of a link where the statement gives none.
pub(crate) const LINK_OHMS: f64 = 1e-3;

impl<'a> Reader<'_, '_, 'a, '_> {
    pub(crate) fn resistor(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let ohms = Ohms(self.cursor.value(&limits::RESISTOR)?);
        let mut material = None;
        let takes = Takes {
            words: &["composition", "film", "wirewound"],
            ..TWO_ENDS
        };
        let mut tail = tail(self.cursor, takes, &mut |_, token| {
            set_by_word(&mut material, token, &MATERIALS)
        })?;
        tail.ratings.material = material;
        self.add_two_ended(name, &tail, |ratings, from, to| PartKind::Resistor {
            ohms,
            material: ratings.material.unwrap_or_default(),
            from,
            to,
        })?;
        Ok(())
    }

    pub(crate) fn potentiometer(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let ohms = Ohms(self.cursor.value(&limits::POTENTIOMETER)?);
        let takes = Takes {
            words: &["at", "wiper"],
            ..TWO_ENDS
        };
        let (mut position, mut wiper) = (None, None);
        let tail = tail(self.cursor, takes, &mut |cursor, token| {
            match token.text {
                "at" => once(&mut position, wiper_position(cursor)?, token)?,
                "wiper" => once(&mut wiper, cursor.node()?, token)?,
                _ => return Ok(false),
            }
            Ok(true)
        })?;
        let Some(position) = position else {
            return Err(self
                .cursor
                .wanted("the wiper's position")
                .help("write `at 50%`, or `at ?` where it is not known")
                .into());
        };
        let Some(wiper) = wiper else {
            return Err(self
                .cursor
                .wanted("`wiper NODE`")
                .help("a potentiometer has three ends: `from NODE to NODE wiper NODE`")
                .into());
        };
        let (from, to) = tail.wires(self.builder, self.scope, name)?;
        let wiper = self.builder.node(self.scope, wiper);
        let ratings = self.with_defaults(tail.ratings);
        let kind = PartKind::Potentiometer {
            ohms,
            position,
            from,
            to,
            wiper,
        };
        let part = part(self.scope, self.cursor, &ratings, kind);
        self.builder.add(self.scope, name, part)?;
        Ok(())
    }

    pub(crate) fn capacitor(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let farads = Farads(self.cursor.value(&limits::CAPACITOR)?);
        let mut dielectric = None;
        let takes = Takes {
            watts: false,
            words: &["paper", "mica", "ceramic", "film", "electrolytic", "oil"],
            ..TWO_ENDS
        };
        let mut tail = tail(self.cursor, takes, &mut |_, token| {
            set_by_word(&mut dielectric, token, &DIELECTRICS)
        })?;
        tail.ratings.dielectric = dielectric;
        self.add_two_ended(name, &tail, |ratings, from, to| PartKind::Capacitor {
            farads,
            dielectric: ratings.dielectric.unwrap_or_default(),
            from,
            to,
        })?;
        Ok(())
    }

    pub(crate) fn choke(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let ohms = Ohms(self.cursor.value(&limits::COIL)?);
        let takes = Takes {
            henries: true,
            ..TWO_ENDS
        };
        let tail = self.plain_tail(takes)?;
        let henries = tail.henries.map(Henries);
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Choke {
            ohms,
            henries,
            from,
            to,
        })?;
        Ok(())
    }

    pub(crate) fn winding(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let ohms = Ohms(self.cursor.value(&limits::COIL)?);
        let takes = Takes {
            henries: true,
            words: &["of"],
            ..TWO_ENDS
        };
        let mut of = None;
        let tail = tail(self.cursor, takes, &mut |cursor, token| {
            if token.text != "of" {
                return Ok(false);
            }
            once(&mut of, cursor.name("a transformer's designator")?, token)?;
            Ok(true)
        })?;
        let henries = tail.henries.map(Henries);
        let id = self.add_two_ended(name, &tail, |_, from, to| PartKind::Winding {
            ohms,
            henries,
            transformer: None,
            from,
            to,
        })?;
        if let Some(of) = of {
            let transformer = format!("{}{}", self.scope.prefix, of.text);
            self.builder.windings.push((id, transformer, of.span));
        }
        Ok(())
    }

    pub(crate) fn lamp(&mut self) -> Outcome<()> {
        let (name, ohms, tail, cold) = self.warmed(&limits::LAMP)?;
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Lamp {
            ohms,
            cold,
            from,
            to,
        })?;
        Ok(())
    }

    pub(crate) fn thermistor(&mut self) -> Outcome<()> {
        let (name, ohms, tail, cold) = self.warmed(&limits::THERMISTOR)?;
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Thermistor {
            ohms,
            cold,
            from,
            to,
        })?;
        Ok(())
    }

    /// A part that its own current warms: designator, hot resistance, properties, cold resistance.
    fn warmed(
        &mut self,
        hot: &limits::Limits,
    ) -> Outcome<(Token<'a>, Ohms, Tail<'a>, Option<Ohms>)> {
        let name = self.designator()?;
        let ohms = Ohms(self.cursor.value(hot)?);
        let takes = Takes {
            words: &["cold"],
            ..TWO_ENDS
        };
        let mut cold = None;
        let tail = tail(self.cursor, takes, &mut |cursor, token| {
            if token.text != "cold" {
                return Ok(false);
            }
            once(&mut cold, Ohms(cursor.value(&limits::COLD)?), token)?;
            Ok(true)
        })?;
        Ok((name, ohms, tail, cold))
    }

    pub(crate) fn fuse(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let ohms = Ohms(self.optional_value(&limits::FUSE)?.unwrap_or(FUSE_OHMS));
        let tail = self.plain_tail(TWO_ENDS)?;
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Fuse { ohms, from, to })?;
        Ok(())
    }

    pub(crate) fn link(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let ohms = Ohms(self.optional_value(&limits::LINK)?.unwrap_or(LINK_OHMS));
        let tail = self.plain_tail(TWO_ENDS)?;
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Link { ohms, from, to })?;
        Ok(())
    }

    pub(crate) fn transformer(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        self.cursor.finish()?;
        let span = self.cursor.span;
        self.builder.add_transformer(self.scope, name, span)
    }
}

/// `50%` or `?`.
fn wiper_position(cursor: &mut Cursor<'_, '_>) -> Outcome<Option<f64>> {
    if cursor.accept("?") {
        return Ok(None);
    }
    match value::percent(cursor.peek_word()) {
        Some(fraction) if fraction <= 1.0 => {
            cursor.next();
            Ok(Some(fraction))
        }
        _ => Err(cursor
            .wanted("the wiper's position")
            .help("write `at 50%`, or `at ?` where it is not known")
            .into()),
    }
}
