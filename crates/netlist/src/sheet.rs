//! The readings sheet.

use std::collections::HashSet;
use std::sync::Arc;

use crate::Parsed;
use crate::builder::has_errors;
use crate::cursor::{Cursor, Fault, Outcome, shown};
use crate::diagnostic::Diagnostic;
use crate::expect::panel_value;
use crate::lex::{Statement, TokenKind, statements};
use crate::limits::{self, Limits};
use crate::meter::meter;
use crate::names::TubeNames;
use crate::nearest::nearest;
use crate::point::{Index, Naming, unit_of};
use crate::properties::once;
use crate::readings::{Bound, Conditions, Look, Reading, Readings, Remark, RemarkKind};
use crate::span::{FileId, SourceMap, Span};
use crate::stage::{PartId, PartKind, Place, Point, Quantity, Stage};
use crate::units::Volts;
use crate::value;

/// What `ohms ... inf` stands for: above the reach of an ordinary ohmmeter,
/// 20 MΩ (common practice, no source).
pub const OHMMETER_REACH: f64 = 20e6;

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
    let sources = SourceMap::single(name, text);
    let mut diagnostics = Vec::new();
    let mut sheet = Sheet {
        index: Index::new(stage, names, HashSet::new()),
        readings: Readings::default(),
        titled: None,
        any: false,
    };
    if let Some(text) = sources.files.first().map(|file| Arc::clone(&file.text))
        && u32::try_from(text.len()).is_ok()
    {
        for statement in statements(&text, FileId(0), 0, &mut diagnostics) {
            if statement.broken {
                sheet.any = true;
                continue;
            }
            let mut cursor = Cursor::new(&statement);
            let outcome = sheet.statement(&mut cursor, &statement);
            diagnostics.append(&mut cursor.notes);
            if let Err(Fault::Say(diagnostic)) = outcome {
                diagnostics.push(*diagnostic);
            }
            sheet.any = true;
        }
    }
    diagnostics.sort_by_key(|d| d.span.start);
    Parsed {
        value: sheet.readings,
        diagnostics,
        sources,
    }
}

/// Reads `POINT=VALUE` as typed on a command line: a voltage, taken under the
/// conditions given. `range 250V` and `with V2 pulled` may follow the value.
///
/// # Errors
///
/// What is wrong, with a span in a source that holds `text` alone
/// ([`SourceMap::single`]).
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
pub fn parse_meter(text: &str) -> Result<crate::readings::Meter, Diagnostic> {
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

/// Reads a text that holds one statement's worth of words with `read`.
fn one<T>(
    text: &str,
    read: impl FnOnce(&mut Cursor<'_, '_>) -> Outcome<T>,
) -> Result<T, Diagnostic> {
    let mut sink = Vec::new();
    let found = statements(text.trim_start(), FileId(0), leading_space(text), &mut sink);
    let empty = Diagnostic::error(
        "nothing-there",
        Span::default(),
        "there is nothing here to read",
    );
    if let Some(diagnostic) = sink.pop() {
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
        Ok(_) if has_errors(&cursor.notes) => Err(cursor.notes.pop().unwrap_or(empty)),
        Ok(value) => Ok(value),
        Err(Fault::Say(diagnostic)) => Err(*diagnostic),
        Err(Fault::Follows) => Err(empty),
    }
}

fn leading_space(text: &str) -> u32 {
    crate::cursor::clamp(text.len() - text.trim_start().len())
}

impl Diagnostic {
    fn help_for_keyword(self, keyword: &str) -> Self {
        if crate::file::is_keyword(keyword) {
            return self.help(format!("`{keyword}` belongs in a stage file"));
        }
        self.did_you_mean(nearest(keyword, KEYWORDS))
    }
}

struct Sheet<'s> {
    index: Index<'s>,
    readings: Readings,
    titled: Option<Span>,
    /// Whether any statement was met.
    any: bool,
}

impl Sheet<'_> {
    fn statement(&mut self, cursor: &mut Cursor<'_, '_>, statement: &Statement<'_>) -> Outcome<()> {
        let Some(first) = cursor.next() else {
            return Ok(());
        };
        if !self.any && first.text != "readings" && self.titled.is_none() {
            cursor.notes.push(
                Diagnostic::error(
                    "no-title",
                    first.span,
                    "a readings sheet begins with its title",
                )
                .label("`readings` should stand before this")
                .help("begin the file with `readings \"TITLE\"`"),
            );
        }
        let keyword = match first.kind {
            TokenKind::Word => first.text,
            _ => "",
        };
        let conditions = &mut self.readings.conditions;
        match keyword {
            "readings" => return self.title(cursor),
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
                let reading = self.reading(cursor, keyword)?;
                self.readings.readings.push(reading);
            }
            "seen" => {
                let parts = self.remarked(cursor)?;
                let look = cursor.choice("a visible fault", &LOOKS)?;
                cursor.finish()?;
                self.remark(&parts, RemarkKind::Seen(look), statement.span);
            }
            "good" | "replaced" => {
                let parts = self.remarked(cursor)?;
                cursor.finish()?;
                let kind = match keyword {
                    "good" => RemarkKind::Good,
                    _ => RemarkKind::Replaced,
                };
                self.remark(&parts, kind, statement.span);
            }
            _ => {
                return Err(Diagnostic::error(
                    "unknown-keyword",
                    first.span,
                    format!("no line of a readings sheet begins with {}", shown(first)),
                )
                .label("unknown keyword")
                .help_for_keyword(keyword)
                .into());
            }
        }
        cursor.finish()
    }

    fn title(&mut self, cursor: &mut Cursor<'_, '_>) -> Outcome<()> {
        let title = cursor.text("the sheet's title")?;
        cursor.finish()?;
        if let Some(earlier) = self.titled {
            return Err(Diagnostic::error(
                "repeated-statement",
                cursor.span,
                "a readings sheet has one title",
            )
            .label("second title")
            .related(earlier, "first title")
            .into());
        }
        self.titled = Some(cursor.span);
        self.readings.title = title;
        if self.any {
            return Err(Diagnostic::error(
                "title-not-first",
                cursor.span,
                "the title is not the first statement",
            )
            .label("belongs at the top")
            .into());
        }
        Ok(())
    }

    /// The part that a remark is about, or the windings of a transformer.
    fn remarked(&self, cursor: &mut Cursor<'_, '_>) -> Outcome<Vec<PartId>> {
        let windings = self.index.windings(cursor, &Naming::default());
        if !windings.is_empty() {
            return Ok(windings);
        }
        Ok(vec![self.index.part(cursor, &Naming::default())?])
    }

    fn remark(&mut self, parts: &[PartId], kind: RemarkKind, span: Span) {
        let remarks = parts.iter().map(|&part| Remark { part, kind, span });
        self.readings.remarks.extend(remarks);
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

fn is_tube(kind: &PartKind) -> bool {
    match kind {
        PartKind::Tube { .. } | PartKind::Regulator { .. } => true,
        PartKind::Rectifier { tube_type: t, .. } | PartKind::Diode { diode_type: t, .. } => {
            !matches!(t.as_str(), "silicon" | "germanium" | "selenium")
        }
        _ => false,
    }
}

fn taken(
    quantity: Quantity,
    point: Point,
    value: f64,
    bound: Bound,
    conditions: &Conditions,
    span: Span,
) -> Reading {
    Reading {
        quantity,
        point,
        value,
        bound,
        meter: conditions.meter,
        range: None,
        setting: conditions.setting,
        line: conditions.line,
        pulled: Vec::new(),
        lifted: Vec::new(),
        span,
    }
}

fn bound(cursor: &mut Cursor<'_, '_>) -> Bound {
    if cursor.accept_sign(TokenKind::Greater) {
        Bound::Above
    } else if cursor.accept_sign(TokenKind::Less) {
        Bound::Below
    } else {
        Bound::Exact
    }
}

/// A value with its bound, in volts, ohms or amperes.
fn bounded(
    cursor: &mut Cursor<'_, '_>,
    quantity: Quantity,
    point: Point,
    conditions: &Conditions,
) -> Outcome<Reading> {
    let span = cursor.span;
    let bound = bound(cursor);
    if quantity == Quantity::Ohms && bound == Bound::Exact && cursor.accept("inf") {
        return Ok(taken(
            quantity,
            point,
            OHMMETER_REACH,
            Bound::Above,
            conditions,
            span,
        ));
    }
    let limits: &Limits = match quantity {
        Quantity::Ohms => &limits::OHMS_READ,
        Quantity::Amps => &limits::AMPS_READ,
        _ => &limits::VOLTS_READ,
    };
    if cursor.peek_word() == "inf" {
        return Err(cursor
            .wanted(limits.what)
            .help("for a reading beyond the range write what it was above: `> 300V`")
            .into());
    }
    let value = cursor.value(limits)?;
    Ok(taken(quantity, point, value, bound, conditions, span))
}

fn tester_value(cursor: &mut Cursor<'_, '_>) -> Outcome<f64> {
    let word = cursor.peek_word();
    let number = word.strip_suffix('%').unwrap_or(word);
    match value::leading_number(number) {
        Some((percent, "")) if (0.0..=300.0).contains(&percent) => {
            cursor.next();
            Ok(percent)
        }
        _ => Err(cursor
            .wanted("the tester's reading")
            .help("write it in per cent of a new tube: `tester V1 45%`")
            .into()),
    }
}

/// `range 250V`, `with V2 pulled`, `with C2 lifted`, in any order.
fn tail(cursor: &mut Cursor<'_, '_>, index: &Index<'_>, mut reading: Reading) -> Outcome<Reading> {
    while let Some(token) = cursor.peek() {
        if cursor.accept("range") {
            let limits = match reading.quantity {
                Quantity::Volts => &limits::RANGE_VOLTS,
                Quantity::Amps => &limits::RANGE_AMPS,
                Quantity::Ohms => &limits::RANGE_OHMS,
                Quantity::Panel | Quantity::Tester => {
                    return Err(Diagnostic::error(
                        "unexpected-word",
                        token.span,
                        "only volts, ohms and amps are read on a range",
                    )
                    .label("not expected here")
                    .into());
                }
            };
            let full_scale = cursor.value(limits)?;
            once(&mut reading.range, full_scale, token)?;
        } else if cursor.accept("with") {
            with(cursor, index, &mut reading)?;
        } else {
            return Err(cursor
                .wanted("`range`, `with TUBE pulled` or `with PART lifted`")
                .into());
        }
    }
    Ok(reading)
}

fn with(cursor: &mut Cursor<'_, '_>, index: &Index<'_>, reading: &mut Reading) -> Outcome<()> {
    let Some(token) = cursor.peek() else {
        return Err(cursor.wanted("a designator").into());
    };
    let parts = index.parts(cursor, &Naming::default())?;
    let Some(&id) = parts.first() else {
        return Err(Fault::Follows);
    };
    let part = index.stage.part(id);
    let pulled = cursor.choice(
        "`pulled` or `lifted`",
        &[("pulled", true), ("lifted", false)],
    )?;
    let plugs_in =
        is_tube(&part.kind) || matches!(part.kind, PartKind::Lamp { .. } | PartKind::Fuse { .. });
    let soldered = !is_tube(&part.kind);
    if pulled && !plugs_in {
        return Err(Diagnostic::error(
            "not-pluggable",
            token.span,
            format!("`{}` sits in no socket", part.name),
        )
        .label("can't be pulled")
        .help(format!(
            "with one lead off, write `with {} lifted`",
            part.name
        ))
        .into());
    }
    if !pulled && !soldered {
        return Err(Diagnostic::error(
            "not-soldered",
            token.span,
            format!("`{}` is a tube: it has no lead to lift", part.name),
        )
        .label("can't be lifted")
        .help(format!(
            "out of its socket, write `with {} pulled`",
            part.name
        ))
        .into());
    }
    let list = if pulled {
        &mut reading.pulled
    } else {
        &mut reading.lifted
    };
    if !list.contains(&id) {
        list.push(id);
    }
    Ok(())
}
