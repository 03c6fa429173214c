//! The stage under construction: names, and what they came to.

use std::collections::{HashMap, HashSet};

use crate::bounds::{MOST_PARTS, MOST_SETTINGS, MOST_TUBE_TYPES};
use crate::cursor::{Fault, Outcome, bounded_name};
use crate::devices::doubtful_type;
use crate::diagnostic::{Diagnostic, Severity};
use crate::findings::Findings;
use crate::lex::{Statement, Token, TokenKind};
use crate::names::{TubeName, TubeNames, fold};
use crate::nearest::nearest;
use crate::properties::Ratings;
use crate::room::Room;
use crate::span::Span;
use crate::stage::{
    COMMON, Node, NodeId, Part, PartId, PartKind, SectionId, SettingId, Stage, Transformer,
    TubeTypeDefinition,
};

/// Suggestions cost a pass over all names; past this many a file has other troubles.
const MOST_SUGGESTIONS: u32 = 100;

/// What holds for the statements of one file.
#[derive(Clone, Debug, Default)]
pub(crate) struct Scope {
    /// Put before every designator, the dot included.
    pub(crate) prefix: String,
    /// The name that means the common node in this file, folded.
    pub(crate) common: String,
    pub(crate) section: Option<SectionId>,
    /// What `defaults` set, by keyword.
    pub(crate) defaults: Vec<(&'static str, Ratings)>,
}

pub(crate) struct Builder<'n> {
    pub(crate) stage: Stage,
    pub(crate) names: &'n TubeNames,
    pub(crate) sink: Findings,
    nodes: HashMap<String, NodeId>,
    parts: HashMap<String, Vec<PartId>>,
    transformers: HashMap<String, u32>,
    settings: HashMap<String, SettingId>,
    sections: HashMap<String, SectionId>,
    /// Types that the file defines, by place in the stage's list.
    types: HashMap<String, usize>,
    /// Names on statements that failed: what hangs on them is not reported again.
    tainted: HashSet<String>,
    /// A file could not be included: whatever is not found may stand in it.
    pub(crate) incomplete: bool,
    suggestions: u32,
    pub(crate) room: Room,
    /// Contacts and what names their relay.
    pub(crate) contacts: Vec<(PartId, String, Span)>,
    /// Windings and what names their transformer.
    pub(crate) windings: Vec<(PartId, String, Span)>,
    /// Settings and where they were declared.
    pub(crate) setting_spans: Vec<Span>,
    pub(crate) line_span: Option<Span>,
}

impl<'n> Builder<'n> {
    pub(crate) fn new(names: &'n TubeNames) -> Self {
        Self {
            stage: Stage {
                nodes: vec![Node {
                    name: "chassis".to_owned(),
                    span: Span::default(),
                }],
                ..Stage::default()
            },
            names,
            sink: Findings::default(),
            nodes: HashMap::new(),
            parts: HashMap::new(),
            transformers: HashMap::new(),
            settings: HashMap::new(),
            sections: HashMap::new(),
            types: HashMap::new(),
            tainted: HashSet::new(),
            incomplete: false,
            suggestions: MOST_SUGGESTIONS,
            room: Room::default(),
            contacts: Vec::new(),
            windings: Vec::new(),
            setting_spans: Vec::new(),
            line_span: None,
        }
    }

    /// The node of this name in this file; a new one if need be.
    pub(crate) fn node(&mut self, scope: &Scope, token: Token<'_>) -> NodeId {
        let key = fold(token.text);
        if key == scope.common {
            return COMMON;
        }
        if let Some(&id) = self.nodes.get(&key) {
            return id;
        }
        let id = NodeId(crate::cursor::clamp(self.stage.nodes.len()));
        self.stage.nodes.push(Node {
            name: token.text.to_owned(),
            span: token.span,
        });
        self.nodes.insert(key, id);
        id
    }

    /// The outer file's name for the common node, by which included files reach it too.
    pub(crate) fn name_common(&mut self, name: &str, span: Span) {
        self.nodes.insert(fold(name), COMMON);
        self.stage.nodes[0] = Node {
            name: name.to_owned(),
            span,
        };
    }

    pub(crate) fn section(&mut self, title: String) -> Option<SectionId> {
        if title.is_empty() {
            return None;
        }
        if let Some(&id) = self.sections.get(&title) {
            return Some(id);
        }
        let id = SectionId(crate::cursor::clamp(self.stage.sections.len()));
        self.sections.insert(title.clone(), id);
        self.stage.sections.push(title);
        Some(id)
    }

    /// Declares a setting; one of the same name is the same setting.
    pub(crate) fn declare_setting(&mut self, token: Token<'_>) -> Outcome<()> {
        let key = fold(token.text);
        if self.settings.contains_key(&key) {
            return Ok(());
        }
        let met = self.stage.settings.len();
        self.room
            .for_one_more(met, MOST_SETTINGS, "control settings", token.span)?;
        let id = SettingId(crate::cursor::clamp(self.stage.settings.len()));
        self.settings.insert(key, id);
        self.stage.settings.push(token.text.to_owned());
        self.setting_spans.push(token.span);
        Ok(())
    }

    pub(crate) fn setting(&mut self, token: Token<'_>) -> Outcome<SettingId> {
        let key = fold(token.text);
        if let Some(&id) = self.settings.get(&key) {
            return Ok(id);
        }
        if self.is_tainted(&key) {
            return Err(Fault::Follows);
        }
        let near = self.suggest(|builder| {
            let settings = builder.stage.settings.iter();
            nearest(token.text, settings.map(String::as_str)).map(str::to_owned)
        });
        Err(unknown_setting(token, &self.stage.settings, near.as_deref()).into())
    }

    /// Marks the names of a failed statement.
    pub(crate) fn taint(&mut self, statement: &Statement<'_>) {
        for token in &statement.tokens {
            if token.kind == TokenKind::Word {
                self.tainted.insert(fold(token.text));
            }
        }
    }

    pub(crate) fn is_tainted(&self, name: &str) -> bool {
        self.incomplete || self.tainted.contains(&fold(name))
    }

    pub(crate) fn into_tainted(self) -> (Stage, Findings, HashSet<String>) {
        (self.stage, self.sink, self.tainted)
    }

    /// Adds a part. Two sections of one bottle may share a designator, and
    /// one contact may carry its relay's.
    pub(crate) fn add(&mut self, scope: &Scope, name: Token<'_>, part: Part) -> Outcome<PartId> {
        let full = full_name(scope, name)?;
        let key = fold(&full);
        let others = self.parts.get(&key).map_or(&[][..], Vec::as_slice);
        for &other in others {
            let other = self.stage.part(other);
            if let Some(fault) = clash(&part.kind, other, &full, name.span) {
                return Err(fault.into());
            }
        }
        if let Some(&index) = self.transformers.get(&key)
            && let Some(transformer) = self.stage.transformers.get(index as usize)
        {
            return Err(duplicate(&full, name.span, transformer.span).into());
        }
        let met = self.stage.parts.len();
        self.room
            .for_one_more(met, MOST_PARTS, "parts", name.span)?;
        let id = PartId(crate::cursor::clamp(self.stage.parts.len()));
        self.parts.entry(key).or_default().push(id);
        self.stage.parts.push(Part { name: full, ..part });
        Ok(id)
    }

    pub(crate) fn add_transformer(
        &mut self,
        scope: &Scope,
        name: Token<'_>,
        span: Span,
    ) -> Outcome<()> {
        let full = full_name(scope, name)?;
        let key = fold(&full);
        let earlier = match (self.transformers.get(&key), self.parts.get(&key)) {
            (Some(&index), _) => self.stage.transformers.get(index as usize).map(|t| t.span),
            (None, Some(parts)) => parts.first().map(|&id| self.stage.part(id).span),
            (None, None) => None,
        };
        if let Some(earlier) = earlier {
            return Err(duplicate(&full, name.span, earlier).into());
        }
        let met = self.stage.transformers.len();
        self.room
            .for_one_more(met, MOST_PARTS, "transformers", name.span)?;
        self.transformers
            .insert(key, crate::cursor::clamp(self.stage.transformers.len()));
        self.stage
            .transformers
            .push(Transformer { name: full, span });
        Ok(())
    }

    /// Relays by designator and transformers by index: what contacts and
    /// windings may name although it stands below them.
    pub(crate) fn relay(&self, name: &str) -> Option<PartId> {
        let relay = |id: &&PartId| matches!(self.stage.part(**id).kind, PartKind::Relay { .. });
        self.parts.get(&fold(name))?.iter().find(relay).copied()
    }

    pub(crate) fn transformer(&self, name: &str) -> Option<u32> {
        self.transformers.get(&fold(name)).copied()
    }

    /// A tube type of the table, by the name `written` at `token`. `Ok(None)` for one that the file defines.
    pub(crate) fn tube_type(
        &mut self,
        token: Token<'_>,
        written: &str,
        notes: &mut Vec<Diagnostic>,
    ) -> Outcome<Option<&'n TubeName>> {
        if self.defined_type(written).is_some() {
            return Ok(None);
        }
        if let Some((found, doubt)) = self.names.look_up(written) {
            notes.extend(doubt.map(|doubt| doubtful_type(token, written, found, &doubt)));
            return Ok(Some(found));
        }
        if self.is_tainted(written) {
            return Err(Fault::Follows);
        }
        let fault = Diagnostic::error(
            "unknown-tube-type",
            token.span,
            format!("no tube of type `{written}` is known"),
        )
        .label("unknown type");
        let near = self.suggest(|builder| {
            let table = builder.names.types.iter().map(|t| t.name.as_str());
            let own = builder.stage.tube_types.iter().map(|t| t.name.as_str());
            nearest(written, table.chain(own)).map(str::to_owned)
        });
        Err(match near {
            Some(near) => fault.did_you_mean(Some(&near)),
            None => fault.help("define it from a data-sheet operating point with `tubetype`"),
        }
        .into())
    }

    pub(crate) fn define_type(&mut self, definition: TubeTypeDefinition) -> Outcome<()> {
        let at = self.stage.tube_types.len();
        self.room
            .for_one_more(at, MOST_TUBE_TYPES, "tube types", definition.span)?;
        self.types.insert(fold(&definition.name), at);
        self.stage.tube_types.push(definition);
        Ok(())
    }

    pub(crate) fn defined_type(&self, name: &str) -> Option<&TubeTypeDefinition> {
        let at = self.types.get(&fold(name))?;
        self.stage.tube_types.get(*at)
    }

    /// What `find` suggests for a mistyped word, while suggestions are left.
    pub(crate) fn suggest<T>(&mut self, find: impl FnOnce(&Self) -> Option<T>) -> Option<T> {
        self.suggestions = self.suggestions.checked_sub(1)?;
        find(self)
    }

    /// Removes parts whose reference to another part came to nothing.
    pub(crate) fn remove_parts(&mut self, unwanted: &[PartId]) {
        if unwanted.is_empty() {
            return;
        }
        let unwanted: HashSet<PartId> = unwanted.iter().copied().collect();
        let mut moved: Vec<Option<PartId>> = Vec::with_capacity(self.stage.parts.len());
        let mut next = 0;
        for index in 0..crate::cursor::clamp(self.stage.parts.len()) {
            let keep = !unwanted.contains(&PartId(index));
            moved.push(keep.then_some(PartId(next)));
            next += u32::from(keep);
        }
        let mut index = 0;
        self.stage.parts.retain(|_| {
            index += 1;
            moved.get(index - 1).copied().flatten().is_some()
        });
        for part in &mut self.stage.parts {
            if let PartKind::Contact { relay, .. } = &mut part.kind
                && let Some(Some(there)) = moved.get(relay.0 as usize)
            {
                *relay = *there;
            }
        }
    }
}

/// A designator with the prefixes of its file.
fn full_name(scope: &Scope, name: Token<'_>) -> Outcome<String> {
    let full = format!("{}{}", scope.prefix, name.text);
    bounded_name(&full, name.span)?;
    Ok(full)
}

pub(crate) fn has_errors(diagnostics: &[Diagnostic]) -> bool {
    diagnostics.iter().any(|d| d.severity == Severity::Error)
}

pub(crate) fn unknown_setting(
    token: Token<'_>,
    settings: &[String],
    near: Option<&str>,
) -> Diagnostic {
    let fault = Diagnostic::error(
        "unknown-setting",
        token.span,
        format!("no setting is called `{}`", token.text),
    )
    .label("not in `settings`");
    if settings.is_empty() {
        return fault.help("name the control settings in a `settings` statement of the stage file");
    }
    match near {
        Some(near) => fault.did_you_mean(Some(near)),
        None => fault.help(format!("the settings are {}", listed(settings))),
    }
}

/// The first of many names, and how many others there are.
fn listed(names: &[String]) -> String {
    const MOST: usize = 10;
    match names.split_at_checked(MOST) {
        Some((first, rest)) if !rest.is_empty() => {
            format!("{} and {} others", first.join(", "), rest.len())
        }
        _ => names.join(", "),
    }
}

fn duplicate(name: &str, span: Span, earlier: Span) -> Diagnostic {
    Diagnostic::error(
        "duplicate-designator",
        span,
        format!("`{name}` is the designator of an earlier part"),
    )
    .label("second use")
    .related(earlier, "first use")
    .help("give every part a designator of its own")
}

fn clash(new: &PartKind, earlier: &Part, name: &str, span: Span) -> Option<Diagnostic> {
    match (new, &earlier.kind) {
        (
            PartKind::Tube {
                tube_type: a,
                unit: Some(i),
                ..
            },
            PartKind::Tube {
                tube_type: b,
                unit: Some(j),
                ..
            },
        ) => {
            if fold(a) != fold(b) {
                return Some(
                    Diagnostic::error(
                        "sections-disagree",
                        span,
                        format!("`{name}` is a {a} here and a {b} above: one bottle has one type"),
                    )
                    .label(format!("a {a}"))
                    .related(earlier.span, format!("a {b}")),
                );
            }
            (i == j).then(|| {
                duplicate(name, span, earlier.span).help(format!(
                    "section {i} of `{name}` is wired already; is this another section?"
                ))
            })
        }
        (PartKind::Tube { .. }, PartKind::Tube { .. }) => Some(
            duplicate(name, span, earlier.span)
                .help("two sections of one bottle each say `section 1`, `section 2`"),
        ),
        (PartKind::Contact { .. }, PartKind::Relay { .. })
        | (PartKind::Relay { .. }, PartKind::Contact { .. }) => None,
        (PartKind::Contact { .. }, PartKind::Contact { .. }) => {
            Some(duplicate(name, span, earlier.span).help(format!(
                "give each further contact a designator of its own: `contact {name}b of {name} ...`"
            )))
        }
        _ => Some(duplicate(name, span, earlier.span)),
    }
}
