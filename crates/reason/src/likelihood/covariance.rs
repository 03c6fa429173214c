//! The products that a covariance is made of, its inverse, and what that makes of a vector.
//!
//! Worked in the vectors that the processor at hand turns out to have: [`pulp`] asks it.

use nalgebra::DMatrix;
use pulp::{Arch, Simd, WithSimd};

/// Columns that one is multiplied with at a time, so that it is fetched once for all of them.
const ABREAST: usize = 4;

/// `factor · JᵀJ`.
pub(super) fn gram(scatter: &DMatrix<f64>, factor: f64) -> DMatrix<f64> {
    let (rows, count) = scatter.shape();
    let mut out = DMatrix::zeros(count, count);
    Arch::new().dispatch(Gram {
        entries: scatter.as_slice(),
        rows,
        count,
        factor,
        out: out.as_mut_slice(),
    });
    out
}

/// `AᵀB` of columns that stand one behind the other.
pub(crate) fn cross(left: &[f64], right: &[f64], rows: usize) -> DMatrix<f64> {
    let count = |entries: &[f64]| entries.len().checked_div(rows).unwrap_or(0);
    let mut out = DMatrix::zeros(count(left), count(right));
    Arch::new().dispatch(Cross {
        left,
        right,
        rows,
        out: &mut out,
    });
    out
}

/// The products of some columns with some others.
struct Cross<'m> {
    left: &'m [f64],
    right: &'m [f64],
    rows: usize,
    out: &'m mut DMatrix<f64>,
}

impl WithSimd for Cross<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let rows = self.rows.max(1);
        let right: Vec<&[f64]> = self.right.chunks_exact(rows).collect();
        for (i, column) in self.left.chunks_exact(rows).enumerate() {
            let (groups, rest) = right.as_chunks::<ABREAST>();
            for (group, others) in groups.iter().enumerate() {
                for (k, sum) in dots(simd, column, *others).into_iter().enumerate() {
                    self.out[(i, group * ABREAST + k)] = sum;
                }
            }
            for (k, other) in rest.iter().enumerate() {
                self.out[(i, groups.len() * ABREAST + k)] = dots(simd, column, [*other])[0];
            }
        }
    }
}

/// The products of so many columns of so many rows.
struct Gram<'m> {
    entries: &'m [f64],
    rows: usize,
    count: usize,
    factor: f64,
    out: &'m mut [f64],
}

impl WithSimd for Gram<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let count = self.count;
        let column = |i: usize| &self.entries[i * self.rows..(i + 1) * self.rows];
        for i in 0..count {
            let mut put = |j: usize, sum: f64| {
                self.out[i * count + j] = self.factor * sum;
                self.out[j * count + i] = self.factor * sum;
            };
            let mut j = 0;
            while j <= i {
                // The last of four may stand on the other side of the diagonal: there it is the same.
                if j + ABREAST <= count {
                    let others: [&[f64]; ABREAST] = std::array::from_fn(|k| column(j + k));
                    for (k, sum) in dots(simd, column(i), others).into_iter().enumerate() {
                        put(j + k, sum);
                    }
                    j += ABREAST;
                } else {
                    put(j, dots(simd, column(i), [column(j)])[0]);
                    j += 1;
                }
            }
        }
    }
}

/// a·b for several b of the same length.
#[inline(always)]
fn dots<S: Simd, const N: usize>(simd: S, a: &[f64], b: [&[f64]; N]) -> [f64; N] {
    let (a, a_rest) = S::as_simd_f64s(a);
    let parts = b.map(|b| S::as_simd_f64s(b));
    let b = parts.map(|(b, _)| &b[..a.len()]);
    let mut sums = [simd.splat_f64s(0.0); N];
    for (k, &a) in a.iter().enumerate() {
        for (sum, b) in sums.iter_mut().zip(&b) {
            *sum = simd.mul_add_e_f64s(a, b[k], *sum);
        }
    }
    let a_rest = simd.partial_load_f64s(a_rest);
    for (sum, (_, rest)) in sums.iter_mut().zip(parts) {
        *sum = simd.mul_add_e_f64s(a_rest, simd.partial_load_f64s(rest), *sum);
    }
    sums.map(|sum| simd.reduce_sum_f64s(sum))
}

/// C⁻¹ and ln det C; `None` where C is not positive definite.
pub(super) fn inverse_of(mut covariance: DMatrix<f64>) -> Option<(DMatrix<f64>, f64)> {
    let ln_det = Arch::new().dispatch(Inverse {
        count: covariance.nrows(),
        entries: covariance.as_mut_slice(),
    })?;
    Some((covariance, ln_det))
}

/// A matrix of so many rows and columns, to be inverted where it stands.
struct Inverse<'m> {
    count: usize,
    entries: &'m mut [f64],
}

impl WithSimd for Inverse<'_> {
    /// ln det C.
    type Output = Option<f64>;

    /// Every unknown in turn is put on the other side (Gauss and Jordan's elimination without
    /// pivoting, of which a positive definite matrix has no need). The pivots are the squares of those of its triangular factor.
    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) -> Option<f64> {
        let count = self.count;
        let mut ln_det = 0.0;
        let mut own = vec![0.0; count];
        for k in 0..count {
            own.copy_from_slice(&self.entries[k * count..(k + 1) * count]);
            let pivot = own[k];
            if pivot.is_nan() || pivot <= 0.0 {
                return None;
            }
            ln_det += pivot.ln();
            own[k] = -1.0;
            let inverse = pivot.recip();
            for (i, column) in self.entries.chunks_exact_mut(count).enumerate() {
                let factor = if i == k { inverse } else { -own[i] * inverse };
                if i == k {
                    column.fill(0.0);
                }
                column[k] = 0.0;
                add(simd, column, [&own], [factor]);
            }
        }
        // What stands there now is −C⁻¹.
        for entry in self.entries {
            *entry = -*entry;
        }
        Some(ln_det)
    }
}

/// A x, of a symmetric A.
pub(crate) fn times(matrix: &DMatrix<f64>, x: &[f64]) -> Vec<f64> {
    let mut out = vec![0.0; matrix.nrows()];
    Arch::new().dispatch(Product {
        entries: matrix.as_slice(),
        x,
        out: &mut out,
    });
    out
}

/// A matrix of as many columns as there are x.
struct Product<'m> {
    entries: &'m [f64],
    x: &'m [f64],
    out: &'m mut [f64],
}

impl WithSimd for Product<'_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: Simd>(self, simd: S) {
        let rows = self.out.len();
        let column = |k: usize| &self.entries[k * rows..(k + 1) * rows];
        let (groups, rest) = self.x.as_chunks::<ABREAST>();
        for (group, x) in groups.iter().enumerate() {
            // A failure seldom moves more than a few readings.
            if *x != [0.0; ABREAST] {
                let first = group * ABREAST;
                add(
                    simd,
                    self.out,
                    std::array::from_fn(|k| column(first + k)),
                    *x,
                );
            }
        }
        for (k, x) in (groups.len() * ABREAST..).zip(rest) {
            add(simd, self.out, [column(k)], [*x]);
        }
    }
}

/// `target += Σ factor · source`.
#[inline(always)]
fn add<S: Simd, const N: usize>(
    simd: S,
    target: &mut [f64],
    sources: [&[f64]; N],
    factors: [f64; N],
) {
    let (target, target_rest) = S::as_mut_simd_f64s(target);
    let sources = sources.map(|source| S::as_simd_f64s(source));
    let wide = factors.map(|factor| simd.splat_f64s(factor));
    let whole = sources.map(|(whole, _)| &whole[..target.len()]);
    for (k, target) in target.iter_mut().enumerate() {
        for (source, factor) in whole.iter().zip(wide) {
            *target = simd.mul_add_e_f64s(source[k], factor, *target);
        }
    }
    let rest = sources.map(|(_, rest)| &rest[..target_rest.len()]);
    for (k, target) in target_rest.iter_mut().enumerate() {
        for (source, factor) in rest.iter().zip(factors) {
            *target += source[k] * factor;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the general library's own product and inverse.
    #[test]
    fn a_covariance_and_its_inverse_are_those_of_a_general_library() {
        for (parameters, readings) in [(3, 1), (7, 5), (40, 13), (251, 30)] {
            // Sensitivities of very different sizes, as readings in volts and amperes have.
            let scatter = DMatrix::from_fn(parameters, readings, |i, j| {
                ((i * 37 + j * 101) as f64).sin() * 10f64.powi((j % 5) as i32 - 2)
            });
            let product = scatter.tr_mul(&scatter) * 1.21;
            let mut found = gram(&scatter, 1.21);
            let (one, other) = scatter.as_slice().split_at(parameters * (readings / 3));
            let between = cross(one, other, parameters) * 1.21;
            let expected = product.view((0, readings / 3), between.shape());
            assert!((between - expected).amax() <= 1e-12 * product.amax());
            for (a, b) in found.iter().zip(product.iter()) {
                assert!((a - b).abs() <= 1e-12 * product.amax(), "{a} {b}");
            }
            for i in 0..readings {
                found[(i, i)] += 1e-3 * found[(i, i)] + 1e-6;
            }
            let cholesky = found.clone().cholesky().expect("a positive diagonal added");
            let (inverse, ln_det) = inverse_of(found.clone()).expect("a positive diagonal added");
            let expected_ln: f64 = cholesky
                .l_dirty()
                .diagonal()
                .iter()
                .map(|d| 2.0 * d.ln())
                .sum();
            assert!(
                (ln_det - expected_ln).abs() < 1e-9 * expected_ln.abs(),
                "{ln_det} {expected_ln}"
            );
            let unit = &found * &inverse;
            let x: Vec<f64> = (0..readings)
                .map(|i| ((i % 6) as f64 - 2.0).max(0.0))
                .collect();
            let known = &found * nalgebra::DVector::from_vec(x.clone());
            for (a, b) in times(&found, &x).iter().zip(known.iter()) {
                assert!((a - b).abs() <= 1e-12 * known.amax(), "{a} {b}");
            }
            let expected = &found * cholesky.inverse();
            let off = |m: &DMatrix<f64>| (m - DMatrix::identity(readings, readings)).amax();
            assert!(off(&unit) <= 1e-9 + 10.0 * off(&expected), "{}", off(&unit));
        }
    }

    #[test]
    fn what_is_no_covariance_has_no_inverse() {
        let indefinite = DMatrix::from_row_slice(2, 2, &[1.0, 2.0, 2.0, 1.0]);
        assert!(inverse_of(indefinite).is_none());
        let unknown = DMatrix::from_element(3, 3, f64::NAN);
        assert!(inverse_of(unknown).is_none());
    }
}
