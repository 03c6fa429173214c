//! Sparse saddle-point systems: two unknowns at each place of a pattern.
//!
//! ```text
//! ⎡ −Q   J ⎤ ⎡ λ ⎤   ⎡ a ⎤
//! ⎣  Jᵀ  H ⎦ ⎣ x ⎦ = ⎣ b ⎦      Q, H symmetric and nowhere negative
//! ```
//!
//! This is what a least-squares problem under equations comes to (G. Strang, *Introduction to Applied
//! Mathematics*, 1986, section 2.2; from memory). λ and x of one place are eliminated together, in the order and the pattern
//! of J alone. What is left over is such a system again, for the stationary point of a function that is convex in x and concave in λ, taken over some of
//! both, is convex and concave in the rest; so the pivots' determinants, −(q h + j²), are nought only where J's own pivot is, and q or h as well. It knows nothing of circuits.

use super::elimination::Elimination;

/// The two unknowns of one place.
pub(crate) type Pair = [f64; 2];

/// A symmetric block of a place with itself: first row, then the last entry.
type Own = [f64; 3];

/// A block between two places, by rows.
type Across = [f64; 4];

/// The factors of such a system.
#[derive(Clone, Debug)]
pub(crate) struct SaddleFactors {
    /// By step, the pivots' inverses.
    pivots: Vec<Own>,
    /// By entry above the diagonal, the rows over their pivots.
    rows: Vec<Across>,
    /// Logarithm of the determinant's size.
    ln_det: f64,
}

/// The blocks of the inverse that have a place.
#[derive(Clone, Debug)]
pub(crate) struct SaddleInverse {
    own: Vec<Own>,
    across: Vec<Across>,
}

#[inline]
fn inverse_of([a, b, c]: Own) -> (Own, f64) {
    let det = a * c - b * b;
    ([c / det, -b / det, a / det], det)
}

/// S X of a symmetric S.
#[inline]
fn times([a, b, c]: Own, [e, f, g, h]: Across) -> Across {
    [a * e + b * g, a * f + b * h, b * e + c * g, b * f + c * h]
}

/// Xᵀ Y.
#[inline]
fn crossed([a, b, c, d]: Across, [e, f, g, h]: Across) -> Across {
    [a * e + c * g, a * f + c * h, b * e + d * g, b * f + d * h]
}

/// X Y.
#[inline]
fn product([a, b, c, d]: Across, [e, f, g, h]: Across) -> Across {
    [a * e + b * g, a * f + b * h, c * e + d * g, c * f + d * h]
}

#[inline]
fn transposed([a, b, c, d]: Across) -> Across {
    [a, c, b, d]
}

impl Elimination {
    /// Factors the system of three matrices whose entries stand at this pattern's places. `None`: a pivot is no number other than 0.
    pub(crate) fn factor_saddle(&self, j: &[f64], q: &[f64], h: &[f64]) -> Option<SaddleFactors> {
        let size = self.size();
        let entries = self.pairs.len();
        let mut pivots: Vec<Own> = (0..size).map(|k| [-q[k], j[k], h[k]]).collect();
        let mut rows: Vec<Across> = (size..size + entries)
            .map(|k| [-q[k], j[k], j[k + entries], h[k]])
            .collect();
        let mut ln_det = 0.0;
        let mut targets = self.targets();
        let mut begin = 0;
        for (step, &end) in self.starts[1..].iter().enumerate() {
            let end = end as usize;
            let (inverse, det) = inverse_of(pivots[step]);
            if !(det.is_finite() && inverse[0].is_finite() && inverse[2].is_finite()) {
                return None;
            }
            ln_det += det.abs().ln();
            pivots[step] = inverse;
            let count = end - begin;
            let mine = targets.of_next(step);
            for i in 0..count {
                let scaled = times(inverse, rows[begin + i]);
                for k in i..count {
                    let place = mine[i * count + k] as usize;
                    if k == i {
                        let taken = crossed(scaled, rows[begin + i]);
                        let own = &mut pivots[place];
                        own[0] -= taken[0];
                        own[1] -= taken[1];
                        own[2] -= taken[3];
                    } else {
                        let taken = crossed(scaled, rows[begin + k]);
                        for (entry, taken) in rows[place - size].iter_mut().zip(taken) {
                            *entry -= taken;
                        }
                    }
                }
            }
            for row in &mut rows[begin..end] {
                *row = times(inverse, *row);
            }
            begin = end;
        }
        Some(SaddleFactors {
            pivots,
            rows,
            ln_det,
        })
    }

    /// Solves such a system in place; what stands behind the unknowns is left as it is.
    pub(crate) fn solve_saddle(&self, factors: &SaddleFactors, b: &mut [Pair]) {
        let mut begin = 0;
        for (step, &end) in self.starts[1..].iter().enumerate() {
            let range = begin..end as usize;
            begin = end as usize;
            let from = b[step];
            if from != [0.0; 2] {
                for (&(_, to), row) in self.pairs[range.clone()].iter().zip(&factors.rows[range]) {
                    let to = &mut b[to as usize];
                    to[0] -= row[0] * from[0] + row[2] * from[1];
                    to[1] -= row[1] * from[0] + row[3] * from[1];
                }
            }
        }
        for (b, &[p, q, r]) in b.iter_mut().zip(&factors.pivots) {
            *b = [p * b[0] + q * b[1], q * b[0] + r * b[1]];
        }
        for (&(to, from), row) in self.pairs.iter().zip(&factors.rows).rev() {
            let from = b[from as usize];
            let to = &mut b[to as usize];
            to[0] -= row[0] * from[0] + row[1] * from[1];
            to[1] -= row[2] * from[0] + row[3] * from[1];
        }
    }

    /// The blocks of the inverse that have a place, from the last step to the first as [`invert`](Self::invert) does.
    pub(crate) fn invert_saddle(&self, factors: &SaddleFactors) -> SaddleInverse {
        let size = self.size();
        let mut own = factors.pivots.clone();
        let mut across = vec![[0.0; 4]; factors.rows.len()];
        let mut targets = self.targets();
        for step in (0..size).rev() {
            let range = self.range(step);
            let count = range.len();
            let mine = targets.of_last(step);
            let begin = range.start;
            for k in 0..count {
                let mut sum = [0.0; 4];
                for i in 0..count {
                    let place = mine[i * count + k] as usize;
                    let between = match i.cmp(&k) {
                        std::cmp::Ordering::Equal => {
                            let [a, b, c] = own[place];
                            [a, b, b, c]
                        }
                        std::cmp::Ordering::Less => across[place - size],
                        std::cmp::Ordering::Greater => {
                            transposed(across[mine[k * count + i] as usize - size])
                        }
                    };
                    let taken = product(factors.rows[begin + i], between);
                    for (sum, taken) in sum.iter_mut().zip(taken) {
                        *sum -= taken;
                    }
                }
                across[begin + k] = sum;
            }
            let mut here = own[step];
            for k in 0..count {
                let taken = product(across[begin + k], transposed(factors.rows[begin + k]));
                here[0] -= taken[0];
                here[1] -= taken[1];
                here[2] -= taken[3];
            }
            own[step] = here;
        }
        SaddleInverse { own, across }
    }

    /// Entry of the inverse between x of two places, where it is known; what belongs to no unknown is nought.
    pub(crate) fn saddle_entry(
        &self,
        inverse: &SaddleInverse,
        row: usize,
        column: usize,
    ) -> Option<f64> {
        let size = self.size();
        if row >= size || column >= size {
            return Some(0.0);
        }
        if row == column {
            return Some(inverse.own[row][2]);
        }
        let (first, last) = (row.min(column), row.max(column));
        let place = self.find(u32::try_from(first).ok()?, u32::try_from(last).ok()?)?;
        Some(inverse.across[place - size][3])
    }
}

impl SaddleFactors {
    /// Logarithm of the size of the determinant.
    pub(crate) fn ln_det(&self) -> f64 {
        self.ln_det
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use nalgebra::{DMatrix, DVector};
    use proptest::prelude::*;

    /// The same system for a general library: λ first, then x.
    fn whole(size: usize, j: &DMatrix<f64>, q: &DMatrix<f64>, h: &DMatrix<f64>) -> DMatrix<f64> {
        let mut whole = DMatrix::zeros(2 * size, 2 * size);
        whole.view_mut((0, 0), (size, size)).copy_from(&-q);
        whole.view_mut((0, size), (size, size)).copy_from(j);
        whole
            .view_mut((size, 0), (size, size))
            .copy_from(&j.transpose());
        whole.view_mut((size, size), (size, size)).copy_from(h);
        whole
    }

    proptest! {
        /// Against nalgebra's LU: solutions, entries of the inverse, determinant.
        #[test]
        fn solves_as_a_general_library_does(
            size in 1usize..20,
            paths in proptest::collection::vec((0usize..20, 0usize..20, 0.1f64..1.0, -0.05f64..0.05, 0.0f64..2.0, 0.0f64..2.0), 0..40),
            own in proptest::collection::vec((0.0f64..1.0, 0.0f64..1.0), 20),
            right in proptest::collection::vec((-1.0f64..1.0, -1.0f64..1.0), 20),
        ) {
            let paths: Vec<_> = paths
                .into_iter()
                .map(|(a, b, s, turn, q, h)| (a % size, b % size, s, turn, q, h))
                .filter(|path| path.0 != path.1)
                .collect();
            let places: Vec<_> = paths.iter().map(|path| (path.0, path.1)).collect();
            let pattern = Elimination::new(size, &places).expect("it is small");
            let mut dense = [(); 3].map(|()| DMatrix::<f64>::zeros(size, size));
            let mut sparse = [(); 3].map(|()| vec![0.0; pattern.places()]);
            let mut add = |which: usize, row: usize, column: usize, value: f64| {
                let step = |unknown: usize| pattern.step_of(unknown) as u32;
                dense[which][(row, column)] += value;
                sparse[which][pattern.find(step(row), step(column)).expect("in the pattern")] += value;
            };
            for &(a, b, siemens, turn, q, h) in &paths {
                for (which, amount) in [(0, siemens), (1, q), (2, h)] {
                    for (row, column, sign) in [(a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)] {
                        add(which, row, column, sign * amount);
                    }
                }
                add(0, a, b, turn);
            }
            for (k, &(q, h)) in own.iter().enumerate().take(size) {
                add(0, k, k, 0.5);
                add(1, k, k, if q < 0.5 { 0.0 } else { q });
                add(2, k, k, if h < 0.5 { 0.0 } else { h });
            }
            let [j, q, h] = &sparse;
            let factors = pattern.factor_saddle(j, q, h).expect("it can be solved");
            let matrix = whole(size, &dense[0], &dense[1], &dense[2]);
            let mut b = vec![[0.0; 2]; size + 1];
            let mut known = DVector::zeros(2 * size);
            for (k, &(one, other)) in right.iter().enumerate().take(size) {
                b[pattern.step_of(k)] = [one, other];
                known[k] = one;
                known[size + k] = other;
            }
            let inverse = matrix.clone().try_inverse().expect("it can be solved");
            let expected = &inverse * known;
            let scale = inverse.amax();
            pattern.solve_saddle(&factors, &mut b);
            for k in 0..size {
                let [one, other] = b[pattern.step_of(k)];
                prop_assert!((one - expected[k]).abs() < 1e-9 * scale, "{one} {}", expected[k]);
                prop_assert!((other - expected[size + k]).abs() < 1e-9 * scale);
            }
            let found = pattern.invert_saddle(&factors);
            let own = (0..size).map(|k| (k, k));
            for (row, column) in places.iter().copied().chain(own) {
                let (at, by) = (pattern.step_of(row), pattern.step_of(column));
                let entry = pattern.saddle_entry(&found, at, by).expect("in the pattern");
                prop_assert!((entry - inverse[(size + row, size + column)]).abs() < 1e-9 * scale);
            }
            let expected = matrix.determinant().abs().ln();
            prop_assert!((factors.ln_det() - expected).abs() < 1e-9 * expected.abs().max(1.0));
        }
    }

    #[test]
    fn a_pivot_of_nothing_is_seen() {
        let pattern = Elimination::new(2, &[(0, 1)]).expect("it is small");
        let nothing = vec![0.0; pattern.places()];
        assert!(
            pattern
                .factor_saddle(&nothing, &nothing, &nothing)
                .is_none()
        );
    }
}
