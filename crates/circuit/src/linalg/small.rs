//! Matrices of a handful of rows, without memory handed out.

/// Most rows.
pub(crate) const MOST: usize = 6;

/// A vector of so many entries; those behind the rows in use are nothing.
pub(crate) type Few = [f64; MOST];

/// A square matrix, row by row.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Small {
    pub(crate) rows: usize,
    pub(crate) at: [[f64; MOST]; MOST],
}

impl Small {
    /// A matrix of zeros.
    pub(crate) fn zeros(rows: usize) -> Self {
        Self {
            rows,
            ..Self::default()
        }
    }

    /// The matrix that changes nothing.
    pub(crate) fn unit(rows: usize) -> Self {
        let mut this = Self::zeros(rows);
        for k in 0..rows {
            this.at[k][k] = 1.0;
        }
        this
    }

    /// Its product with a vector.
    pub(crate) fn times(&self, vector: &Few) -> Few {
        let mut out = Few::default();
        for (out, row) in out.iter_mut().zip(&self.at).take(self.rows) {
            for (entry, v) in row.iter().zip(vector).take(self.rows) {
                *out += entry * v;
            }
        }
        out
    }

    /// Its inverse, by elimination with the largest pivots, and the least of these. `None`: singular.
    pub(crate) fn inverse(self) -> Option<(Self, f64)> {
        match self.rows {
            0 => Some((self, f64::INFINITY)),
            1 => self.inverse_of::<1>(),
            2 => self.inverse_of::<2>(),
            3 => self.inverse_of::<3>(),
            4 => self.inverse_of::<4>(),
            5 => self.inverse_of::<5>(),
            _ => self.inverse_of::<MOST>(),
        }
    }

    /// The same of so many rows.
    fn inverse_of<const N: usize>(mut self) -> Option<(Self, f64)> {
        let corner = std::array::from_fn(|i| std::array::from_fn(|j| self.at[i][j]));
        let (inverse, least) = inverse::<N>(corner)?;
        for (row, found) in self.at.iter_mut().zip(&inverse) {
            row[..N].copy_from_slice(found);
        }
        Some((self, least))
    }
}

/// A square matrix of so many rows, row by row.
pub(crate) type Square<const N: usize> = [[f64; N]; N];

/// The matrix that changes nothing.
pub(crate) fn unit<const N: usize>() -> Square<N> {
    std::array::from_fn(|i| std::array::from_fn(|j| f64::from(i == j)))
}

/// The product of a matrix and a vector.
#[inline]
pub(crate) fn times<const N: usize>(matrix: &Square<N>, vector: &[f64; N]) -> [f64; N] {
    std::array::from_fn(|i| {
        matrix[i]
            .iter()
            .zip(vector)
            .map(|(entry, v)| entry * v)
            .sum()
    })
}

/// The inverse, by elimination with the largest pivots, and the least of these. `None`: singular.
pub(crate) fn inverse<const N: usize>(mut at: Square<N>) -> Option<(Square<N>, f64)> {
    let mut inverse = unit::<N>();
    let mut least = f64::INFINITY;
    for k in 0..N {
        let mut pivot = k;
        for row in k + 1..N {
            if at[row][k].abs() > at[pivot][k].abs() {
                pivot = row;
            }
        }
        at.swap(k, pivot);
        inverse.swap(k, pivot);
        least = least.min(at[k][k].abs());
        let scale = 1.0 / at[k][k];
        if !scale.is_finite() {
            return None;
        }
        for column in 0..N {
            at[k][column] *= scale;
            inverse[k][column] *= scale;
        }
        for row in (0..N).filter(|&row| row != k) {
            let factor = at[row][k];
            for column in 0..N {
                at[row][column] -= factor * at[k][column];
                inverse[row][column] -= factor * inverse[k][column];
            }
        }
    }
    Some((inverse, least))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Against nalgebra's inverse, a general-purpose library.
        #[test]
        fn inverts_as_a_general_library_does(
            rows in 1usize..=MOST,
            entries in proptest::collection::vec(-1.0f64..1.0, MOST * MOST),
        ) {
            let mut small = Small::zeros(rows);
            for (k, entry) in entries.iter().enumerate() {
                let (row, column) = (k / MOST, k % MOST);
                if row.max(column) < rows {
                    small.at[row][column] = *entry;
                }
            }
            let whole = nalgebra::DMatrix::from_fn(rows, rows, |i, j| small.at[i][j]);
            let Some((inverse, least)) = small.inverse() else {
                return Ok(());
            };
            prop_assume!(least > 1e-3);
            let expected = whole.try_inverse().expect("its pivots are large");
            for i in 0..rows {
                for j in 0..rows {
                    let (found, expected) = (inverse.at[i][j], expected[(i, j)]);
                    prop_assert!((found - expected).abs() <= 1e-9 * (1.0 + expected.abs()));
                }
            }
        }
    }

    #[test]
    fn a_matrix_of_nothing_has_no_inverse() {
        assert!(Small::zeros(2).inverse().is_none());
    }
}
