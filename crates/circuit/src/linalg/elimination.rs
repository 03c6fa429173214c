//! LU factors in a pattern that is worked out once and filled many times.
//!
//! For matrices whose diagonal may be pivoted on as it comes, as nodal
//! equations are: which entries there are and which products each step takes
//! follows from the pattern alone, so that factoring is one pass through a list of places.
//! Vectors are in the order of elimination ([`Elimination::step_of`]). It knows nothing of circuits. Nobody is spared looking whether the solution solves.

use super::order::minimum_degree;

/// Products that factoring may take before a pattern is called too full: some seconds.
const MOST_PRODUCTS: usize = 2_000_000_000;

/// Steps with up to so many entries beside the pivot have the places of their products listed; those of wider ones
/// are found anew each time, or a closely meshed network would need more memory for them than for all else.
const MOST_LISTED: usize = 32;

/// No step.
const NONE: usize = usize::MAX;

/// A symmetric pattern with its elimination worked out.
///
/// Entries are kept so: first the diagonal by steps, then the rows of U, then the
/// columns of L, and last a place for what belongs to no unknown.
#[derive(Clone, Debug)]
pub(crate) struct Elimination {
    /// By unknown, its step.
    step_of: Vec<u32>,
    /// By step, where its part of `pairs` starts.
    pub(super) starts: Vec<u32>,
    /// For each entry above the diagonal its row and its column, by steps, ascending.
    pub(super) pairs: Vec<(u32, u32)>,
    /// Places that the products of each step are taken from, step by step, row by row.
    pub(super) targets: Vec<u32>,
}

/// The places that products are taken from, of one step after another: those listed, and those of wide steps found anew.
pub(super) struct Targets<'e> {
    elimination: &'e Elimination,
    listed: &'e [u32],
    found: Vec<u32>,
}

impl Targets<'_> {
    /// Of each step in turn, from the first on.
    pub(super) fn of_next(&mut self, step: usize) -> &[u32] {
        let count = self.elimination.range(step).len();
        if count > MOST_LISTED {
            return self.find(step);
        }
        let (mine, others) = self.listed.split_at(count * count);
        self.listed = others;
        mine
    }

    /// Of each step in turn, from the last on.
    pub(super) fn of_last(&mut self, step: usize) -> &[u32] {
        let count = self.elimination.range(step).len();
        if count > MOST_LISTED {
            return self.find(step);
        }
        let (others, mine) = self.listed.split_at(self.listed.len() - count * count);
        self.listed = others;
        mine
    }

    fn find(&mut self, step: usize) -> &[u32] {
        self.found.clear();
        self.elimination.list_targets(step, &mut self.found);
        &self.found
    }
}

impl Elimination {
    /// Works out the pattern of a matrix with entries at these places, at their
    /// mirror images and on the diagonal. `None`: too full, or too large for its places to be numbered.
    pub(crate) fn new(size: usize, places: &[(usize, usize)]) -> Option<Self> {
        let mut near: Vec<Vec<usize>> = vec![Vec::new(); size];
        for &(a, b) in places {
            near[a].push(b);
            near[b].push(a);
        }
        for (unknown, list) in near.iter_mut().enumerate() {
            list.sort_unstable();
            list.dedup();
            list.retain(|&other| other != unknown);
        }
        let order = minimum_degree(near.clone());
        let mut step_of = vec![0u32; size];
        for (step, &unknown) in (0u32..).zip(&order) {
            step_of[unknown] = step;
        }
        // The rows of a step are its own and those of the steps that lead to it first.
        let mut children: Vec<Vec<usize>> = vec![Vec::new(); size];
        let mut starts = vec![0u32];
        let mut pairs: Vec<(u32, u32)> = Vec::new();
        let mut seen = vec![NONE; size];
        let mut products = 0;
        for (step, name) in (0..size).zip(0u32..) {
            let begin = pairs.len();
            seen[step] = step;
            let mut reach = |pairs: &mut Vec<(u32, u32)>, column: u32| {
                let at = column as usize;
                if at > step && seen[at] != step {
                    seen[at] = step;
                    pairs.push((name, column));
                }
            };
            for &row in &near[order[step]] {
                reach(&mut pairs, step_of[row]);
            }
            for child in std::mem::take(&mut children[step]) {
                for k in starts[child] as usize..starts[child + 1] as usize {
                    let column = pairs[k].1;
                    reach(&mut pairs, column);
                }
            }
            pairs[begin..].sort_unstable();
            if let Some(&(_, first)) = pairs.get(begin) {
                children[first as usize].push(step);
            }
            products += (pairs.len() - begin).pow(2);
            if products > MOST_PRODUCTS {
                return None;
            }
            starts.push(u32::try_from(pairs.len()).ok()?);
        }
        let mut this = Self {
            step_of,
            starts,
            pairs,
            targets: Vec::new(),
        };
        let mut targets = Vec::new();
        for step in (0..size).filter(|&step| this.range(step).len() <= MOST_LISTED) {
            this.list_targets(step, &mut targets);
        }
        this.targets = targets;
        Some(this)
    }

    /// Puts behind `targets` the places that the products of one step are taken from, row by row.
    fn list_targets(&self, step: usize, targets: &mut Vec<u32>) {
        let reached = &self.pairs[self.range(step)];
        let begin = targets.len();
        let count = reached.len();
        targets.resize(begin + count * count, 0);
        let targets = &mut targets[begin..];
        let name = |place: usize| u32::try_from(place).unwrap_or(u32::MAX);
        for (i, &(_, row)) in reached.iter().enumerate() {
            targets[i * count + i] = row;
            // Both lists ascend, and the first holds the second.
            let mut at = self.range(row as usize).start;
            for (j, &(_, column)) in reached.iter().enumerate().skip(i + 1) {
                while self.pairs[at].1 != column {
                    at += 1;
                }
                targets[i * count + j] = name(self.size() + at);
                targets[j * count + i] = name(self.size() + self.pairs.len() + at);
            }
        }
    }

    /// The places of every step's products, to be asked for step by step.
    pub(super) fn targets(&self) -> Targets<'_> {
        Targets {
            elimination: self,
            listed: &self.targets,
            found: Vec::new(),
        }
    }

    pub(super) fn range(&self, step: usize) -> std::ops::Range<usize> {
        self.starts[step] as usize..self.starts[step + 1] as usize
    }

    /// How many unknowns.
    pub(crate) fn size(&self) -> usize {
        self.step_of.len()
    }

    /// In which step an unknown is eliminated: where it stands in a vector.
    pub(crate) fn step_of(&self, unknown: usize) -> usize {
        self.step_of[unknown] as usize
    }

    /// The place for what belongs to no unknown.
    pub(crate) fn nowhere(&self) -> usize {
        self.size() + 2 * self.pairs.len()
    }

    /// How many places a matrix of this pattern takes.
    pub(crate) fn places(&self) -> usize {
        self.nowhere() + 1
    }

    /// Place of an entry of the matrix by the steps of its row and column, if it has one.
    pub(crate) fn find(&self, row: u32, column: u32) -> Option<usize> {
        if row == column {
            return Some(row as usize);
        }
        let (first, last) = (row.min(column), row.max(column));
        let range = self.range(first as usize);
        let at = self.pairs[range.clone()]
            .binary_search(&(first, last))
            .ok()?
            + range.start;
        let lower = if row > column { self.pairs.len() } else { 0 };
        Some(self.size() + lower + at)
    }

    /// Factors the matrix in `values` in place; whether all pivots are numbers other than 0.
    ///
    /// What is left are the pivots' inverses and the rows of U and columns of L over them.
    pub(crate) fn factor(&self, values: &mut [f64]) -> bool {
        let size = self.size();
        let lower = size + self.pairs.len();
        let mut targets = self.targets();
        let mut begin = 0;
        for (step, &end) in self.starts[1..].iter().enumerate() {
            let end = end as usize;
            let inverse = 1.0 / values[step];
            if !inverse.is_finite() {
                return false;
            }
            values[step] = inverse;
            let count = end - begin;
            let mine = targets.of_next(step);
            // Nearly all steps of a network that is nearly a tree.
            let places = (size + begin, lower + begin);
            match count {
                0 => {}
                1 => eliminate::<1>(values, mine, places, inverse),
                2 => eliminate::<2>(values, mine, places, inverse),
                3 => eliminate::<3>(values, mine, places, inverse),
                _ => eliminate_any(values, mine, places, inverse, count),
            }
            begin = end;
        }
        true
    }

    fn parts<'v>(&self, values: &'v [f64]) -> (&'v [f64], &'v [f64], &'v [f64]) {
        let (pivots, others) = values.split_at(self.size());
        let (upper, others) = others.split_at(self.pairs.len());
        (pivots, upper, &others[..self.pairs.len()])
    }

    /// Solves A x = b in place by the factors in `values`.
    pub(crate) fn solve(&self, values: &[f64], b: &mut [f64]) {
        let (pivots, upper, lower) = self.parts(values);
        self.sweep(pivots, lower, upper, b);
    }

    /// Solves Aᵀ x = b in place by the factors in `values`.
    pub(crate) fn solve_transposed(&self, values: &[f64], b: &mut [f64]) {
        let (pivots, upper, lower) = self.parts(values);
        self.sweep(pivots, upper, lower, b);
    }

    /// From the factors in `values`, the entries of A⁻¹ that have a place in the pattern, at their places.
    ///
    /// They follow from one another, the last step's first, at the cost of factoring twice:
    /// K. Takahashi, J. Fagan and M.-S. Chin, PICA Conference, 1973; from memory.
    pub(crate) fn invert(&self, values: &[f64], inverse: &mut Vec<f64>) {
        inverse.clear();
        inverse.resize(self.places(), 0.0);
        let size = self.size();
        let mut targets = self.targets();
        for step in (0..size).rev() {
            let range = self.range(step);
            let count = range.len();
            let mine = targets.of_last(step);
            let (upper, lower) = (size + range.start, size + self.pairs.len() + range.start);
            let mut own = values[step];
            for j in 0..count {
                let (mut to, mut from) = (0.0, 0.0);
                for k in 0..count {
                    to -= values[upper + k] * inverse[mine[k * count + j] as usize];
                    from -= values[lower + k] * inverse[mine[j * count + k] as usize];
                }
                inverse[upper + j] = to;
                inverse[lower + j] = from;
                own -= values[upper + j] * from;
            }
            inverse[step] = own;
        }
    }

    /// Down by one factor, and up again by the other.
    fn sweep(&self, pivots: &[f64], down: &[f64], up: &[f64], b: &mut [f64]) {
        let mut begin = 0;
        for (step, &end) in self.starts[1..].iter().enumerate() {
            let range = begin..end as usize;
            begin = end as usize;
            let from = b[step];
            // What is asked for is mostly a current at one or two nodes: little comes of it on the way down.
            if from != 0.0 {
                for (&(_, to), factor) in self.pairs[range.clone()].iter().zip(&down[range]) {
                    b[to as usize] -= factor * from;
                }
            }
        }
        for (b, inverse) in b.iter_mut().zip(pivots) {
            *b *= inverse;
        }
        for (&(to, from), factor) in self.pairs.iter().zip(up).rev() {
            b[to as usize] -= factor * b[from as usize];
        }
    }
}

/// One step of elimination with so many entries beside the pivot: the first of those in its row and
/// in its column stand at these places, and products go to the targets, row by row.
#[inline]
fn eliminate<const N: usize>(
    values: &mut [f64],
    targets: &[u32],
    (upper, lower): (usize, usize),
    inverse: f64,
) {
    let row: [f64; N] = std::array::from_fn(|k| values[upper + k]);
    let column: [f64; N] = std::array::from_fn(|k| values[lower + k] * inverse);
    for (factor, targets) in column.iter().zip(targets.chunks_exact(N)) {
        for (entry, &target) in row.iter().zip(targets) {
            values[target as usize] -= factor * entry;
        }
    }
    for k in 0..N {
        values[upper + k] = row[k] * inverse;
        values[lower + k] = column[k];
    }
}

/// The same with any number.
fn eliminate_any(
    values: &mut [f64],
    targets: &[u32],
    (upper, lower): (usize, usize),
    inverse: f64,
    count: usize,
) {
    for (at, targets) in (lower..).zip(targets.chunks_exact(count)) {
        let factor = values[at] * inverse;
        values[at] = factor;
        for (&target, entry) in targets.iter().zip(upper..) {
            values[target as usize] -= factor * values[entry];
        }
    }
    for entry in &mut values[upper..upper + count] {
        *entry *= inverse;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Against nalgebra's LU, a general-purpose library, both ways round.
        #[test]
        fn solves_as_a_general_library_does(
            size in 1usize..60,
            pairs in proptest::collection::vec((0usize..60, 0usize..60, -1.0f64..1.0, -1.0f64..1.0), 0..900),
            right in proptest::collection::vec(-1.0f64..1.0, 60),
        ) {
            let pairs: Vec<_> = pairs.into_iter().map(|(a, b, x, y)| (a % size, b % size, x, y)).collect();
            let places: Vec<_> = pairs.iter().map(|&(a, b, ..)| (a, b)).collect();
            let pattern = Elimination::new(size, &places).expect("it is small");
            let mut values = vec![0.0; pattern.places()];
            let mut whole = nalgebra::DMatrix::<f64>::zeros(size, size);
            let mut add = |row: usize, column: usize, value: f64| {
                let step = |unknown: usize| pattern.step_of(unknown) as u32;
                values[pattern.find(step(row), step(column)).expect("in the pattern")] += value;
                whole[(row, column)] += value;
            };
            for &(a, b, one, other) in &pairs {
                add(a, b, one);
                add(b, a, other);
            }
            for k in 0..size {
                add(k, k, 100.0);
            }
            prop_assert!(pattern.factor(&mut values));
            let b = nalgebra::DVector::from_column_slice(&right[..size]);
            let in_steps = |right: &[f64]| {
                let mut b = vec![0.0; size];
                for k in 0..size { b[pattern.step_of(k)] = right[k]; }
                b
            };
            let mut x = in_steps(&right);
            pattern.solve(&values, &mut x);
            let expected = whole.clone().lu().solve(&b).expect("a heavy diagonal");
            for k in 0..size { prop_assert!((x[pattern.step_of(k)] - expected[k]).abs() < 1e-12); }
            let mut inverse = Vec::new();
            pattern.invert(&values, &mut inverse);
            let expected_inverse = whole.clone().try_inverse().expect("a heavy diagonal");
            for &(a, b) in places.iter().chain(&places.iter().map(|&(a, b)| (b, a)).collect::<Vec<_>>()) {
                let step = |unknown: usize| pattern.step_of(unknown) as u32;
                let at = pattern.find(step(a), step(b)).expect("in the pattern");
                prop_assert!((inverse[at] - expected_inverse[(a, b)]).abs() < 1e-12);
            }
            let mut x = in_steps(&right);
            pattern.solve_transposed(&values, &mut x);
            let expected = whole.transpose().lu().solve(&b).expect("a heavy diagonal");
            for k in 0..size { prop_assert!((x[pattern.step_of(k)] - expected[k]).abs() < 1e-12); }
        }
    }

    #[test]
    fn a_pivot_of_nothing_is_seen() {
        let pattern = Elimination::new(2, &[(0, 1)]).expect("it is small");
        assert!(!pattern.factor(&mut vec![0.0; pattern.places()]));
    }
}
