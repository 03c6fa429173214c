//! Dense matrices and LU factors of the sizes that stages have.
//!
//! The matrix of a few devices' ports has 3 to 12 rows. At that size a row-major loop
//! beats a general library two- to fivefold, and the caller's buffers are used again;
//! the tests hold it against such a library.

/// A row-major matrix.
#[derive(Clone, Debug, Default, PartialEq)]
pub(crate) struct Matrix {
    rows: usize,
    columns: usize,
    entries: Vec<f64>,
}

impl Matrix {
    /// A matrix of zeros.
    pub(crate) fn zeros(rows: usize, columns: usize) -> Self {
        Self {
            rows,
            columns,
            entries: vec![0.0; rows * columns],
        }
    }

    /// Makes it a matrix of zeros of this shape, keeping its memory.
    pub(crate) fn reset(&mut self, rows: usize, columns: usize) {
        self.rows = rows;
        self.columns = columns;
        self.entries.clear();
        self.entries.resize(rows * columns, 0.0);
    }

    /// One row.
    pub(crate) fn row(&self, row: usize) -> &[f64] {
        &self.entries[row * self.columns..(row + 1) * self.columns]
    }
}

impl std::ops::Index<(usize, usize)> for Matrix {
    type Output = f64;

    fn index(&self, (row, column): (usize, usize)) -> &f64 {
        &self.entries[row * self.columns + column]
    }
}

impl std::ops::IndexMut<(usize, usize)> for Matrix {
    fn index_mut(&mut self, (row, column): (usize, usize)) -> &mut f64 {
        &mut self.entries[row * self.columns + column]
    }
}

/// LU factors of a square matrix, with partial pivoting.
#[derive(Clone, Debug, Default)]
pub(crate) struct Lu {
    factors: Matrix,
    order: Vec<usize>,
    scratch: Vec<f64>,
}

/// The column at which a matrix turned out to be singular.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Singular(pub usize);

impl Lu {
    /// Factors `matrix`, using again the memory of earlier factors.
    ///
    /// # Errors
    /// The column where no pivot was left, or only one that is no number.
    pub(crate) fn factor(&mut self, matrix: &Matrix) -> Result<(), Singular> {
        let n = matrix.rows;
        self.factors.clone_from(matrix);
        self.order.clear();
        self.order.extend(0..n);
        for column in 0..n {
            let mut pivot = column;
            let mut largest = self.factors[(column, column)].abs();
            for row in column + 1..n {
                let size = self.factors[(row, column)].abs();
                if size > largest {
                    largest = size;
                    pivot = row;
                }
            }
            if largest == 0.0 || !largest.is_finite() {
                return Err(Singular(column));
            }
            if pivot != column {
                self.order.swap(pivot, column);
                for j in 0..n {
                    self.factors.entries.swap(pivot * n + j, column * n + j);
                }
            }
            let (above, below) = self.factors.entries.split_at_mut((column + 1) * n);
            let head = &above[column * n..];
            let inverse_pivot = 1.0 / head[column];
            for row in below.chunks_exact_mut(n) {
                if row[column] != 0.0 {
                    let multiplier = row[column] * inverse_pivot;
                    row[column] = multiplier;
                    for (entry, upper) in row[column + 1..].iter_mut().zip(&head[column + 1..]) {
                        *entry -= multiplier * upper;
                    }
                }
            }
        }
        Ok(())
    }

    /// Solves A x = b in place.
    pub(crate) fn solve(&mut self, b: &mut [f64]) {
        let n = self.factors.rows;
        self.scratch.clear();
        self.scratch.extend(self.order.iter().map(|&row| b[row]));
        let x = &mut self.scratch;
        for row in 1..n {
            let sum: f64 = self.factors.row(row)[..row]
                .iter()
                .zip(x.iter())
                .map(|(l, x)| l * x)
                .sum();
            x[row] -= sum;
        }
        for row in (0..n).rev() {
            let line = self.factors.row(row);
            let sum: f64 = line[row + 1..]
                .iter()
                .zip(&x[row + 1..])
                .map(|(u, x)| u * x)
                .sum();
            x[row] = (x[row] - sum) / line[row];
        }
        b.copy_from_slice(x);
    }

    /// Solves Aᵀ x = b in place.
    pub(crate) fn solve_transposed(&mut self, b: &mut [f64]) {
        let n = self.factors.rows;
        for row in 0..n {
            let line = self.factors.row(row);
            b[row] /= line[row];
            let x = b[row];
            if x != 0.0 {
                for (b, u) in b[row + 1..].iter_mut().zip(&line[row + 1..]) {
                    *b -= u * x;
                }
            }
        }
        for row in (1..n).rev() {
            let x = b[row];
            if x != 0.0 {
                for (b, l) in b[..row].iter_mut().zip(self.factors.row(row)) {
                    *b -= l * x;
                }
            }
        }
        self.scratch.clear();
        self.scratch.resize(n, 0.0);
        for (position, &row) in self.order.iter().enumerate() {
            self.scratch[row] = b[position];
        }
        b.copy_from_slice(&self.scratch);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Against nalgebra's LU, a general-purpose library, on matrices with many zeros.
        #[test]
        fn solves_as_a_general_library_does(
            n in 1usize..30,
            seed in proptest::collection::vec((-1.0f64..1.0, proptest::bool::weighted(0.5)), 900),
            right in proptest::collection::vec(-1.0f64..1.0, 30),
        ) {
            let mut a = Matrix::zeros(n, n);
            for i in 0..n {
                for j in 0..n {
                    let (value, keep) = seed[i * 30 + j];
                    if keep { a[(i, j)] = value; }
                }
                a[(i, i)] += 4.0;
            }
            let oracle = nalgebra::DMatrix::from_fn(n, n, |i, j| a[(i, j)]);
            let mut lu = Lu::default();
            lu.factor(&a).expect("a heavy diagonal");

            let mut x = right[..n].to_vec();
            lu.solve(&mut x);
            let expected = oracle.clone().lu().solve(&nalgebra::DVector::from_column_slice(&right[..n])).expect("a heavy diagonal");
            for i in 0..n { prop_assert!((x[i] - expected[i]).abs() < 1e-9 * (1.0 + expected[i].abs())); }

            let mut y = right[..n].to_vec();
            lu.solve_transposed(&mut y);
            let expected = oracle.transpose().lu().solve(&nalgebra::DVector::from_column_slice(&right[..n])).expect("a heavy diagonal");
            for i in 0..n { prop_assert!((y[i] - expected[i]).abs() < 1e-9 * (1.0 + expected[i].abs())); }
        }
    }

    #[test]
    fn a_singular_matrix_is_reported_and_not_solved() {
        let mut a = Matrix::zeros(2, 2);
        a[(0, 0)] = 1.0;
        a[(1, 0)] = 1.0;
        assert_eq!(Lu::default().factor(&a), Err(Singular(1)));
    }
}
