//! Points: where a probe goes, and the parts that a reading names.

use std::cell::Cell;
use std::collections::{HashMap, HashSet};

use crate::builder::unknown_setting;
use crate::cursor::{Cursor, Fault, Outcome, either};
use crate::devices::{ELECTRODES, electrode_word, section_number};
use crate::diagnostic::Diagnostic;
use crate::lex::Token;
use crate::names::{TubeNames, fold, is_same};
use crate::nearest::nearest;
use crate::stage::{
    COMMON, Electrode, NodeId, Part, PartId, PartKind, Place, Point, SettingId, Stage,
};

/// The names of a finished stage, for looking up.
pub(crate) struct Index<'s> {
    pub(crate) stage: &'s Stage,
    pub(crate) names: &'s TubeNames,
    nodes: HashMap<String, NodeId>,
    parts: HashMap<String, Vec<PartId>>,
    transformers: HashMap<String, u32>,
    settings: HashMap<String, SettingId>,
    tainted: HashSet<String>,
    /// Whatever is not found may stand in a file that could not be read.
    pub(crate) incomplete: bool,
    suggestions: Cell<u32>,
}

/// How names are meant in one file of a stage; the default is the flat stage itself.
#[derive(Clone, Debug, Default)]
pub(crate) struct Naming {
    pub(crate) prefix: String,
    /// Folded name of the file's own common.
    pub(crate) common: String,
}

impl<'s> Index<'s> {
    pub(crate) fn new(stage: &'s Stage, names: &'s TubeNames, tainted: HashSet<String>) -> Self {
        fn keyed<'a>(names: impl Iterator<Item = &'a str>) -> HashMap<String, u32> {
            let mut map = HashMap::new();
            for (id, name) in (0u32..).zip(names) {
                map.entry(fold(name)).or_insert(id);
            }
            map
        }
        let mut parts: HashMap<String, Vec<PartId>> = HashMap::new();
        for (id, part) in (0u32..).zip(&stage.parts) {
            parts.entry(fold(&part.name)).or_default().push(PartId(id));
        }
        Self {
            stage,
            names,
            nodes: keyed(stage.nodes.iter().map(|n| n.name.as_str()))
                .into_iter()
                .map(|(name, id)| (name, NodeId(id)))
                .collect(),
            parts,
            transformers: keyed(stage.transformers.iter().map(|t| t.name.as_str())),
            settings: keyed(stage.settings.iter().map(String::as_str))
                .into_iter()
                .map(|(name, id)| (name, SettingId(id)))
                .collect(),
            tainted,
            incomplete: false,
            suggestions: Cell::new(100),
        }
    }

    /// The names of failed statements, these among them.
    pub(crate) fn into_tainted(self, more: Vec<String>) -> HashSet<String> {
        let mut tainted = self.tainted;
        tainted.extend(more);
        tainted
    }

    /// Whether a part has this designator.
    pub(crate) fn is_part(&self, word: &str) -> bool {
        self.parts.contains_key(&fold(word))
    }

    /// The known word nearest to a mistyped one, while suggestions are left.
    pub(crate) fn near<'a>(
        &self,
        word: &str,
        known: impl Iterator<Item = &'a str>,
    ) -> Option<&'a str> {
        let left = self.suggestions.get().checked_sub(1)?;
        self.suggestions.set(left);
        nearest(word, known)
    }

    fn node_named(&self, naming: &Naming, name: &str) -> Option<NodeId> {
        let key = fold(name);
        if key == naming.common {
            return Some(COMMON);
        }
        self.nodes.get(&key).copied()
    }

    /// Parts of a designator: those of the file itself before those of the chassis around it.
    fn parts_named(&self, naming: &Naming, name: &str) -> &[PartId] {
        let full = fold(&format!("{}{name}", naming.prefix));
        self.parts
            .get(&full)
            .or_else(|| self.parts.get(&fold(name)))
            .map_or(&[], Vec::as_slice)
    }

    /// The setting named. The default setting is `None`, however it is written.
    pub(crate) fn setting(&self, token: Token<'_>) -> Outcome<Option<SettingId>> {
        let key = fold(token.text);
        match self.settings.get(&key) {
            Some(&SettingId(0)) => Ok(None),
            Some(&id) => Ok(Some(id)),
            None if self.incomplete || self.tainted.contains(&key) => Err(Fault::Follows),
            None => {
                let settings = &self.stage.settings;
                let near = self.near(token.text, settings.iter().map(String::as_str));
                Err(unknown_setting(token, settings, near).into())
            }
        }
    }

    /// The designator that comes next, and its parts (never none).
    pub(crate) fn parts(
        &self,
        cursor: &mut Cursor<'_, '_>,
        naming: &Naming,
    ) -> Outcome<Vec<PartId>> {
        let token = cursor.name("a designator")?;
        let parts = self.parts_named(naming, token.text);
        if parts.is_empty() {
            return Err(self.unknown_part(token));
        }
        Ok(parts.to_vec())
    }

    /// As [`Self::parts`]; of a bottle, `section N` may follow and picks that one.
    /// Of several, the first is given.
    pub(crate) fn part(&self, cursor: &mut Cursor<'_, '_>, naming: &Naming) -> Outcome<PartId> {
        let parts = self.parts(cursor, naming)?;
        let Some(&first) = parts.first() else {
            return Err(Fault::Follows);
        };
        if !cursor.accept("section") {
            return Ok(first);
        }
        let (number, token) = section_number(cursor)?;
        let found = parts
            .iter()
            .find(|&&id| unit_of(self.stage.part(id)) == Some(number));
        found.copied().ok_or_else(|| {
            Diagnostic::error(
                "no-such-section",
                token.span,
                format!(
                    "section {number} of `{}` is not wired in this stage",
                    self.name(first)
                ),
            )
            .label("not in this stage")
            .into()
        })
    }

    /// Windings of the transformer that comes next, if it is one.
    pub(crate) fn windings(&self, cursor: &mut Cursor<'_, '_>, naming: &Naming) -> Vec<PartId> {
        let word = cursor.peek_word();
        let index = self
            .transformers
            .get(&fold(&format!("{}{word}", naming.prefix)))
            .copied();
        let Some(index) = index else {
            return Vec::new();
        };
        let mut windings = Vec::new();
        for (id, part) in (0u32..).zip(&self.stage.parts) {
            if matches!(part.kind, PartKind::Winding { transformer: Some(of), .. } if of == index) {
                windings.push(PartId(id));
            }
        }
        if !windings.is_empty() {
            cursor.next();
        }
        windings
    }

    pub(crate) fn name(&self, id: PartId) -> &'s str {
        &self.stage.part(id).name
    }

    fn unknown_part(&self, token: Token<'_>) -> Fault {
        if self.incomplete || self.tainted.contains(&fold(token.text)) {
            return Fault::Follows;
        }
        let fault = Diagnostic::error(
            "unknown-part",
            token.span,
            format!("no part is called `{}`", token.text),
        )
        .label("unknown designator");
        let known = self.stage.parts.iter().map(|p| p.name.as_str());
        fault.did_you_mean(self.near(token.text, known)).into()
    }

    fn unknown_node(&self, naming: &Naming, token: Token<'_>) -> Fault {
        let parts = self.parts_named(naming, token.text);
        if parts.is_empty() && (self.incomplete || self.tainted.contains(&fold(token.text))) {
            return Fault::Follows;
        }
        let fault = Diagnostic::error(
            "unknown-node",
            token.span,
            format!("no node is called `{}`", token.text),
        )
        .label("unknown node");
        if let [first, ..] = parts {
            let part = self.stage.part(*first);
            let help = if part.kind.ends().is_some() {
                format!(
                    "`{0}` is a part: write `across {0}` for the voltage over it",
                    token.text
                )
            } else {
                format!(
                    "`{0}` is a part: name an electrode or a pin, as in `{0} plate` or `{0} pin 6`",
                    token.text
                )
            };
            return fault.help(help).into();
        }
        let known = self.stage.nodes.iter().map(|n| n.name.as_str());
        fault.did_you_mean(self.near(token.text, known)).into()
    }

    /// A point that a voltmeter or ohmmeter probes: a node, pin, electrode or `across PART`.
    pub(crate) fn probe(&self, cursor: &mut Cursor<'_, '_>, naming: &Naming) -> Outcome<Point> {
        if cursor.accept("across") {
            let (part, name) = self.two_ended(cursor, naming)?;
            return Ok(Point {
                label: format!("across {name}"),
                place: Place::Across(part),
            });
        }
        let follows = cursor.peek_word_at(1);
        let of_part = matches!(follows, "pin" | "section") || terminal_word(follows);
        if of_part {
            return self.terminal(cursor, naming);
        }
        let token = cursor.name("a point")?;
        match self.node_named(naming, token.text) {
            Some(id) => Ok(self.node_point(id)),
            None => Err(self.unknown_node(naming, token)),
        }
    }

    fn node_point(&self, id: NodeId) -> Point {
        Point {
            label: self.stage.node(id).name.clone(),
            place: Place::Node(id),
        }
    }

    /// `through PART`, after the word `through`.
    pub(crate) fn through(&self, cursor: &mut Cursor<'_, '_>, naming: &Naming) -> Outcome<Point> {
        let (part, name) = self.two_ended(cursor, naming)?;
        Ok(Point {
            label: format!("through {name}"),
            place: Place::Through(part),
        })
    }

    /// A panel meter, by its designator.
    pub(crate) fn panel(
        &self,
        cursor: &mut Cursor<'_, '_>,
        naming: &Naming,
    ) -> Outcome<(Point, &'s Part)> {
        let span = cursor.here();
        let id = self.part(cursor, naming)?;
        let part = self.stage.part(id);
        if !matches!(part.kind, PartKind::Meter { .. }) {
            return Err(Diagnostic::error(
                "not-a-meter",
                span,
                format!("`{}` is no panel meter", part.name),
            )
            .label("not a `meter`")
            .into());
        }
        let point = Point {
            label: part.name.clone(),
            place: Place::Through(id),
        };
        Ok((point, part))
    }

    fn two_ended(
        &self,
        cursor: &mut Cursor<'_, '_>,
        naming: &Naming,
    ) -> Outcome<(PartId, &'s str)> {
        let span = cursor.here();
        let parts = self.parts(cursor, naming)?;
        let ended = parts
            .iter()
            .find(|&&id| self.stage.part(id).kind.ends().is_some());
        match (ended, parts.first()) {
            (Some(&id), _) => Ok((id, self.name(id))),
            (None, Some(&first)) => Err(Diagnostic::error(
                "not-two-ended",
                span,
                format!("`{}` has more than two ends", self.name(first)),
            )
            .label("between which two?")
            .help("name a resistor or another part that has two ends")
            .into()),
            (None, None) => Err(Fault::Follows),
        }
    }

    /// `V1 pin 6`, `V1 plate`, `V1 section 2 plate`, `Q1 base`, `R5 wiper`.
    fn terminal(&self, cursor: &mut Cursor<'_, '_>, naming: &Naming) -> Outcome<Point> {
        let name_token = cursor.peek();
        let parts = self.parts(cursor, naming)?;
        let (Some(&first), Some(name_token)) = (parts.first(), name_token) else {
            return Err(Fault::Follows);
        };
        let name = self.name(first);
        if cursor.accept("pin") {
            return self.pin(cursor, &parts);
        }
        let section = if cursor.accept("section") {
            Some(section_number(cursor)?)
        } else {
            None
        };
        let word = cursor.name("an electrode")?;
        let known_here: Vec<PartId> = match section {
            Some((number, token)) => {
                let of_section: Vec<PartId> = parts
                    .iter()
                    .copied()
                    .filter(|&id| unit_of(self.stage.part(id)) == Some(number))
                    .collect();
                if of_section.is_empty() {
                    return Err(Diagnostic::error(
                        "no-such-section",
                        token.span,
                        format!("section {number} of `{name}` is not wired in this stage"),
                    )
                    .label("not in this stage")
                    .into());
                }
                of_section
            }
            None => parts,
        };
        let mut found = known_here
            .iter()
            .filter_map(|&id| terminal_node(&self.stage.part(id).kind, word.text));
        let Some(node) = found.next() else {
            return Err(no_terminal(name, word, &self.stage.part(first).kind).into());
        };
        if found.next().is_some() {
            return Err(Diagnostic::error(
                "which-section",
                name_token.span,
                format!("`{name}` has two sections in this stage"),
            )
            .label("which one?")
            .help(format!("write `{name} section 1 {}`", word.text))
            .into());
        }
        let label = match section {
            Some((number, _)) => format!("{name} section {number} {}", word.text),
            None => format!("{name} {}", word.text),
        };
        Ok(Point {
            label,
            place: Place::Node(node),
        })
    }

    fn pin(&self, cursor: &mut Cursor<'_, '_>, parts: &[PartId]) -> Outcome<Point> {
        let Some(&first) = parts.first() else {
            return Err(Fault::Follows);
        };
        let token = match (cursor.peek(), cursor.peek_word().parse::<u8>()) {
            (Some(token), Ok(_)) => token,
            _ => return Err(cursor.wanted("a pin's number").into()),
        };
        let number = cursor.peek_word().parse::<u8>().unwrap_or(0);
        cursor.next();
        let part = self.stage.part(first);
        let name = &part.name;
        let fault = |code, message: String, label: &str| {
            Diagnostic::error(code, token.span, message).label(label)
        };
        let Some(type_name) = tube_type_of(&part.kind) else {
            return Err(fault(
                "no-basing",
                format!("`{name}` is no tube: only tubes have numbered pins"),
                "no socket",
            )
            .into());
        };
        let own = self
            .stage
            .tube_types
            .iter()
            .any(|t| is_same(&t.name, type_name));
        let entry = self.names.find(type_name).filter(|_| !own);
        let Some(entry) = entry else {
            return Err(fault(
                "no-basing",
                format!("the basing of a {type_name} is not known"),
                "pins not known",
            )
            .help(format!("name the electrode instead, as in `{name} plate`"))
            .into());
        };
        let on_pin = (1u8..).zip(&entry.units).find_map(|(unit, pins)| {
            let (electrode, _) = pins.iter().find(|(_, pin)| *pin == number && number != 0)?;
            Some((unit, *electrode))
        });
        let Some((unit, electrode)) = on_pin else {
            let mut pins: Vec<u8> = entry.units.iter().flatten().map(|&(_, pin)| pin).collect();
            pins.retain(|&pin| pin != 0);
            pins.sort_unstable();
            pins.dedup();
            let list: Vec<String> = pins.iter().map(u8::to_string).collect();
            return Err(fault(
                "no-such-pin",
                format!("no electrode of a {} is on pin {number}", entry.name),
                "no electrode here",
            )
            .help(format!("its electrodes are on pins {}", list.join(", ")))
            .into());
        };
        let node = parts.iter().find_map(|&id| {
            let part = self.stage.part(id);
            let same_unit = unit_of(part).unwrap_or(1) == unit;
            let word = electrode_word(electrode);
            same_unit.then(|| terminal_node(&part.kind, word)).flatten()
        });
        match node {
            Some(node) => Ok(Point {
                label: format!("{name} pin {number}"),
                place: Place::Node(node),
            }),
            None => Err(fault(
                "pin-not-wired",
                format!(
                    "pin {number} of `{name}` is the {} of section {unit}, which this stage does not wire",
                    electrode_word(electrode)
                ),
                "not wired",
            )
            .into()),
        }
    }
}

/// Which section of its bottle a part is, if it says.
pub(crate) fn unit_of(part: &Part) -> Option<u8> {
    match part.kind {
        PartKind::Tube { unit, .. } => unit,
        _ => None,
    }
}

fn tube_type_of(kind: &PartKind) -> Option<&str> {
    match kind {
        PartKind::Tube { tube_type, .. }
        | PartKind::Rectifier { tube_type, .. }
        | PartKind::Regulator { tube_type, .. } => Some(tube_type),
        PartKind::Diode { diode_type, .. } => Some(diode_type),
        _ => None,
    }
}

fn terminal_word(word: &str) -> bool {
    ELECTRODES.iter().any(|(known, _)| *known == word)
        || matches!(word, "anode" | "emitter" | "base" | "collector" | "wiper")
}

/// The node of a part's terminal by its word.
fn terminal_node(kind: &PartKind, word: &str) -> Option<NodeId> {
    match *kind {
        PartKind::Tube { ref electrodes, .. } => {
            let (_, wanted) = ELECTRODES.iter().find(|(known, _)| *known == word)?;
            electrodes
                .iter()
                .find(|(electrode, _)| electrode == wanted)
                .map(|&(_, node)| node)
        }
        PartKind::Transistor {
            emitter,
            base,
            collector,
            ..
        } => match word {
            "emitter" => Some(emitter),
            "base" => Some(base),
            "collector" => Some(collector),
            _ => None,
        },
        PartKind::Diode { from, to, .. } | PartKind::Regulator { from, to, .. } => match word {
            "anode" | "plate" => Some(from),
            "cathode" => Some(to),
            _ => None,
        },
        // The plates of a rectifier are on the winding, where there is no DC to probe.
        PartKind::Rectifier { from, .. } => (word == "cathode").then_some(from),
        PartKind::Potentiometer { wiper, .. } => (word == "wiper").then_some(wiper),
        _ => None,
    }
}

fn no_terminal(name: &str, word: Token<'_>, kind: &PartKind) -> Diagnostic {
    let fault = Diagnostic::error(
        "no-such-electrode",
        word.span,
        format!("`{name}` has no {} in this stage", word.text),
    )
    .label("not wired");
    let words: Vec<String> = match kind {
        PartKind::Tube { electrodes, .. } => electrodes
            .iter()
            .map(|&(electrode, _): &(Electrode, NodeId)| electrode_word(electrode).to_owned())
            .collect(),
        PartKind::Transistor { .. } => ["emitter", "base", "collector"].map(str::to_owned).to_vec(),
        _ => Vec::new(),
    };
    if words.is_empty() {
        return fault;
    }
    fault.help(format!("it has {}", either(&words)))
}
