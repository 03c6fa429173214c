//! The driver: a stage file statement by statement, its includes laid in.

use std::collections::HashSet;
use std::sync::Arc;

use crate::bounds::{DEEPEST_INCLUDE, LONGEST_WORD, MOST_BYTES_IN_ALL, MOST_FILES, MOST_POINTS};
use crate::builder::{Builder, Scope, has_errors};
use crate::checks;
use crate::cursor::{Cursor, Outcome, bounded_name, clamp, shown};
use crate::defaults;
use crate::diagnostic::Diagnostic;
use crate::expect;
use crate::findings::Findings;
use crate::kinds::{Kind, STAGE};
use crate::lex::{Statement, Token, TokenKind, statements};
use crate::names::{TubeNames, fold};
use crate::nearest::nearest;
use crate::point::{Index, Naming};
use crate::reader::Reader;
use crate::room::Room;
use crate::span::{FileId, SourceMap, Span};
use crate::stage::{COMMON, Expect, NodeId, PartKind, Place, Point, Stage, TestPoint};
use crate::tubetype;
use crate::visible::brief;
use crate::whole;
use crate::{Load, Parsed};

/// Keywords of statements that are not parts.
const OTHER_KEYWORDS: [&str; 11] = [
    "stage",
    "notes",
    "common",
    "line",
    "settings",
    "section",
    "defaults",
    "include",
    "tubetype",
    "expect",
    "testpoint",
];

/// Keywords of parts.
const PART_KEYWORDS: [&str; 20] = [
    "supply",
    "rectifier",
    "resistor",
    "potentiometer",
    "capacitor",
    "choke",
    "winding",
    "transformer",
    "tube",
    "diode",
    "regulator",
    "transistor",
    "thermistor",
    "lamp",
    "fuse",
    "link",
    "switch",
    "relay",
    "contact",
    "meter",
];

/// Keywords that a readings sheet has and a stage file has not.
const SHEET_KEYWORDS: [&str; 10] = [
    "readings", "setting", "volts", "ohms", "amps", "panel", "tester", "seen", "good", "replaced",
];

/// Whether a statement of a stage file begins so.
pub(crate) fn is_keyword(word: &str) -> bool {
    keywords().any(|keyword| keyword == word)
}

fn keywords() -> impl Iterator<Item = &'static str> {
    OTHER_KEYWORDS.into_iter().chain(PART_KEYWORDS)
}

/// Reads a stage file and everything it includes.
///
/// `name` is the file's name as messages show it, `names` the tube types
/// known, and `load` is called for each `include` (see [`Load`]). The stage
/// holds every statement that could be understood; all others are reported
/// in [`Parsed::diagnostics`], in the order of the text.
pub fn parse_stage(
    name: &str,
    text: &str,
    names: &TubeNames,
    load: &mut Load<'_>,
) -> Parsed<Stage> {
    let mut reading = Reading {
        builder: Builder::new(names),
        sources: SourceMap::default(),
        deferred: Vec::new(),
        open: Vec::new(),
        load,
        loads: 0,
        bytes: 0,
    };
    let mut scope = Scope::default();
    reading.file(name, text, &mut scope, true);
    reading.finish()
}

struct Reading<'n, 'l, 'f> {
    builder: Builder<'n>,
    sources: SourceMap,
    /// Statements about points, which wait until every part is known.
    deferred: Vec<(Naming, Span)>,
    /// Names of the files being read, outermost first.
    open: Vec<String>,
    load: &'l mut Load<'f>,
    /// How often a file was asked for, found or not.
    loads: usize,
    /// Length of all texts met.
    bytes: usize,
}

impl Reading<'_, '_, '_> {
    fn file(&mut self, name: &str, text: &str, scope: &mut Scope, outermost: bool) {
        let file = FileId(clamp(self.sources.files.len()));
        let (source, too_long) = Kind::source(name, text, file);
        let text = Arc::clone(&source.text);
        self.sources.files.push(source);
        if let Some(finding) = too_long {
            self.builder.sink.push(finding);
            return;
        }
        self.bytes += text.len();
        let found = statements(&text, file, 0, &mut self.builder.sink);
        if let Some(finding) = STAGE.mistaken(&found) {
            self.builder.sink.push(finding);
            return;
        }
        self.open.push(name.to_owned());
        for broken in found.iter().filter(|s| s.broken) {
            self.builder.taint(broken);
        }
        self.title(&found, &text, file, outermost);
        self.common(&found, scope, outermost);
        for statement in found.iter().filter(|s| !s.broken) {
            match statement.keyword() {
                "settings" => self.read(statement, scope, whole::settings),
                "tubetype" => self.read(statement, scope, tubetype::tube_type),
                _ => {}
            }
        }
        for statement in found.iter().filter(|s| !s.broken) {
            self.statement(statement, scope, outermost);
        }
        self.open.pop();
    }

    /// The `stage` statement: first, once.
    fn title(&mut self, found: &[Statement<'_>], text: &str, file: FileId, outermost: bool) {
        let mut titles = found.iter().filter(|s| s.keyword() == "stage");
        let (first, title) = (found.first(), titles.next());
        for again in titles {
            self.builder.sink.push(
                Diagnostic::error("repeated-statement", again.span, "a stage has one title")
                    .label("second title"),
            );
        }
        let Some(title) = title else {
            // A mistyped `stage` is reported as the unknown keyword it is.
            let Some(first) = first else {
                self.builder.sink.push(STAGE.empty(text, file));
                return;
            };
            if is_keyword(first.keyword()) {
                let at = first.tokens.first().map_or(first.span, |t| t.span);
                self.builder.sink.push(STAGE.no_title(at));
            }
            return;
        };
        if first.is_some_and(|s| s.span.start != title.span.start) {
            self.builder.sink.push(
                Diagnostic::error(
                    "title-not-first",
                    title.span,
                    "the title is not the first statement",
                )
                .label("belongs at the top"),
            );
        }
        if title.broken {
            return;
        }
        let mut cursor = Cursor::new(title);
        cursor.next();
        let read = cursor
            .text("the stage's title")
            .and_then(|text| cursor.finish().map(|()| text));
        match read {
            Ok(text) if outermost => self.builder.stage.title = text,
            Ok(_) => {}
            Err(fault) => self.builder.sink.report(Vec::new(), Some(fault)),
        }
    }

    /// The `common` statement, before any node is met.
    fn common(&mut self, found: &[Statement<'_>], scope: &mut Scope, outermost: bool) {
        let mut name = ("chassis".to_owned(), Span::default());
        let mut earlier: Option<Span> = None;
        for statement in found
            .iter()
            .filter(|s| !s.broken && s.keyword() == "common")
        {
            let mut cursor = Cursor::new(statement);
            cursor.next();
            let read = cursor
                .node()
                .and_then(|node| cursor.finish().map(|()| node));
            match (read, earlier) {
                (Ok(_), Some(earlier)) => self.builder.sink.push(
                    Diagnostic::error(
                        "repeated-statement",
                        statement.span,
                        "a stage has one common node",
                    )
                    .label("second `common`")
                    .related(earlier, "first `common`"),
                ),
                (Ok(node), None) => {
                    name = (node.text.to_owned(), node.span);
                    earlier = Some(statement.span);
                }
                (Err(fault), _) => {
                    self.builder.taint(statement);
                    self.builder.sink.report(Vec::new(), Some(fault));
                }
            }
        }
        scope.common = fold(&name.0);
        if outermost {
            self.builder.name_common(&name.0, name.1);
        }
    }

    /// Reads one statement with `read`; reports what is wrong with it.
    fn read(
        &mut self,
        statement: &Statement<'_>,
        scope: &Scope,
        read: impl FnOnce(&mut Reader<'_, '_, '_, '_>) -> Outcome<()>,
    ) {
        let mut cursor = Cursor::new(statement);
        cursor.next();
        let word = statement.keyword();
        let outcome = read(&mut Reader {
            builder: &mut self.builder,
            scope,
            cursor: &mut cursor,
            keyword: keywords().find(|k| *k == word).unwrap_or("part"),
        });
        self.conclude(statement, cursor.notes, outcome);
    }

    fn conclude(
        &mut self,
        statement: &Statement<'_>,
        notes: Vec<Diagnostic>,
        outcome: Outcome<()>,
    ) {
        if outcome.is_err() || has_errors(&notes) {
            self.builder.taint(statement);
        }
        self.builder.sink.report(notes, outcome.err());
    }

    fn statement(&mut self, statement: &Statement<'_>, scope: &mut Scope, outermost: bool) {
        match statement.keyword() {
            // Seen to before the others.
            "stage" | "common" | "settings" | "tubetype" => {}
            "expect" | "testpoint" => self.deferred.push((
                Naming {
                    prefix: scope.prefix.clone(),
                    common: scope.common.clone(),
                },
                statement.span,
            )),
            "section" | "defaults" | "include" => {
                let mut cursor = Cursor::new(statement);
                cursor.next();
                let outcome = match statement.keyword() {
                    "section" => self.section(&mut cursor, scope),
                    "defaults" => defaults::defaults(&mut cursor, scope),
                    _ => self.include(&mut cursor, scope),
                };
                self.builder.incomplete |= statement.keyword() == "include" && outcome.is_err();
                self.conclude(statement, cursor.notes, outcome);
            }
            "notes" => self.read(statement, scope, whole::notes),
            "line" => self.read(statement, scope, |reader| whole::line(reader, outermost)),
            word if PART_KEYWORDS.contains(&word) => {
                self.read(statement, scope, part);
            }
            _ => {
                self.builder.taint(statement);
                if let Some(&first) = statement.tokens.first() {
                    let near = self.builder.suggest(|_| nearest(first.text, keywords()));
                    self.builder.sink.push(unknown_keyword(first, near));
                }
            }
        }
    }

    fn section(&mut self, cursor: &mut Cursor<'_, '_>, scope: &mut Scope) -> Outcome<()> {
        let title = cursor.text("the section's title")?;
        cursor.finish()?;
        scope.section = self.builder.section(title);
        Ok(())
    }

    fn include(&mut self, cursor: &mut Cursor<'_, '_>, scope: &Scope) -> Outcome<()> {
        let at = cursor.here();
        let path = cursor.text("the file to include")?;
        let mut prefix = scope.prefix.clone();
        if cursor.accept("as") {
            prefix.push_str(cursor.name("a prefix")?.text);
            prefix.push('.');
        }
        cursor.finish()?;
        let fault = |code, message: String| Diagnostic::error(code, at, message);
        bounded_name(&prefix, at)?;
        if self.open.len() >= DEEPEST_INCLUDE || self.loads >= MOST_FILES {
            return Err(fault(
                "too-many-includes",
                format!("more than {DEEPEST_INCLUDE} files within files, or {MOST_FILES} in all"),
            )
            .label("one too many")
            .into());
        }
        self.loads += 1;
        let from = self.open.last().cloned().unwrap_or_default();
        let (name, text) = (self.load)(&from, &path).map_err(|why| {
            let said = brief(&path, LONGEST_WORD);
            let found = fault("include-failed", format!("\"{said}\" can't be read: {why}"));
            let help = "the path is taken from the folder of the file that includes it";
            found.label("not read").help(help)
        })?;
        if let Some(first) = self.open.iter().position(|open| *open == name) {
            let round: Vec<String> = self
                .open
                .iter()
                .skip(first)
                .map(|n| brief(n, LONGEST_WORD))
                .collect();
            let name = brief(&name, LONGEST_WORD);
            return Err(fault(
                "include-cycle",
                format!("{name} includes itself: {} → {name}", round.join(" → ")),
            )
            .label("comes back to a file that is being read")
            .into());
        }
        if self.bytes + text.len() > MOST_BYTES_IN_ALL {
            // Nothing is asked for from here on: one finding says it all.
            self.loads = MOST_FILES;
            return Err(fault(
                "too-long-in-all",
                format!(
                    "with \"{}\" the stage is longer than {} MiB, the most that is read of one stage with all that it includes",
                    brief(&path, LONGEST_WORD),
                    MOST_BYTES_IN_ALL >> 20
                ),
            )
            .label("one too many")
            .into());
        }
        let mut inner = Scope {
            prefix,
            section: scope.section,
            ..Scope::default()
        };
        self.file(&name, &text, &mut inner, false);
        Ok(())
    }

    fn finish(mut self) -> Parsed<Stage> {
        self.resolve();
        let deferred = std::mem::take(&mut self.deferred);
        let setting_spans = std::mem::take(&mut self.builder.setting_spans);
        let names = self.builder.names;
        let incomplete = self.builder.incomplete;
        let (mut stage, mut findings, mut tainted) = self.builder.into_tainted();
        let (mut expects, mut test_points): (Vec<Expect>, Vec<TestPoint>) =
            (Vec::new(), Vec::new());
        let (mut failed, mut room) = (Vec::new(), Room::default());
        let mut index = Index::new(&stage, names, std::mem::take(&mut tainted));
        index.incomplete = incomplete;
        for (naming, span) in deferred {
            let Some(text) = self.sources.text_of(span) else {
                continue;
            };
            // The first pass has reported the lexical faults of the text.
            let again = statements(text, span.file, span.start, &mut Findings::default());
            let Some(statement) = again.first() else {
                continue;
            };
            let mut cursor = Cursor::new(statement);
            let outcome = if cursor.accept("expect") {
                room.for_one_more(expects.len(), MOST_POINTS, "values of the print", span)
                    .and_then(|()| expect::expect(&mut cursor, &index, &naming))
                    .map(|e| expects.push(e))
            } else {
                cursor.next();
                room.for_one_more(test_points.len(), MOST_POINTS, "test points", span)
                    .and_then(|()| expect::test_point(&mut cursor, &index, &naming))
                    .map(|t| test_points.push(t))
            };
            findings.extend(std::mem::take(&mut cursor.notes));
            if let Err(fault) = outcome {
                failed.extend(
                    statement
                        .tokens
                        .iter()
                        .filter(|token| token.kind == TokenKind::Word)
                        .map(|token| fold(token.text)),
                );
                findings.report(Vec::new(), Some(fault));
            }
        }
        let tainted = index.into_tainted(failed);
        // A node that failed statements alone have named is wired to nothing.
        let wired = wired(&stage);
        let is_wired = |point: &Point| match point.place {
            Place::Node(node) => wired.contains(&node),
            Place::Across(_) | Place::Through(_) => true,
        };
        expects.retain(|expect| is_wired(&expect.point));
        test_points.retain(|test_point| is_wired(&test_point.point));
        stage.expects = expects;
        stage.test_points = test_points;
        if !incomplete {
            checks::unused_settings(&stage, &setting_spans, &tainted, &mut findings);
            checks::near_misses(&stage, &tainted, &mut findings);
        }
        let (diagnostics, unlisted) = findings.finish();
        Parsed {
            value: stage,
            diagnostics,
            unlisted,
            sources: self.sources,
        }
    }

    /// Whether a name, found or as written at `span`, hangs on a failed statement.
    fn follows(&self, name: &str, span: Span) -> bool {
        let written = self.sources.text_of(span).unwrap_or(name);
        self.builder.is_tainted(name) || self.builder.is_tainted(written)
    }

    /// Gives contacts their relays and windings their transformers.
    fn resolve(&mut self) {
        for (winding, name, span) in std::mem::take(&mut self.builder.windings) {
            let found = self.builder.transformer(&name);
            if found.is_none() && !self.follows(&name, span) {
                let known = self.builder.stage.transformers.iter();
                let near = nearest(&name, known.map(|t| t.name.as_str())).map(str::to_owned);
                let fault = Diagnostic::error(
                    "unknown-transformer",
                    span,
                    format!("no transformer is called `{name}`"),
                )
                .label("unknown transformer");
                let fault = match near {
                    Some(near) => fault.did_you_mean(Some(&near)),
                    None => fault.help(format!("declare it with `transformer {name}`")),
                };
                self.builder.sink.push(fault);
            }
            if let Some(part) = self.builder.stage.parts.get_mut(winding.0 as usize)
                && let PartKind::Winding { transformer, .. } = &mut part.kind
            {
                *transformer = found;
            }
        }
        let mut unwanted = Vec::new();
        for (contact, name, span) in std::mem::take(&mut self.builder.contacts) {
            let Some(found) = self.builder.relay(&name) else {
                unwanted.push(contact);
                if !self.follows(&name, span) {
                    let relays = self.builder.stage.parts.iter();
                    let relays = relays.filter(|p| matches!(p.kind, PartKind::Relay { .. }));
                    let near = nearest(&name, relays.map(|p| p.name.as_str())).map(str::to_owned);
                    let fault = Diagnostic::error(
                        "unknown-relay",
                        span,
                        format!("no relay is called `{name}`"),
                    )
                    .label("unknown relay");
                    self.builder.sink.push(match near {
                        Some(near) => fault.did_you_mean(Some(&near)),
                        None => fault
                            .help("a contact carries its relay's designator, or says `of RELAY`"),
                    });
                }
                continue;
            };
            if let Some(part) = self.builder.stage.parts.get_mut(contact.0 as usize)
                && let PartKind::Contact { relay, .. } = &mut part.kind
            {
                *relay = found;
            }
        }
        self.builder.remove_parts(&unwanted);
    }
}

fn part(reader: &mut Reader<'_, '_, '_, '_>) -> Outcome<()> {
    match reader.keyword {
        "supply" => reader.supply(),
        "rectifier" => reader.rectifier(),
        "resistor" => reader.resistor(),
        "potentiometer" => reader.potentiometer(),
        "capacitor" => reader.capacitor(),
        "choke" => reader.choke(),
        "winding" => reader.winding(),
        "transformer" => reader.transformer(),
        "tube" => reader.tube(),
        "diode" => reader.diode(),
        "regulator" => reader.regulator(),
        "transistor" => reader.transistor(),
        "thermistor" => reader.thermistor(),
        "lamp" => reader.lamp(),
        "fuse" => reader.fuse(),
        "link" => reader.link(),
        "switch" => reader.switch(),
        "relay" => reader.relay(),
        "contact" => reader.contact(),
        "meter" => reader.meter(),
        _ => Ok(()),
    }
}

/// The nodes that a part is wired to, and the common.
fn wired(stage: &Stage) -> HashSet<NodeId> {
    let terminals = stage.parts.iter().flat_map(|part| part.kind.terminals());
    terminals.chain([COMMON]).collect()
}

fn unknown_keyword(token: Token<'_>, near: Option<&str>) -> Diagnostic {
    let fault = Diagnostic::error(
        "unknown-keyword",
        token.span,
        format!("no statement begins with {}", shown(token)),
    )
    .label("unknown keyword");
    if SHEET_KEYWORDS.contains(&token.text) {
        return fault.help(format!("`{}` belongs in a readings sheet", token.text));
    }
    fault.did_you_mean(near)
}
