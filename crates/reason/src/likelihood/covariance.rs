//! The products that a covariance is made of, and its inverse.

use nalgebra::DMatrix;

/// `factor · JᵀJ`, of which the half below the diagonal is worked out.
pub(super) fn gram(scatter: &DMatrix<f64>, factor: f64) -> DMatrix<f64> {
    let (rows, count) = scatter.shape();
    let entries = scatter.as_slice();
    let column = |i: usize| &entries[i * rows..(i + 1) * rows];
    let mut out = DMatrix::zeros(count, count);
    for i in 0..count {
        for j in 0..=i {
            let sum = factor * dot(column(i), column(j));
            out[(i, j)] = sum;
            out[(j, i)] = sum;
        }
    }
    out
}

/// a·b in eight sums side by side, as the processor likes them.
fn dot(a: &[f64], b: &[f64]) -> f64 {
    let mut sums = [0.0; 8];
    let (a_chunks, b_chunks) = (a.chunks_exact(8), b.chunks_exact(8));
    let rest: f64 = a_chunks
        .remainder()
        .iter()
        .zip(b_chunks.remainder())
        .map(|(a, b)| a * b)
        .sum();
    for (a, b) in a_chunks.zip(b_chunks) {
        for (sum, (a, b)) in sums.iter_mut().zip(a.iter().zip(b)) {
            *sum += a * b;
        }
    }
    rest + sums.iter().sum::<f64>()
}

/// C⁻¹ = L⁻ᵀ L⁻¹ from the lower factor of C = L Lᵀ (what stands above its diagonal is not looked at).
pub(super) fn inverse_of(lower: &DMatrix<f64>) -> DMatrix<f64> {
    let n = lower.nrows();
    // Columns of L⁻¹, each from its own diagonal down.
    let mut columns = DMatrix::zeros(n, n);
    for j in 0..n {
        let x = &mut columns.as_mut_slice()[j * n..(j + 1) * n];
        x[j] = 1.0;
        for k in j..n {
            let line = &lower.as_slice()[k * n..(k + 1) * n];
            let value = x[k] / line[k];
            x[k] = value;
            for (x, l) in x[k + 1..].iter_mut().zip(&line[k + 1..]) {
                *x -= value * l;
            }
        }
    }
    let entries = columns.as_slice();
    let mut out = DMatrix::zeros(n, n);
    for i in 0..n {
        for j in 0..=i {
            let sum = dot(
                &entries[i * n + i..(i + 1) * n],
                &entries[j * n + i..(j + 1) * n],
            );
            out[(i, j)] = sum;
            out[(j, i)] = sum;
        }
    }
    out
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
            for (a, b) in found.iter().zip(product.iter()) {
                assert!((a - b).abs() <= 1e-12 * product.amax(), "{a} {b}");
            }
            for i in 0..readings {
                found[(i, i)] += 1e-3 * found[(i, i)] + 1e-6;
            }
            let cholesky = found.clone().cholesky().expect("a positive diagonal added");
            let inverse = inverse_of(cholesky.l_dirty());
            let unit = &found * &inverse;
            let expected = &found * cholesky.inverse();
            let off = |m: &DMatrix<f64>| (m - DMatrix::identity(readings, readings)).amax();
            assert!(off(&unit) <= 1e-9 + 10.0 * off(&expected), "{}", off(&unit));
        }
    }
}
