//! The factors of the equations at one point, and what a current anywhere does there.

use super::stamped::{Extra, StampedEquations};
use super::tap::Tap;
use crate::linalg::dense::{Lu, Matrix};
use crate::linalg::elimination::Elimination;

/// LU factors, with paths that have no place in the pattern as an update.
#[derive(Clone, Debug, Default)]
pub(crate) struct Factors {
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
    pub(crate) fn begin(&mut self, stamped: &StampedEquations) -> &mut [f64] {
        self.values.clone_from(&stamped.matrix);
        &mut self.values
    }

    /// The entries as they stand.
    pub(crate) fn entries(&self) -> &[f64] {
        &self.values
    }

    /// Factors the entries. `None`: singular.
    pub(crate) fn finish(&mut self, elimination: &Elimination, extras: &[Extra]) -> Option<()> {
        self.taps.clear();
        self.columns.clear();
        self.rows.clear();
        self.inverse.clear();
        if !elimination.factor(&mut self.values) {
            return None;
        }
        if extras.is_empty() {
            return Some(());
        }
        for extra in extras {
            let mut column = vec![0.0; elimination.size()];
            extra.tap.add_to(&mut column, 1.0);
            let mut row = column.clone();
            elimination.solve(&self.values, &mut column);
            elimination.solve_transposed(&self.values, &mut row);
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

    /// How many pivots are below nought, paths that are an update left out.
    pub(crate) fn negative_pivots(&self, elimination: &Elimination) -> usize {
        let pivots = &self.values[..elimination.size()];
        pivots.iter().filter(|pivot| **pivot < 0.0).count()
    }

    /// Solves J x = b in place; what stands behind the unknowns becomes nought.
    pub(crate) fn solve(&mut self, elimination: &Elimination, b: &mut [f64]) {
        elimination.solve(&self.values, b);
        if !self.taps.is_empty() {
            let mut weights: Vec<f64> = self.taps.iter().map(|tap| tap.of(b)).collect();
            self.core.solve(&mut weights);
            take_off(&weights, &self.columns, b);
        }
        clear_common(elimination, b);
    }

    /// The entries of the inverse that have a place; `None` where some paths are an update.
    pub(crate) fn inverse(&mut self, elimination: &Elimination) -> Option<&[f64]> {
        if !self.taps.is_empty() {
            return None;
        }
        self.invert(elimination);
        Some(&self.inverse)
    }

    fn invert(&mut self, elimination: &Elimination) {
        if self.inverse.is_empty() {
            elimination.invert(&self.values, &mut self.inverse);
        }
    }

    /// What a current through one tap does to another: uᵀ J⁻¹ v.
    pub(crate) fn between(&mut self, elimination: &Elimination, at: Tap, by: Tap) -> f64 {
        self.invert(elimination);
        let Some(bare) = self.entries_between(elimination, at, by) else {
            let mut b = vec![0.0; elimination.size()];
            by.add_to(&mut b, 1.0);
            self.solve(elimination, &mut b);
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
    fn entries_between(&self, elimination: &Elimination, at: Tap, by: Tap) -> Option<f64> {
        let mut sum = 0.0;
        for (row, row_sign) in at.unknowns().into_iter().flatten() {
            for (column, sign) in by.unknowns().into_iter().flatten() {
                let place =
                    elimination.find(u32::try_from(row).ok()?, u32::try_from(column).ok()?)?;
                sum += row_sign * sign * self.inverse[place];
            }
        }
        Some(sum)
    }

    /// Solves J x = b in place, where no path is an update of its own.
    pub(crate) fn solve_bare(&self, elimination: &Elimination, b: &mut [f64]) {
        elimination.solve(&self.values, b);
        clear_common(elimination, b);
    }

    /// Solves Jᵀ x = b in place; what stands behind the unknowns becomes nought.
    pub(crate) fn solve_transposed(&mut self, elimination: &Elimination, b: &mut [f64]) {
        elimination.solve_transposed(&self.values, b);
        if !self.taps.is_empty() {
            let mut weights: Vec<f64> = self.taps.iter().map(|tap| tap.of(b)).collect();
            self.core.solve_transposed(&mut weights);
            take_off(&weights, &self.rows, b);
        }
        clear_common(elimination, b);
    }
}

fn take_off(weights: &[f64], columns: &[Vec<f64>], b: &mut [f64]) {
    for (weight, column) in weights.iter().zip(columns) {
        for (b, c) in b.iter_mut().zip(column) {
            *b -= weight * c;
        }
    }
}

fn clear_common(elimination: &Elimination, b: &mut [f64]) {
    for entry in &mut b[elimination.size()..] {
        *entry = 0.0;
    }
}
