//! Vectors.

/// `target += factor · source`.
#[inline]
pub(crate) fn add_scaled(target: &mut [f64], factor: f64, source: &[f64]) {
    if factor != 0.0 {
        for (t, s) in target.iter_mut().zip(source) {
            *t += factor * s;
        }
    }
}
