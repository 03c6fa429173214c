//! The factors of the equations at one point, and what a current anywhere does there.

use super::frame::{Extra, Laid};
use crate::dense::{Lu, Matrix};
use crate::linear::Tap;
use crate::sparse::Pattern;

/// LU factors, with paths that have no place in the pattern as an update.
#[derive(Clone, Debug, Default)]
pub(super) struct Factors {
    values: Vec<f64>,
    /// Taps of the paths.
    taps: Vec<Tap>,
    /// J⁻¹ u and J⁻ᵀ u for each, without any of them.
    columns: Vec<Vec<f64>>,
    rows: Vec<Vec<f64>>,
    /// (1/g + uᵀ J⁻¹ u) between them, factored.
    core: Lu,
    /// Entries of the inverse without any of them, where they have a place; made at first need.
    inverse: Vec<f64>,
}

impl Factors {
    /// The entries, to be added to before they are factored.
    pub(super) fn begin(&mut self, laid: &Laid) -> &mut [f64] {
        self.values.clone_from(&laid.matrix);
        &mut self.values
    }

    /// Factors the entries. `None`: singular.
    pub(super) fn finish(&mut self, pattern: &Pattern, extras: &[Extra]) -> Option<()> {
        self.taps.clear();
        self.columns.clear();
        self.rows.clear();
        self.inverse.clear();
        if !pattern.factor(&mut self.values) {
            return None;
        }
        if extras.is_empty() {
            return Some(());
        }
        for extra in extras {
            let mut column = vec![0.0; pattern.size()];
            extra.tap.add_to(&mut column, 1.0);
            let mut row = column.clone();
            pattern.solve(&self.values, &mut column);
            pattern.solve_transposed(&self.values, &mut row);
            self.taps.push(extra.tap);
            self.columns.push(column);
            self.rows.push(row);
        }
        let count = extras.len();
        let mut core = Matrix::zeros(count, count);
        for i in 0..count {
            for j in 0..count {
                core[(i, j)] = self.taps[i].of(&self.columns[j]);
            }
            core[(i, i)] += 1.0 / extras[i].siemens;
        }
        self.core.factor(&core).ok()
    }

    /// Solves J x = b in place; what stands behind the unknowns becomes nought.
    pub(super) fn solve(&mut self, pattern: &Pattern, b: &mut [f64]) {
        pattern.solve(&self.values, b);
        if !self.taps.is_empty() {
            let mut weights: Vec<f64> = self.taps.iter().map(|tap| tap.of(b)).collect();
            self.core.solve(&mut weights);
            take_off(&weights, &self.columns, b);
        }
        clear_common(pattern, b);
    }

    /// The entries of the inverse that have a place; `None` where some paths are an update.
    pub(super) fn inverse(&mut self, pattern: &Pattern) -> Option<&[f64]> {
        if !self.taps.is_empty() {
            return None;
        }
        self.invert(pattern);
        Some(&self.inverse)
    }

    fn invert(&mut self, pattern: &Pattern) {
        if self.inverse.is_empty() {
            pattern.invert(&self.values, &mut self.inverse);
        }
    }

    /// What a current through one tap does to another: uᵀ J⁻¹ v.
    pub(super) fn between(&mut self, pattern: &Pattern, at: Tap, by: Tap) -> f64 {
        self.invert(pattern);
        let Some(bare) = self.entries_between(pattern, at, by) else {
            let mut b = vec![0.0; pattern.size()];
            by.add_to(&mut b, 1.0);
            self.solve(pattern, &mut b);
            return at.of(&b);
        };
        if self.taps.is_empty() {
            return bare;
        }
        let mut weights: Vec<f64> = self.rows.iter().map(|row| by.of(row)).collect();
        self.core.solve(&mut weights);
        let columns = self.columns.iter().map(|column| at.of(column));
        bare - weights.iter().zip(columns).map(|(w, c)| w * c).sum::<f64>()
    }

    /// The same without the paths that are an update; `None` where the pattern has no place for it.
    fn entries_between(&self, pattern: &Pattern, at: Tap, by: Tap) -> Option<f64> {
        let mut sum = 0.0;
        for (row, row_sign) in at.unknowns().into_iter().flatten() {
            for (column, sign) in by.unknowns().into_iter().flatten() {
                let place = pattern.find(u32::try_from(row).ok()?, u32::try_from(column).ok()?)?;
                sum += row_sign * sign * self.inverse[place];
            }
        }
        Some(sum)
    }

    /// Solves J x = b in place, where no path is an update of its own.
    pub(super) fn solve_bare(&self, pattern: &Pattern, b: &mut [f64]) {
        pattern.solve(&self.values, b);
        clear_common(pattern, b);
    }

    /// Solves Jᵀ x = b in place; what stands behind the unknowns becomes nought.
    pub(super) fn solve_transposed(&mut self, pattern: &Pattern, b: &mut [f64]) {
        pattern.solve_transposed(&self.values, b);
        if !self.taps.is_empty() {
            let mut weights: Vec<f64> = self.taps.iter().map(|tap| tap.of(b)).collect();
            self.core.solve_transposed(&mut weights);
            take_off(&weights, &self.rows, b);
        }
        clear_common(pattern, b);
    }
}

fn take_off(weights: &[f64], columns: &[Vec<f64>], b: &mut [f64]) {
    for (weight, column) in weights.iter().zip(columns) {
        for (b, c) in b.iter_mut().zip(column) {
            *b -= weight * c;
        }
    }
}

fn clear_common(pattern: &Pattern, b: &mut [f64]) {
    for entry in &mut b[pattern.size()..] {
        *entry = 0.0;
    }
}
