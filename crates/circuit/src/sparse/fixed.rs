//! LU factors in a pattern that is worked out once and filled many times.
//!
//! For matrices whose diagonal may be pivoted on as it comes, as nodal
//! equations are: which entries there are and which products each step takes
//! follows from the pattern alone, so that factoring is one pass through a list of places.
//! It knows nothing of circuits. Nobody is spared looking whether the solution solves.

use super::order::minimum_degree;
use super::{NONE, SparseMatrix};

/// Products that factoring may take before a pattern is called too full.
const MOST_PRODUCTS: usize = 20_000_000;

/// A symmetric pattern with its elimination worked out.
#[derive(Clone, Debug)]
pub(crate) struct Pattern {
    /// By step, the unknown eliminated.
    order: Vec<u32>,
    /// By unknown, its step.
    step_of: Vec<u32>,
    /// By step, where its part of `rows` starts.
    starts: Vec<u32>,
    /// Steps that a step reaches, ascending.
    rows: Vec<u32>,
    /// Places that the products of each step are taken from, step by step, row by row.
    targets: Vec<u32>,
}

/// Where entries are kept: first the diagonal by steps, then the rows of U, then the columns of L,
/// and last a place for what belongs to no unknown.
impl Pattern {
    /// Works out the pattern of a matrix with entries at these places, at their
    /// mirror images and on the diagonal. `None`: too full.
    pub(crate) fn new(size: usize, places: &[(usize, usize)]) -> Option<Self> {
        let entries: Vec<(usize, usize, f64)> = places
            .iter()
            .flat_map(|&(a, b)| [(a, b, 1.0), (b, a, 1.0)])
            .chain((0..size).map(|k| (k, k, 1.0)))
            .collect();
        let matrix = SparseMatrix::new(size, &entries);
        let order = minimum_degree(&matrix);
        let mut step_of = vec![0u32; size];
        for (step, &unknown) in (0u32..).zip(&order) {
            step_of[unknown] = step;
        }
        // The rows of a step are its own and those of the steps that lead to it first.
        let mut children: Vec<Vec<usize>> = vec![Vec::new(); size];
        let mut starts = vec![0u32];
        let mut rows: Vec<u32> = Vec::new();
        let mut seen = vec![NONE; size];
        let mut products = 0;
        for step in 0..size {
            let begin = rows.len();
            seen[step] = step;
            let own = matrix.column(order[step]).map(|(row, _)| step_of[row]);
            for row in own {
                let at = row as usize;
                if at > step && seen[at] != step {
                    seen[at] = step;
                    rows.push(row);
                }
            }
            for child in std::mem::take(&mut children[step]) {
                for k in starts[child] as usize..starts[child + 1] as usize {
                    let at = rows[k] as usize;
                    if at > step && seen[at] != step {
                        seen[at] = step;
                        rows.push(rows[k]);
                    }
                }
            }
            rows[begin..].sort_unstable();
            if let Some(&first) = rows.get(begin) {
                children[first as usize].push(step);
            }
            products += (rows.len() - begin).pow(2);
            if products > MOST_PRODUCTS {
                return None;
            }
            starts.push(u32::try_from(rows.len()).ok()?);
        }
        let mut this = Self {
            order: order
                .iter()
                .map(|&unknown| u32::try_from(unknown).ok())
                .collect::<Option<_>>()?,
            step_of,
            starts,
            rows,
            targets: Vec::with_capacity(products),
        };
        let mut targets = Vec::with_capacity(products);
        for step in 0..size {
            let reached = &this.rows[this.range(step)];
            for &row in reached {
                for &column in reached {
                    targets.push(this.place(row, column)?);
                }
            }
        }
        this.targets = targets;
        Some(this)
    }

    fn range(&self, step: usize) -> std::ops::Range<usize> {
        self.starts[step] as usize..self.starts[step + 1] as usize
    }

    /// How many unknowns.
    pub(crate) fn size(&self) -> usize {
        self.order.len()
    }

    /// The place for what belongs to no unknown.
    pub(crate) fn nowhere(&self) -> usize {
        self.size() + 2 * self.rows.len()
    }

    /// How many places a matrix of this pattern takes.
    pub(crate) fn places(&self) -> usize {
        self.nowhere() + 1
    }

    /// Place of the entry in this row and column of the matrix, if it has one.
    pub(crate) fn find(&self, row: usize, column: usize) -> Option<usize> {
        self.place(self.step_of[row], self.step_of[column])
            .map(|place| place as usize)
    }

    /// The same by steps.
    fn place(&self, row: u32, column: u32) -> Option<u32> {
        if row == column {
            return Some(row);
        }
        let range = self.range(row.min(column) as usize);
        let at = self.rows[range.clone()]
            .binary_search(&row.max(column))
            .ok()?
            + range.start;
        let lower = if row > column { self.rows.len() } else { 0 };
        u32::try_from(self.size() + lower + at).ok()
    }

    /// Factors the matrix in `values` in place; whether all pivots are numbers other than 0.
    pub(crate) fn factor(&self, values: &mut [f64]) -> bool {
        let size = self.size();
        let lower = size + self.rows.len();
        let mut next = 0;
        for step in 0..size {
            let inverse = 1.0 / values[step];
            if !inverse.is_finite() {
                return false;
            }
            values[step] = inverse;
            let range = self.range(step);
            let count = range.len();
            for at in range.clone() {
                let targets = &self.targets[next..next + count];
                next += count;
                let factor = values[lower + at] * inverse;
                values[lower + at] = factor;
                if factor != 0.0 {
                    for (&target, upper) in targets.iter().zip(size + range.start..) {
                        values[target as usize] -= factor * values[upper];
                    }
                }
            }
        }
        true
    }

    /// Solves A x = b in place by the factors in `values`. `work` is of any content.
    pub(crate) fn solve(&self, values: &[f64], b: &mut [f64], work: &mut Vec<f64>) {
        let size = self.size();
        let (upper, lower) = values[size..self.nowhere()].split_at(self.rows.len());
        work.clear();
        work.extend(self.order.iter().map(|&unknown| b[unknown as usize]));
        for step in 0..size {
            let known = work[step];
            if known != 0.0 {
                let range = self.range(step);
                for (&row, l) in self.rows[range.clone()].iter().zip(&lower[range]) {
                    work[row as usize] -= l * known;
                }
            }
        }
        for step in (0..size).rev() {
            let range = self.range(step);
            let mut sum = work[step];
            for (&row, u) in self.rows[range.clone()].iter().zip(&upper[range]) {
                sum -= u * work[row as usize];
            }
            work[step] = sum * values[step];
        }
        for (&unknown, value) in self.order.iter().zip(work.iter()) {
            b[unknown as usize] = *value;
        }
    }

    /// Solves Aᵀ x = b in place by the factors in `values`. `work` is of any content.
    pub(crate) fn solve_transposed(&self, values: &[f64], b: &mut [f64], work: &mut Vec<f64>) {
        let size = self.size();
        let (upper, lower) = values[size..self.nowhere()].split_at(self.rows.len());
        work.clear();
        work.extend(self.order.iter().map(|&unknown| b[unknown as usize]));
        for step in 0..size {
            let known = work[step] * values[step];
            work[step] = known;
            if known != 0.0 {
                let range = self.range(step);
                for (&row, u) in self.rows[range.clone()].iter().zip(&upper[range]) {
                    work[row as usize] -= u * known;
                }
            }
        }
        for step in (0..size).rev() {
            let range = self.range(step);
            let mut sum = work[step];
            for (&row, l) in self.rows[range.clone()].iter().zip(&lower[range]) {
                sum -= l * work[row as usize];
            }
            work[step] = sum;
        }
        for (&unknown, value) in self.order.iter().zip(work.iter()) {
            b[unknown as usize] = *value;
        }
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
            size in 1usize..30,
            pairs in proptest::collection::vec((0usize..30, 0usize..30, -1.0f64..1.0, -1.0f64..1.0), 0..60),
            right in proptest::collection::vec(-1.0f64..1.0, 30),
        ) {
            let pairs: Vec<_> = pairs.into_iter().map(|(a, b, x, y)| (a % size, b % size, x, y)).collect();
            let places: Vec<_> = pairs.iter().map(|&(a, b, ..)| (a, b)).collect();
            let pattern = Pattern::new(size, &places).expect("it is small");
            let mut values = vec![0.0; pattern.places()];
            let mut whole = nalgebra::DMatrix::<f64>::zeros(size, size);
            let mut add = |row: usize, column: usize, value: f64| {
                values[pattern.find(row, column).expect("in the pattern")] += value;
                whole[(row, column)] += value;
            };
            for &(a, b, one, other) in &pairs {
                add(a, b, one);
                add(b, a, other);
            }
            for k in 0..size {
                add(k, k, 40.0);
            }
            prop_assert!(pattern.factor(&mut values));
            let b = nalgebra::DVector::from_column_slice(&right[..size]);
            let mut work = Vec::new();
            let mut x = right[..size].to_vec();
            pattern.solve(&values, &mut x, &mut work);
            let expected = whole.clone().lu().solve(&b).expect("a heavy diagonal");
            for k in 0..size { prop_assert!((x[k] - expected[k]).abs() < 1e-12); }
            let mut x = right[..size].to_vec();
            pattern.solve_transposed(&values, &mut x, &mut work);
            let expected = whole.transpose().lu().solve(&b).expect("a heavy diagonal");
            for k in 0..size { prop_assert!((x[k] - expected[k]).abs() < 1e-12); }
        }
    }

    #[test]
    fn a_pivot_of_nothing_is_seen() {
        let pattern = Pattern::new(2, &[(0, 1)]).expect("it is small");
        assert!(!pattern.factor(&mut vec![0.0; pattern.places()]));
    }
}
