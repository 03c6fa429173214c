//! Statements of parts with two ends, and of the potentiometer.

use crate::builder::{Builder, Scope};
use crate::cursor::{Cursor, Outcome, within};
use crate::diagnostic::Diagnostic;
use crate::lex::Token;
use crate::limits;
use crate::properties::{Ratings, Tail, Takes, once, part, self_wired, set_by_word, tail};
use crate::stage::{
    Dielectric, FilterInput, MeterScale, NodeId, PartId, PartKind, RectifierConnection,
    ResistorMaterial,
};
use crate::units::{Amps, Farads, Henries, Ohms, Volts};
use crate::value::{self, Dimension};

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

/// Resistance of a fuse where the statement gives none.
pub(crate) const FUSE_OHMS: f64 = 0.1;
/// Resistance of a link where the statement gives none.
pub(crate) const LINK_OHMS: f64 = 1e-3;

const TWO_ENDS: Takes = Takes {
    tolerance: true,
    watts: true,
    volts: true,
    henries: false,
    wires: true,
    words: &[],
};

/// One statement being read: where it is, and what for.
pub(crate) struct Reader<'r, 's, 'a, 'n> {
    pub(crate) builder: &'r mut Builder<'n>,
    pub(crate) scope: &'r Scope,
    pub(crate) cursor: &'r mut Cursor<'s, 'a>,
    /// The keyword of the statement.
    pub(crate) keyword: &'static str,
}

impl<'s, 'a> Reader<'_, 's, 'a, '_> {
    pub(crate) fn designator(&mut self) -> Outcome<Token<'a>> {
        self.cursor.name("a designator")
    }

    /// Wires up a part with two ends and adds it.
    fn add_two_ended(
        &mut self,
        name: Token<'a>,
        tail: &Tail<'a>,
        kind: impl FnOnce(&Ratings, NodeId, NodeId) -> PartKind,
    ) -> Outcome<PartId> {
        let (from, to) = tail.wires(self.builder, self.scope, name)?;
        let ratings = self.with_defaults(tail.ratings.clone());
        let kind = kind(&ratings, from, to);
        let part = part(self.scope, self.cursor, &ratings, kind);
        self.builder.add(self.scope, name, part)
    }

    pub(crate) fn with_defaults(&self, ratings: Ratings) -> Ratings {
        let set = self.scope.defaults.iter().find(|(k, _)| *k == self.keyword);
        match set {
            Some((_, defaults)) => ratings.or(defaults),
            None => ratings,
        }
    }

    /// Properties with no words of the part's own.
    fn plain_tail(&mut self, takes: Takes) -> Outcome<Tail<'a>> {
        tail(self.cursor, takes, &mut |_, _| Ok(false))
    }

    pub(crate) fn supply(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let volts = Volts(self.cursor.value(&limits::SUPPLY)?);
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
        let name = self.designator()?;
        let ohms = Ohms(self.cursor.value(&limits::LAMP)?);
        let tail = self.plain_tail(TWO_ENDS)?;
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Lamp { ohms, from, to })?;
        Ok(())
    }

    pub(crate) fn thermistor(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let ohms = Ohms(self.cursor.value(&limits::THERMISTOR)?);
        let tail = self.plain_tail(TWO_ENDS)?;
        self.add_two_ended(name, &tail, |_, from, to| PartKind::Thermistor {
            ohms,
            from,
            to,
        })?;
        Ok(())
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

    /// A value where one may be left out: the next word if it begins as a number.
    fn optional_value(&mut self, limits: &limits::Limits) -> Outcome<Option<f64>> {
        let word = self.cursor.peek_word();
        let states_value = value::looks_numeric(word)
            && !word.ends_with('%')
            && !value::by_unit(word)
                .is_some_and(|(d, _)| matches!(d, Dimension::Volts | Dimension::Watts));
        if states_value {
            return self.cursor.value(limits).map(Some);
        }
        Ok(None)
    }

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
        let full_scale = self.cursor.value(&limits)?;
        let ohms = self.cursor.value(&limits::METER_OHMS)?;
        let full_scale = Amps(if by_volts {
            full_scale / ohms
        } else {
            full_scale
        });
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

    pub(crate) fn transformer(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        self.cursor.finish()?;
        let span = self.cursor.span;
        self.builder.add_transformer(self.scope, name, span)
    }

    /// Fails if all the ends of a part are one node.
    pub(crate) fn refuse_one_node(
        &self,
        name: Token<'a>,
        ends: &[(Token<'a>, NodeId)],
    ) -> Outcome<()> {
        match ends {
            [(first, node), rest @ ..]
                if !rest.is_empty() && rest.iter().all(|(_, other)| other == node) =>
            {
                let (last, _) = rest.last().unwrap_or(&ends[0]);
                Err(self_wired(name, *last, &[*first]).into())
            }
            _ => Ok(()),
        }
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
