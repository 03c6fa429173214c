//! Statements of tubes, diodes and transistors, and the types they name.

use crate::cursor::{Cursor, Outcome, either};
use crate::diagnostic::Diagnostic;
use crate::lex::{Token, TokenKind};
use crate::limits;
use crate::names::{TubeName, TubeRole};
use crate::nearest::nearest;
use crate::properties::{Ratings, Takes, once, part, tail};
use crate::reader::Reader;
use crate::stage::{Drive, Electrode, NodeId, PartKind, TubeKind, TubeTypeDefinition};
use crate::units::{Amps, Volts};

/// Electrodes by the words of the trade.
pub(crate) const ELECTRODES: [(&str, Electrode); 7] = [
    ("plate", Electrode::Plate),
    ("grid", Electrode::Grid),
    ("screen", Electrode::Screen),
    ("suppressor", Electrode::Suppressor),
    ("cathode", Electrode::Cathode),
    ("grid3", Electrode::Grid3),
    ("target", Electrode::Target),
];

/// The word for an electrode.
pub(crate) fn electrode_word(electrode: Electrode) -> &'static str {
    ELECTRODES
        .iter()
        .find(|(_, known)| *known == electrode)
        .map_or("electrode", |(word, _)| word)
}

const SOLID_STATE_DIODES: [&str; 3] = ["silicon", "germanium", "selenium"];
const SOLID_STATE_RECTIFIERS: [&str; 2] = ["silicon", "selenium"];
const TRANSISTOR_MATERIALS: [&str; 2] = ["germanium", "silicon"];

/// The one of `words` that `token` is.
fn one_of(words: &[&'static str], token: Token<'_>) -> Option<&'static str> {
    words.iter().copied().find(|word| *word == token.text)
}

fn wrong_role(token: Token<'_>, found: &TubeName) -> Diagnostic {
    let (what, keyword) = match found.role {
        TubeRole::Amplifier => ("an amplifying tube", "`tube`"),
        TubeRole::Rectifier => ("a rectifier", "`rectifier` or `diode`"),
        TubeRole::Regulator => ("a gas regulator", "`regulator`"),
    };
    let help = match diode_section(found) {
        Some(section) => format!(
            "write its diodes as {keyword}: `tube V1 {} section {section} plate=... cathode=...`",
            found.name
        ),
        None => format!("write it as {keyword}"),
    };
    Diagnostic::error(
        "wrong-kind-of-tube",
        token.span,
        format!("a {} is {what}", found.name),
    )
    .label("another kind of tube")
    .help(help)
}

/// The first section of an amplifying tube that is a diode beside the others.
fn diode_section(found: &TubeName) -> Option<usize> {
    let diode = |unit: &Vec<(Electrode, u8)>| {
        unit.iter()
            .all(|(electrode, _)| matches!(electrode, Electrode::Plate | Electrode::Cathode))
    };
    (found.role == TubeRole::Amplifier)
        .then(|| found.units.iter().position(diode))
        .flatten()
        .map(|index| index + 1)
}

/// `section 1`, `section 2` or `section 3`, each as it is written.
fn section_words(sections: usize) -> String {
    let words: Vec<String> = (1..=sections).map(|n| format!("`section {n}`")).collect();
    match words.split_last() {
        Some((last, rest)) if !rest.is_empty() => format!("{} or {last}", rest.join(", ")),
        Some((last, _)) => last.clone(),
        None => String::new(),
    }
}

/// A name that is taken for a type's, with a doubt.
pub(crate) fn doubtful_type(
    token: Token<'_>,
    written: &str,
    found: &TubeName,
    doubt: &str,
) -> Diagnostic {
    Diagnostic::warning(
        "doubtful-tube-type",
        token.span,
        format!("`{written}` is taken for a {}: {doubt}", found.name),
    )
    .label(format!("taken for a {}", found.name))
    .help("write the type that is meant, or define this one from its data sheet with `tubetype`")
}

/// Tube types of this role, for suggestions beside the solid-state words.
fn near_type(word: &str, words: &[&str], types: &[TubeName], role: TubeRole) -> Option<String> {
    let table = types
        .iter()
        .filter(|t| t.role == role)
        .map(|t| t.name.as_str());
    nearest(word, words.iter().copied().chain(table)).map(str::to_owned)
}

impl<'a> Reader<'_, '_, 'a, '_> {
    /// The name of a tube type here, and how many words it is written in: a print
    /// may part what belongs together (`6V6 GT`, `VR 150/30`, `EF 86`).
    fn written_type(&self) -> (String, usize) {
        let word = self.cursor.peek_word();
        let joined = format!("{word}{}", self.cursor.peek_word_at(1));
        if joined.len() > word.len() && self.builder.names.is_sure(&joined) {
            (joined, 2)
        } else {
            (word.to_owned(), 1)
        }
    }

    /// A type that is either one of `solid_state` or a tube of `role`, as written.
    fn type_of_role(&mut self, solid_state: &[&'static str], role: TubeRole) -> Outcome<String> {
        let token = match self.cursor.peek() {
            Some(token) if token.kind == TokenKind::Word => token,
            _ => return Err(self.cursor.wanted("a type").into()),
        };
        let (written, words) = self.written_type();
        if one_of(solid_state, token).is_none() {
            match self.builder.names.look_up(&written) {
                Some((found, doubt)) if found.role == role => {
                    let doubt = doubt.map(|doubt| doubtful_type(token, &written, found, &doubt));
                    self.cursor.notes.extend(doubt);
                }
                Some((found, _)) => return Err(wrong_role(token, found).into()),
                None => {
                    let near = self
                        .builder
                        .suggest(|b| near_type(&written, solid_state, &b.names.types, role));
                    let fault = Diagnostic::error(
                        "unknown-tube-type",
                        token.span,
                        format!("no {} of type `{written}` is known", self.keyword),
                    )
                    .label("unknown type");
                    let words: Vec<String> =
                        solid_state.iter().map(|word| format!("`{word}`")).collect();
                    return Err(match near {
                        Some(near) => fault.did_you_mean(Some(&near)),
                        None if words.is_empty() => fault,
                        None => fault.help(format!("write {} or a tube type", words.join(", "))),
                    }
                    .into());
                }
            }
        }
        for _ in 0..words {
            self.cursor.next();
        }
        Ok(written)
    }

    pub(crate) fn rectifier_type(&mut self) -> Outcome<String> {
        self.type_of_role(&SOLID_STATE_RECTIFIERS, TubeRole::Rectifier)
    }

    pub(crate) fn diode(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let diode_type = self.type_of_role(&SOLID_STATE_DIODES, TubeRole::Rectifier)?;
        self.anode_to_cathode(name, |from, to| PartKind::Diode {
            diode_type,
            from,
            to,
        })
    }

    pub(crate) fn regulator(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let tube_type = self.type_of_role(&[], TubeRole::Regulator)?;
        self.anode_to_cathode(name, |from, to| PartKind::Regulator {
            tube_type,
            from,
            to,
        })
    }

    fn anode_to_cathode(
        &mut self,
        name: Token<'a>,
        kind: impl FnOnce(NodeId, NodeId) -> PartKind,
    ) -> Outcome<()> {
        let takes = Takes {
            tolerance: true,
            volts: true,
            wires: true,
            ..Takes::default()
        };
        let tail = tail(self.cursor, takes, &mut |_, _| Ok(false))?;
        let (from, to) = tail.wires(self.builder, self.scope, name)?;
        let ratings = self.with_defaults(tail.ratings);
        let part = part(self.scope, self.cursor, &ratings, kind(from, to));
        self.builder.add(self.scope, name, part)?;
        Ok(())
    }

    pub(crate) fn tube(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let type_token = match self.cursor.peek() {
            Some(token) if token.kind == TokenKind::Word => token,
            _ => return Err(self.cursor.wanted("a tube type").into()),
        };
        let (tube_type, words) = self.written_type();
        let table_entry = self
            .builder
            .tube_type(type_token, &tube_type, &mut self.cursor.notes)?;
        if let Some(found) = table_entry
            && found.role != TubeRole::Amplifier
        {
            return Err(wrong_role(type_token, found).into());
        }
        for _ in 0..words {
            self.cursor.next();
        }

        let takes = Takes {
            words: &[
                "section",
                "drive",
                "plate",
                "grid",
                "cathode",
                "screen",
                "suppressor",
                "grid3",
            ],
            ..Takes::default()
        };
        let (mut unit, mut drive) = (None, None);
        let mut wired: Vec<(Electrode, Token<'a>, Token<'a>)> = Vec::new();
        tail(self.cursor, takes, &mut |cursor, token| {
            if cursor.accept_sign(TokenKind::Equals) {
                let electrode = match electrode_named(token) {
                    Ok(electrode) => electrode,
                    Err(fault) => {
                        cursor.next();
                        return Err(fault);
                    }
                };
                let node = cursor.node()?;
                if wired.iter().any(|(known, ..)| *known == electrode) {
                    return Err(Diagnostic::error(
                        "repeated-property",
                        token.span,
                        format!("the {} of `{}` is wired twice", token.text, name.text),
                    )
                    .label("wired before")
                    .into());
                }
                wired.push((electrode, token, node));
                return Ok(true);
            }
            match token.text {
                "section" => once(&mut unit, section_number(cursor)?, token)?,
                "drive" => once(&mut drive, drive_of(cursor)?, token)?,
                word if ELECTRODES.iter().any(|(known, _)| *known == word) => {
                    return Err(cursor
                        .wanted(&format!("`=` after `{word}`"))
                        .help(format!("write `{word}=NODE`"))
                        .into());
                }
                _ => return Ok(false),
            }
            Ok(true)
        })?;

        let unit = self.check_section(type_token, table_entry, unit)?;
        let has = match table_entry {
            Some(found) => electrodes_of(found, unit),
            None => self
                .builder
                .defined_type(&tube_type)
                .map(defined_electrodes),
        };
        check_electrodes(name, type_token, has.as_deref(), &wired)?;

        let mut ends = Vec::with_capacity(wired.len());
        let mut electrodes = Vec::with_capacity(wired.len());
        for (electrode, _, node) in wired {
            let id = self.builder.node(self.scope, node);
            ends.push((node, id));
            electrodes.push((electrode, id));
        }
        self.refuse_one_node(name, &ends)?;
        let kind = PartKind::Tube {
            tube_type,
            unit,
            electrodes,
            drive,
        };
        let part = part(self.scope, self.cursor, &Ratings::default(), kind);
        self.builder.add(self.scope, name, part)?;
        Ok(())
    }

    /// The section stated, held against how many the type has.
    fn check_section(
        &mut self,
        type_token: Token<'a>,
        table_entry: Option<&TubeName>,
        unit: Option<(u8, Token<'a>)>,
    ) -> Outcome<Option<u8>> {
        let sections = table_entry.map_or(1, |found| found.units.len());
        match unit {
            Some((number, token)) if usize::from(number) > sections.max(1) => {
                let count = match sections {
                    0 | 1 => "one section".to_owned(),
                    n => format!("{n} sections"),
                };
                Err(Diagnostic::error(
                    "no-such-section",
                    token.span,
                    format!("a {} has {count}", type_token.text),
                )
                .label("no such section")
                .into())
            }
            Some((number, _)) => Ok(Some(number)),
            None => {
                if sections > 1 {
                    self.cursor.notes.push(
                        Diagnostic::warning(
                            "section-not-stated",
                            type_token.span,
                            format!(
                                "a {} has {sections} sections and this does not say which",
                                type_token.text
                            ),
                        )
                        .label("taken as section 1")
                        .help(format!(
                            "add {}, as the data sheet numbers its units",
                            section_words(sections)
                        )),
                    );
                }
                Ok(None)
            }
        }
    }

    pub(crate) fn transistor(&mut self) -> Outcome<()> {
        let name = self.designator()?;
        let mut transistor_type = self.cursor.name("a transistor's type")?.text.to_owned();
        // `germanium pnp` is a type of two words.
        if TRANSISTOR_MATERIALS.contains(&transistor_type.as_str()) {
            let polarity = self
                .cursor
                .choice("`pnp` or `npn`", &[("pnp", "pnp"), ("npn", "npn")])?;
            transistor_type = format!("{transistor_type} {polarity}");
        }
        let takes = Takes {
            words: &["emitter", "base", "collector"],
            ..Takes::default()
        };
        let (mut emitter, mut base, mut collector) = (None, None, None);
        tail(self.cursor, takes, &mut |cursor, token| {
            let slot = match token.text {
                "emitter" => &mut emitter,
                "base" => &mut base,
                "collector" => &mut collector,
                _ => return Ok(false),
            };
            if !cursor.accept_sign(TokenKind::Equals) {
                return Err(cursor
                    .wanted(&format!("`=` after `{}`", token.text))
                    .help(format!("write `{}=NODE`", token.text))
                    .into());
            }
            once(slot, cursor.node()?, token)?;
            Ok(true)
        })?;
        let missing = |electrode: &str| missing_electrode(name, electrode);
        let emitter = emitter.ok_or_else(|| missing("emitter"))?;
        let base = base.ok_or_else(|| missing("base"))?;
        let collector = collector.ok_or_else(|| missing("collector"))?;
        let ends =
            [emitter, base, collector].map(|token| (token, self.builder.node(self.scope, token)));
        self.refuse_one_node(name, &ends)?;
        let kind = PartKind::Transistor {
            transistor_type,
            emitter: ends[0].1,
            base: ends[1].1,
            collector: ends[2].1,
        };
        let part = part(self.scope, self.cursor, &Ratings::default(), kind);
        self.builder.add(self.scope, name, part)?;
        Ok(())
    }
}

fn electrode_named(token: Token<'_>) -> Outcome<Electrode> {
    if let Some((_, electrode)) = ELECTRODES.iter().find(|(word, _)| *word == token.text) {
        return Ok(*electrode);
    }
    let fault = Diagnostic::error(
        "unknown-electrode",
        token.span,
        format!("`{}` is no electrode of a tube", token.text),
    )
    .label("unknown electrode");
    let near = match token.text {
        "anode" => Some("plate"),
        "filament" => Some("cathode"),
        "grid1" | "g1" => Some("grid"),
        "grid2" | "g2" => Some("screen"),
        "g3" => Some("suppressor"),
        other => nearest(other, ELECTRODES.iter().map(|(word, _)| *word)),
    };
    Err(match near {
        Some(near) => fault.did_you_mean(Some(near)),
        None => {
            let words: Vec<String> = ELECTRODES.iter().map(|(w, _)| format!("`{w}`")).collect();
            fault.help(format!("write {}", either(&words)))
        }
    }
    .into())
}

/// A section number, from 1.
pub(crate) fn section_number<'a>(cursor: &mut Cursor<'_, 'a>) -> Outcome<(u8, Token<'a>)> {
    match (cursor.peek(), cursor.peek_word().parse::<u8>()) {
        (Some(token), Ok(number)) if (1..=9).contains(&number) => {
            cursor.next();
            Ok((number, token))
        }
        _ => Err(cursor
            .wanted("a section's number")
            .help("sections are numbered from 1, as the data sheet numbers its units")
            .into()),
    }
}

/// `25V peak` or `2mA grid`.
fn drive_of(cursor: &mut Cursor<'_, '_>) -> Outcome<Drive> {
    let by_amps = crate::value::by_unit(cursor.peek_word())
        .is_some_and(|(dimension, _)| dimension == crate::value::Dimension::Amps);
    if by_amps {
        let amps = Amps(cursor.value(&limits::DRIVE_AMPS)?);
        cursor.keyword("grid")?;
        return Ok(Drive::GridCurrent(amps));
    }
    let volts = Volts(cursor.value(&limits::DRIVE_VOLTS)?);
    cursor.keyword("peak")?;
    Ok(Drive::Peak(volts))
}

fn electrodes_of(found: &TubeName, unit: Option<u8>) -> Option<Vec<Electrode>> {
    let index = usize::from(unit.unwrap_or(1)).checked_sub(1)?;
    let pins = found.units.get(index)?;
    Some(pins.iter().map(|&(electrode, _)| electrode).collect())
}

fn defined_electrodes(defined: &TubeTypeDefinition) -> Vec<Electrode> {
    let mut has = vec![Electrode::Plate, Electrode::Grid, Electrode::Cathode];
    if defined.kind != TubeKind::Triode {
        has.extend([Electrode::Screen, Electrode::Suppressor]);
    }
    has
}

fn missing_electrode(name: Token<'_>, electrode: &str) -> Diagnostic {
    Diagnostic::error(
        "electrode-not-wired",
        name.span,
        format!("the {electrode} of `{}` is not wired", name.text),
    )
    .label(format!("no `{electrode}=`"))
    .help(format!("add `{electrode}=NODE`"))
}

/// Every electrode that the type has must be wired (the suppressor may be joined inside the
/// bottle, and a print of a tuning indicator's triode may leave out the target), and none that it has not.
fn check_electrodes(
    name: Token<'_>,
    type_token: Token<'_>,
    has: Option<&[Electrode]>,
    wired: &[(Electrode, Token<'_>, Token<'_>)],
) -> Outcome<()> {
    let has = has.unwrap_or(&[Electrode::Plate, Electrode::Cathode]);
    for &(electrode, token, _) in wired {
        if electrode != Electrode::Suppressor && !has.contains(&electrode) {
            return Err(Diagnostic::error(
                "no-such-electrode",
                token.span,
                format!("a {} has no {}", type_token.text, token.text),
            )
            .label("not in this type")
            .into());
        }
    }
    for &electrode in has {
        let is_wired = wired.iter().any(|(known, ..)| *known == electrode);
        let optional = matches!(electrode, Electrode::Suppressor | Electrode::Target);
        if !is_wired && !optional {
            return Err(missing_electrode(name, electrode_word(electrode)).into());
        }
    }
    Ok(())
}
