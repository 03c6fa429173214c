//! The readings sheet.

use std::collections::HashSet;

use crate::Parsed;
use crate::bounds::{MOST_READINGS, MOST_REMARKS};
use crate::cursor::{Cursor, Outcome, shown};
use crate::diagnostic::Diagnostic;
use crate::expect::panel_value;
use crate::kinds::READINGS;
use crate::lex::{Statement, Token, TokenKind};
use crate::limits;
use crate::meter::meter;
use crate::names::TubeNames;
use crate::point::{Index, Naming, unit_of};
use crate::reading::{bound, bounded, tail, taken, tester_value};
use crate::readings::{Look, Reading, Readings, Remark, RemarkKind};
use crate::room::Room;
use crate::span::Span;
use crate::stage::{PartId, PartKind, Place, Point, Quantity, Stage};
use crate::titled::{self, Reads, Titled};
use crate::units::Volts;

const KEYWORDS: [&str; 13] = [
    "readings", "meter", "line", "setting", "volts", "ohms", "amps", "panel", "tester", "seen",
    "good", "replaced", "notes",
];

const LOOKS: [(&str, Look); 5] = [
    ("burnt", Look::Burnt),
    ("cracked", Look::Cracked),
    ("leaking", Look::Leaking),
    ("hot", Look::Hot),
    ("arcing", Look::Arcing),
];

/// The word for a look.
pub(crate) fn look_word(look: Look) -> &'static str {
    LOOKS
        .iter()
        .find(|(_, known)| *known == look)
        .map_or("burnt", |(word, _)| word)
}

/// Reads a readings sheet against the stage that it is of.
///
/// `names` gives the basing for points such as `V1 pin 6`. What could not be
/// understood is reported in [`Parsed::diagnostics`], in the order of the text.
pub fn parse_readings(
    name: &str,
    text: &str,
    stage: &Stage,
    names: &TubeNames,
) -> Parsed<Readings> {
    let mut sheet = Sheet {
        index: Index::new(stage, names, HashSet::new()),
        readings: Readings::default(),
        titled: Titled::new(&READINGS),
        remarks: 0,
        room: Room::default(),
    };
    let (sources, findings) = titled::read(name, text, &mut sheet);
    let (diagnostics, unlisted) = findings.finish();
    Parsed {
        value: sheet.readings,
        diagnostics,
        unlisted,
        sources,
    }
}

struct Sheet<'s> {
    index: Index<'s>,
    readings: Readings,
    titled: Titled,
    /// Lines with a remark; one may be of several parts.
    remarks: usize,
    room: Room,
}

impl Reads for Sheet<'_> {
    fn titled(&mut self) -> &mut Titled {
        &mut self.titled
    }

    fn statement(&mut self, cursor: &mut Cursor<'_, '_>, statement: &Statement<'_>) -> Outcome<()> {
        let Some(first) = cursor.next() else {
            return Ok(());
        };
        self.titled.begins(cursor, first);
        let keyword = match first.kind {
            TokenKind::Word => first.text,
            _ => "",
        };
        let conditions = &mut self.readings.conditions;
        match keyword {
            "readings" => self.readings.title = self.titled.title(cursor)?,
            "notes" => {
                let text = cursor.text("the note")?;
                self.readings.notes.push(text);
            }
            "meter" => conditions.meter = meter(cursor)?,
            "line" => conditions.line = Some(Volts(cursor.value(&limits::LINE)?)),
            "setting" => {
                let named = cursor.name("a setting")?;
                conditions.setting = self.index.setting(named)?;
            }
            "volts" | "ohms" | "amps" | "panel" | "tester" => {
                let met = self.readings.readings.len();
                self.room
                    .for_one_more(met, MOST_READINGS, "readings", statement.span)?;
                let reading = self.reading(cursor, keyword)?;
                self.readings.readings.push(reading);
            }
            "seen" => {
                let parts = self.remarked(cursor)?;
                let look = cursor.choice("a visible fault", &LOOKS)?;
                cursor.finish()?;
                self.remark(&parts, RemarkKind::Seen(look), statement.span)?;
            }
            "good" | "replaced" => {
                let parts = self.remarked(cursor)?;
                cursor.finish()?;
                let kind = match keyword {
                    "good" => RemarkKind::Good,
                    _ => RemarkKind::Replaced,
                };
                self.remark(&parts, kind, statement.span)?;
            }
            _ => {
                let near = self.index.near(keyword, KEYWORDS.into_iter());
                return Err(unknown_keyword(first, keyword, near).into());
            }
        }
        cursor.finish()
    }
}

impl Sheet<'_> {
    /// The part that a remark is about, or the windings of a transformer.
    fn remarked(&self, cursor: &mut Cursor<'_, '_>) -> Outcome<Vec<PartId>> {
        let windings = self.index.windings(cursor, &Naming::default());
        if !windings.is_empty() {
            return Ok(windings);
        }
        Ok(vec![self.index.part(cursor, &Naming::default())?])
    }

    fn remark(&mut self, parts: &[PartId], kind: RemarkKind, span: Span) -> Outcome<()> {
        self.room
            .for_one_more(self.remarks, MOST_REMARKS, "remarks", span)?;
        self.remarks += 1;
        let remarks = parts.iter().map(|&part| Remark { part, kind, span });
        self.readings.remarks.extend(remarks);
        Ok(())
    }

    fn reading(&self, cursor: &mut Cursor<'_, '_>, keyword: &str) -> Outcome<Reading> {
        let naming = Naming::default();
        let conditions = &self.readings.conditions;
        let reading = match keyword {
            "panel" => {
                let (point, part) = self.index.panel(cursor, &naming)?;
                let bound = bound(cursor);
                let value = panel_value(cursor, part)?;
                taken(
                    Quantity::Panel,
                    point,
                    value,
                    bound,
                    conditions,
                    cursor.span,
                )
            }
            "tester" => {
                let point = self.tester_point(cursor)?;
                let bound = bound(cursor);
                let value = tester_value(cursor)?;
                taken(
                    Quantity::Tester,
                    point,
                    value,
                    bound,
                    conditions,
                    cursor.span,
                )
            }
            "amps" => {
                if !cursor.accept("through") {
                    return Err(cursor
                        .wanted("`through`")
                        .help("a current is read through a part: `amps through R9 4.1mA`")
                        .into());
                }
                let point = self.index.through(cursor, &naming)?;
                bounded(cursor, Quantity::Amps, point, conditions)?
            }
            "ohms" => {
                let point = self.index.probe(cursor, &naming)?;
                bounded(cursor, Quantity::Ohms, point, conditions)?
            }
            _ => {
                let point = self.index.probe(cursor, &naming)?;
                bounded(cursor, Quantity::Volts, point, conditions)?
            }
        };
        tail(cursor, &self.index, reading)
    }

    fn tester_point(&self, cursor: &mut Cursor<'_, '_>) -> Outcome<Point> {
        let span = cursor.here();
        let id = self.index.part(cursor, &Naming::default())?;
        let part = self.index.stage.part(id);
        if !is_tube(&part.kind) {
            return Err(Diagnostic::error(
                "not-a-tube",
                span,
                format!(
                    "`{}` is no tube: a tube tester says nothing of it",
                    part.name
                ),
            )
            .label("not a tube")
            .into());
        }
        Ok(Point {
            label: tester_label(self.index.stage, id),
            place: Place::Through(id),
        })
    }
}

/// `V1`, or `V1 section 2` for a section that the designator alone does not reach.
pub(crate) fn tester_label(stage: &Stage, id: PartId) -> String {
    let part = stage.part(id);
    match unit_of(part) {
        Some(unit) if stage.parts_named(&part.name).next() != Some(id) => {
            format!("{} section {unit}", part.name)
        }
        _ => part.name.clone(),
    }
}

pub(crate) fn is_tube(kind: &PartKind) -> bool {
    match kind {
        PartKind::Tube { .. } | PartKind::Regulator { .. } => true,
        PartKind::Rectifier { tube_type: t, .. } | PartKind::Diode { diode_type: t, .. } => {
            !matches!(t.as_str(), "silicon" | "germanium" | "selenium")
        }
        _ => false,
    }
}

fn unknown_keyword(first: Token<'_>, keyword: &str, near: Option<&str>) -> Diagnostic {
    let fault = Diagnostic::error(
        "unknown-keyword",
        first.span,
        format!("no line of a readings sheet begins with {}", shown(first)),
    )
    .label("unknown keyword");
    if crate::file::is_keyword(keyword) {
        return fault.help(format!("`{keyword}` belongs in a stage file"));
    }
    fault.did_you_mean(near)
}
