//! What picks one voltage out of the unknowns, and which nodes hang on nothing.

use petgraph::unionfind::UnionFind;

/// What picks one quantity out of the unknowns: x\[plus\] − x\[minus\].
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Tap {
    plus: usize,
    minus: usize,
}

/// Stands for the common node, whose voltage is no unknown.
const NOTHING: usize = usize::MAX;

impl Tap {
    /// The voltage between two nodes.
    pub(crate) fn between(from: usize, to: usize) -> Self {
        Self {
            plus: from.checked_sub(1).unwrap_or(NOTHING),
            minus: to.checked_sub(1).unwrap_or(NOTHING),
        }
    }

    /// The difference of two unknowns; `None` is the common node.
    pub(crate) fn of_unknowns(plus: Option<usize>, minus: Option<usize>) -> Self {
        Self {
            plus: plus.unwrap_or(NOTHING),
            minus: minus.unwrap_or(NOTHING),
        }
    }

    /// One unknown as it is.
    pub(crate) fn unknown(index: usize) -> Self {
        Self {
            plus: index,
            minus: NOTHING,
        }
    }

    /// Its value in a vector over the unknowns.
    #[inline]
    pub(crate) fn of(self, x: &[f64]) -> f64 {
        let part = |index: usize| if index == NOTHING { 0.0 } else { x[index] };
        part(self.plus) - part(self.minus)
    }

    /// Adds `amount` times this tap to a vector over the unknowns.
    pub(crate) fn add_to(self, vector: &mut [f64], amount: f64) {
        if self.plus != NOTHING {
            vector[self.plus] += amount;
        }
        if self.minus != NOTHING {
            vector[self.minus] -= amount;
        }
    }

    /// The entries of `coefficient · self · otherᵀ`: row, column, value.
    pub(crate) fn outer(
        self,
        other: Self,
        coefficient: f64,
    ) -> impl Iterator<Item = (usize, usize, f64)> {
        [(self.plus, 1.0), (self.minus, -1.0)]
            .into_iter()
            .flat_map(move |(row, row_sign)| {
                [(other.plus, 1.0), (other.minus, -1.0)]
                    .into_iter()
                    .map(move |(column, sign)| (row, column, coefficient * row_sign * sign))
            })
            .filter(|(row, column, _)| *row != NOTHING && *column != NOTHING)
    }

    /// Its own unknowns, with their signs.
    pub(crate) fn unknowns(self) -> [Option<(usize, f64)>; 2] {
        [(self.plus, 1.0), (self.minus, -1.0)]
            .map(|entry| Some(entry).filter(|(index, _)| *index != NOTHING))
    }
}

/// A node that nothing ties to the common is held by this, ohms: the leakage of a dry tag board.
pub(crate) const STRAY_LEAK_OHMS: f64 = 1e11;

/// One node of each island that nothing ties to the common, of nodes that are `joined` so.
pub(crate) fn untied(nodes: usize, joined: impl IntoIterator<Item = (usize, usize)>) -> Vec<usize> {
    let mut islands = UnionFind::<usize>::new(nodes);
    for (from, to) in joined {
        islands.union(from, to);
    }
    let mut tied = vec![false; nodes];
    tied[islands.find_mut(0)] = true;
    let mut strays = Vec::new();
    for node in 1..nodes {
        let root = islands.find_mut(node);
        if !tied[root] {
            tied[root] = true;
            strays.push(node);
        }
    }
    strays
}
