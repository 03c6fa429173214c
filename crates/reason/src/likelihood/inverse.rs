//! The inverse of a covariance, in whichever form it is kept, and what is left of it without slips.

use nalgebra::DMatrix;

use super::covariance::times;
use super::joint::JointInverse;

/// Share of a difference's larger term below which it is not told from there.
const LEFT: f64 = 1e-6;

/// C⁻¹.
#[derive(Clone, Debug)]
pub(crate) enum Inverse {
    /// Entry by entry.
    Dense(DMatrix<f64>),
    /// By what it makes of a vector.
    Joint(Box<JointInverse>),
}

impl Inverse {
    /// C⁻¹ x.
    pub(crate) fn times(&self, x: &[f64]) -> Vec<f64> {
        match self {
            Self::Dense(matrix) => times(matrix, x),
            Self::Joint(joint) => joint.times(x),
        }
    }

    /// C⁻¹ times each of four vectors that stand side by side.
    pub(super) fn times_each(&self, x: &[[f64; 4]]) -> Vec<[f64; 4]> {
        let mut out = vec![[0.0; 4]; x.len()];
        match self {
            Self::Dense(matrix) => {
                let columns = matrix.as_slice().chunks_exact(x.len().max(1));
                for (column, x) in columns.zip(x) {
                    for (out, c) in out.iter_mut().zip(column) {
                        for (out, x) in out.iter_mut().zip(x) {
                            *out += c * x;
                        }
                    }
                }
            }
            Self::Joint(joint) => {
                for which in 0..4 {
                    let one: Vec<f64> = x.iter().map(|x| x[which]).collect();
                    for (out, product) in out.iter_mut().zip(joint.times(&one)) {
                        out[which] = product;
                    }
                }
            }
        }
        out
    }

    /// One column, which is a row as well.
    pub(super) fn column(&self, k: usize, count: usize) -> Vec<f64> {
        match self {
            Self::Dense(matrix) => matrix.column(k).iter().copied().collect(),
            Self::Joint(joint) => {
                let mut unit = vec![0.0; count];
                unit[k] = 1.0;
                joint.times(&unit)
            }
        }
    }

    /// Entry by entry, of so many readings.
    pub(super) fn dense(&self, count: usize) -> DMatrix<f64> {
        match self {
            Self::Dense(matrix) => matrix.clone(),
            Self::Joint(_) => {
                let columns: Vec<f64> = (0..count).flat_map(|k| self.column(k, count)).collect();
                DMatrix::from_vec(count, count, columns)
            }
        }
    }

    pub(super) fn diagonal(&self) -> Vec<f64> {
        match self {
            Self::Dense(matrix) => matrix.diagonal().iter().copied().collect(),
            Self::Joint(joint) => joint.diagonal(),
        }
    }
}

/// The readings that are no slips.
pub(crate) struct Good {
    /// C⁻¹ of these, the rows and columns of the others zero, where it is kept entry by entry.
    inverse: Option<DMatrix<f64>>,
    /// By reading left out, the row and its own entry that it had when it was, and which it is.
    dropped: Vec<Dropped>,
}

/// A reading taken out of C.
struct Dropped {
    k: usize,
    row: Vec<f64>,
    own: f64,
}

impl Good {
    /// All readings, of which [`drop`](Self::drop) takes some out.
    pub(super) fn all(inverse: &Inverse) -> Self {
        Self {
            inverse: match inverse {
                Inverse::Dense(matrix) => Some(matrix.clone()),
                Inverse::Joint(_) => None,
            },
            dropped: Vec::new(),
        }
    }

    /// Takes a reading out of C: what the others owe to it, out of C⁻¹ (Schur complement).
    /// `own` is the diagonal of what is left, and `weighed` what it makes of the residual; both are brought up to it.
    pub(super) fn drop(&mut self, of: &Inverse, k: usize, own: &mut [f64], weighed: &mut [f64]) {
        let row = match &mut self.inverse {
            Some(inverse) => {
                let row: Vec<f64> = inverse.column(k).iter().copied().collect();
                let taken = inverse[(k, k)];
                let column = inverse.column(k).into_owned();
                *inverse -= &column * column.transpose() / taken;
                inverse.row_mut(k).fill(0.0);
                inverse.column_mut(k).fill(0.0);
                row
            }
            None => {
                let mut row = of.column(k, own.len());
                for dropped in &self.dropped {
                    let share = dropped.row[k] / dropped.own;
                    for (r, d) in row.iter_mut().zip(&dropped.row) {
                        *r -= share * d;
                    }
                }
                row
            }
        };
        let (taken, along) = (row[k], weighed[k]);
        for ((own, weighed), r) in own.iter_mut().zip(weighed.iter_mut()).zip(&row) {
            *own -= r * r / taken;
            *weighed -= r * along / taken;
        }
        own[k] = 0.0;
        weighed[k] = 0.0;
        self.dropped.push(Dropped { k, row, own: taken });
    }

    /// C⁻¹ x of these, by C⁻¹ of all.
    pub(crate) fn times(&self, of: &Inverse, x: &[f64]) -> Vec<f64> {
        if let Some(inverse) = &self.inverse {
            return times(inverse, x);
        }
        // A reading that is left out says nothing.
        let mut x = x.to_vec();
        for dropped in &self.dropped {
            x[dropped.k] = 0.0;
        }
        let mut out = of.times(&x);
        for dropped in &self.dropped {
            let share = dot(&dropped.row, &x) / dropped.own;
            for (out, r) in out.iter_mut().zip(&dropped.row) {
                *out -= share * r;
            }
        }
        for dropped in &self.dropped {
            out[dropped.k] = 0.0;
        }
        out
    }

    /// dᵀ C⁻¹ d of these, by that of all readings.
    pub(crate) fn square(&self, of: &Inverse, d: &[f64], of_all: f64) -> f64 {
        let owed = self.dropped.iter().map(|dropped| {
            let along = dot(&dropped.row, d);
            along * along / dropped.own
        });
        let square = of_all - owed.sum::<f64>();
        if square > LEFT * of_all {
            return square;
        }
        // Of what the others hardly feel rounding has left nothing.
        dot(&self.times(of, d), d)
    }
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
