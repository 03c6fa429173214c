//! Sparse matrices and their LU factors, for networks too large for an inverse.
//!
//! Left-looking, column by column, with the pattern of each column found by a
//! search through those before it (J. R. Gilbert and T. Peierls, "Sparse
//! partial pivoting in time proportional to arithmetic operations", SIAM J. Sci.
//! Stat. Comput. 9(5), 1988). The pivot is the diagonal entry unless another is
//! much larger, which keeps what the order has gained. It knows nothing of circuits.

mod fixed;
mod order;
mod saddle;

use crate::linalg::dense::{Matrix, Singular};
pub(crate) use fixed::Elimination;
pub(crate) use saddle::{Pair, SaddleFactors};

/// The diagonal entry is taken as pivot down to this share of the largest.
const DIAGONAL_SHARE: f64 = 0.1;

/// A row that is no pivot yet.
const NONE: usize = usize::MAX;

/// A square matrix by columns, each with its rows ascending.
#[derive(Clone, Debug, Default)]
pub(crate) struct SparseMatrix {
    starts: Vec<usize>,
    rows: Vec<usize>,
    values: Vec<f64>,
}

impl SparseMatrix {
    /// From entries in any order; those of one place are added up.
    pub(crate) fn new(size: usize, entries: &[(usize, usize, f64)]) -> Self {
        // Sorted by row, then stably by column.
        let by_row = counting_sort(size, entries, |entry| entry.0);
        let sorted = counting_sort(size, &by_row, |entry| entry.1);
        let mut this = Self {
            starts: vec![0],
            ..Self::default()
        };
        let mut sorted = sorted.into_iter().peekable();
        for column in 0..size {
            let begin = this.rows.len();
            while let Some((row, _, value)) = sorted.next_if(|entry| entry.1 == column) {
                match this.values.last_mut() {
                    Some(last) if this.rows.len() > begin && this.rows.last() == Some(&row) => {
                        *last += value;
                    }
                    _ => {
                        this.rows.push(row);
                        this.values.push(value);
                    }
                }
            }
            this.starts.push(this.rows.len());
        }
        this
    }

    /// Rows, and columns.
    pub(crate) fn size(&self) -> usize {
        self.starts.len() - 1
    }

    /// The entries of one column: row and value.
    fn column(&self, column: usize) -> impl Iterator<Item = (usize, f64)> + '_ {
        let range = self.starts[column]..self.starts[column + 1];
        let values = &self.values[range.clone()];
        self.rows[range].iter().copied().zip(values.iter().copied())
    }
}

fn counting_sort(
    size: usize,
    entries: &[(usize, usize, f64)],
    key: impl Fn(&(usize, usize, f64)) -> usize,
) -> Vec<(usize, usize, f64)> {
    let mut next = vec![0; size + 1];
    for entry in entries {
        next[key(entry) + 1] += 1;
    }
    for at in 0..size {
        next[at + 1] += next[at];
    }
    let mut sorted = vec![(0, 0, 0.0); entries.len()];
    for entry in entries {
        let slot = &mut next[key(entry)];
        sorted[*slot] = *entry;
        *slot += 1;
    }
    sorted
}

/// The entries as a dense matrix.
pub(crate) fn dense(size: usize, entries: &[(usize, usize, f64)]) -> Matrix {
    let mut matrix = Matrix::zeros(size, size);
    for &(row, column, value) in entries {
        matrix[(row, column)] += value;
    }
    matrix
}

/// A triangular factor by columns, without its diagonal.
#[derive(Clone, Debug, Default)]
struct Triangle {
    starts: Vec<usize>,
    rows: Vec<usize>,
    values: Vec<f64>,
}

impl Triangle {
    fn push(&mut self, row: usize, value: f64) {
        self.rows.push(row);
        self.values.push(value);
    }

    fn column(&self, column: usize) -> (&[usize], &[f64]) {
        let range = self.starts[column]..self.starts[column + 1];
        (&self.rows[range.clone()], &self.values[range])
    }

    /// `x -= factor · column`.
    fn subtract(&self, column: usize, factor: f64, x: &mut [f64]) {
        let (rows, values) = self.column(column);
        for (&row, value) in rows.iter().zip(values) {
            x[row] -= factor * value;
        }
    }
}

/// LU factors of a sparse matrix with a symmetric pattern.
#[derive(Clone, Debug)]
pub(crate) struct SparseLu {
    /// By step, the column eliminated.
    order: Vec<usize>,
    /// By step, the row of its pivot.
    pivot_rows: Vec<usize>,
    pivots: Vec<f64>,
    lower: Triangle,
    upper: Triangle,
}

impl SparseLu {
    /// Factors `matrix`.
    ///
    /// # Errors
    /// The column where no pivot was left, or only one that is no number.
    pub(crate) fn new(matrix: &SparseMatrix) -> Result<Self, Singular> {
        let size = matrix.size();
        let order = order::minimum_degree(matrix);
        let mut lower = Triangle::default();
        let mut upper = Triangle::default();
        let mut pivots = Vec::with_capacity(size);
        let mut pivot_rows = Vec::with_capacity(size);
        let mut step_of = vec![NONE; size];
        let mut x = vec![0.0; size];
        let mut search = Search::new(size);
        for (step, &column) in order.iter().enumerate() {
            lower.starts.push(lower.rows.len());
            upper.starts.push(upper.rows.len());
            search.reach(matrix, column, step, &step_of, &lower);
            for (row, value) in matrix.column(column) {
                x[row] = value;
            }
            let (mut largest, mut at) = (0.0, NONE);
            // Found last is what the others are made of.
            for &row in search.found.iter().rev() {
                let value = x[row];
                let before = step_of[row];
                if before == NONE {
                    continue;
                }
                upper.push(before, value);
                let range = lower.starts[before]..lower.starts[before + 1];
                for (&row, l) in lower.rows[range.clone()].iter().zip(&lower.values[range]) {
                    x[row] -= value * l;
                }
            }
            for &row in search.found.iter().filter(|&&row| step_of[row] == NONE) {
                let entry = x[row].abs();
                if entry > largest || entry.is_nan() {
                    largest = entry;
                    at = row;
                }
            }
            if at == NONE || largest == 0.0 || !largest.is_finite() {
                return Err(Singular(column));
            }
            // What the search has not found in this column is zero there.
            if step_of[column] == NONE && x[column].abs() >= DIAGONAL_SHARE * largest {
                at = column;
            }
            let pivot = x[at];
            for &row in &search.found {
                if step_of[row] == NONE && row != at && x[row] != 0.0 {
                    lower.push(row, x[row] / pivot);
                }
                x[row] = 0.0;
            }
            step_of[at] = step;
            pivot_rows.push(at);
            pivots.push(pivot);
        }
        lower.starts.push(lower.rows.len());
        upper.starts.push(upper.rows.len());
        for row in &mut lower.rows {
            *row = step_of[*row];
        }
        Ok(Self {
            order,
            pivot_rows,
            pivots,
            lower,
            upper,
        })
    }

    /// Solves A x = b in place.
    pub(crate) fn solve(&self, b: &mut [f64]) {
        let mut y: Vec<f64> = self.pivot_rows.iter().map(|&row| b[row]).collect();
        for step in 0..y.len() {
            let known = y[step];
            if known != 0.0 {
                self.lower.subtract(step, known, &mut y);
            }
        }
        for step in (0..y.len()).rev() {
            let known = y[step] / self.pivots[step];
            y[step] = known;
            if known != 0.0 {
                self.upper.subtract(step, known, &mut y);
            }
        }
        for (&column, value) in self.order.iter().zip(y) {
            b[column] = value;
        }
    }
}

/// The search for the rows that a column of the factors has.
struct Search {
    /// By row, the last step that it was found in.
    seen: Vec<usize>,
    /// Rows found, each after all that it leads to.
    found: Vec<usize>,
    /// Rows on the way down, with how many of their followers have been looked at.
    way: Vec<(usize, usize)>,
}

impl Search {
    fn new(size: usize) -> Self {
        Self {
            seen: vec![NONE; size],
            found: Vec::new(),
            way: Vec::new(),
        }
    }

    /// Finds every row that a column's entries lead to through the columns of
    /// `lower` (whose rows are still those of the matrix).
    fn reach(
        &mut self,
        matrix: &SparseMatrix,
        column: usize,
        step: usize,
        step_of: &[usize],
        lower: &Triangle,
    ) {
        self.found.clear();
        for (first, _) in matrix.column(column) {
            if self.seen[first] == step {
                continue;
            }
            self.seen[first] = step;
            self.way.push((first, 0));
            while let Some((row, looked)) = self.way.pop() {
                let before = step_of[row];
                let followers = if before == NONE {
                    &[][..]
                } else {
                    &lower.rows[lower.starts[before]..lower.starts[before + 1]]
                };
                let fresh = (looked..followers.len()).find(|&k| self.seen[followers[k]] != step);
                match fresh {
                    Some(k) => {
                        self.way.push((row, k + 1));
                        self.seen[followers[k]] = step;
                        self.way.push((followers[k], 0));
                    }
                    None => self.found.push(row),
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::linalg::dense::Lu;
    use proptest::prelude::*;

    /// Symmetric patterns with some diagonals left empty, as an ideal source leaves them.
    fn matrices() -> impl Strategy<Value = (usize, Vec<(usize, usize, f64)>)> {
        (2usize..40).prop_flat_map(|size| {
            let pair = (0..size, 0..size, -1.0f64..1.0, -1.0f64..1.0);
            let diagonal = proptest::collection::vec((2.0f64..4.0, 0.0f64..1.0), size);
            (proptest::collection::vec(pair, 0..3 * size), diagonal).prop_map(
                move |(pairs, diagonal)| {
                    let mut entries = Vec::new();
                    for (a, b, one, other) in pairs {
                        entries.push((a, b, one));
                        entries.push((b, a, other));
                    }
                    for (at, (value, kept)) in diagonal.into_iter().enumerate() {
                        if kept < 0.8 {
                            entries.push((at, at, value));
                        }
                    }
                    (size, entries)
                },
            )
        })
    }

    proptest! {
        /// Against dense factors with full freedom of pivots.
        #[test]
        fn solves_as_the_dense_factors_do(
            (size, entries) in matrices(),
            right in proptest::collection::vec(-1.0f64..1.0, 40),
        ) {
            let full = dense(size, &entries);
            let mut lu = Lu::default();
            let oracle = lu.factor(&full);
            let found = SparseLu::new(&SparseMatrix::new(size, &entries));
            if oracle.is_err() || lu.least_pivot() < 1e-3 {
                return Ok(());
            }
            let found = found.expect("the dense factors have good pivots");
            let mut x = right[..size].to_vec();
            found.solve(&mut x);
            let scale = x.iter().fold(1.0f64, |s, v| s.max(v.abs()));
            for (row, wanted) in right[..size].iter().enumerate() {
                let sum: f64 = full.row(row).iter().zip(&x).map(|(a, x)| a * x).sum();
                prop_assert!((sum - wanted).abs() < 1e-9 * scale, "row {row}: {sum} for {wanted}");
            }
        }
    }

    #[test]
    fn a_ladder_and_a_star_gain_no_entries() {
        let count = 2000;
        let mut entries = Vec::new();
        let mut join = |a: usize, b: usize| {
            entries.extend([(a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)]);
        };
        for k in 1..count {
            join(k - 1, k);
        }
        // The last unknown is a rail that all others hang on.
        for k in 0..count {
            join(k, count);
        }
        entries.push((count, count, 1.0));
        let matrix = SparseMatrix::new(count + 1, &entries);
        let lu = SparseLu::new(&matrix).expect("a grounded network");
        assert!(lu.lower.rows.len() <= 2 * count, "{}", lu.lower.rows.len());
        // A current into the rail raises it by 1 Ω, and all others with it.
        let mut x = vec![0.0; count + 1];
        x[count] = 1.0;
        lu.solve(&mut x);
        assert!(x.iter().all(|v| (v - 1.0).abs() < 1e-9));
    }

    #[test]
    fn a_singular_matrix_is_reported() {
        let entries = [(0, 0, 1.0), (0, 1, 1.0), (1, 0, 1.0), (1, 1, 1.0)];
        assert!(SparseLu::new(&SparseMatrix::new(2, &entries)).is_err());
    }
}
