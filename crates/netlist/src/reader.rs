//! What the readers of all part statements share.

use crate::builder::{Builder, Scope};
use crate::cursor::{Cursor, Outcome};
use crate::lex::Token;
use crate::limits;
use crate::properties::{Ratings, Tail, Takes, part, self_wired, tail};
use crate::stage::{NodeId, PartId, PartKind};
use crate::value::{self, Dimension};

/// Properties of most parts with two ends.
pub(crate) const TWO_ENDS: Takes = Takes {
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
    pub(crate) fn add_two_ended(
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
    pub(crate) fn plain_tail(&mut self, takes: Takes) -> Outcome<Tail<'a>> {
        tail(self.cursor, takes, &mut |_, _| Ok(false))
    }

    /// A value where one may be left out: the next word if it begins as a number.
    pub(crate) fn optional_value(&mut self, limits: &limits::Limits) -> Outcome<Option<f64>> {
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
