//! The covariance of many readings and its inverse, where they are kept in sparse factors and never formed.
//!
//! Most readings are voltages watched at one operating point ([`JointSpread`]): among these K = C⁻¹ costs what a few
//! solutions of the network do. Two things come on top.
//!
//! - Readings that are no such voltages (a current, ohms, a meter that takes much of what it reads). With B the covariance of the
//!   watched ones, c that of each other one with them and D that of the others among themselves, the others are put behind:
//!   M = D − cᵀ B⁻¹ c, and what B⁻¹ c and M⁻¹ make of a vector is one solution more.
//! - Whatever moves many readings at once: the mains, a track, a size that may give way. Each is one more column e of what is
//!   uncertain: (C + E Eᵀ)⁻¹ = C⁻¹ − C⁻¹E (1 + Eᵀ C⁻¹ E)⁻¹ Eᵀ C⁻¹.

use std::sync::Arc;

use deadstage_circuit::JointSpread;
use nalgebra::DMatrix;

use super::covariance::inverse_of;

/// How some readings scatter together.
#[derive(Clone, Debug)]
pub(crate) struct Joint {
    /// Those that are voltages watched at one point,
    pub(crate) spread: JointSpread,
    /// by each of them the index of its reading,
    pub(crate) watched: Vec<usize>,
    /// and the others.
    pub(crate) others: Vec<Other>,
    /// What further spreads do to every reading, by its index.
    pub(crate) apart: Vec<Vec<f64>>,
}

/// A reading that is not watched with the others.
#[derive(Clone, Debug)]
pub(crate) struct Other {
    /// Index of the reading.
    pub(crate) index: usize,
    /// Its change with one standard deviation of every parameter but those told apart.
    pub(crate) column: Vec<f64>,
    /// Its covariance with every watched voltage.
    pub(crate) with_watched: Vec<f64>,
}

impl Joint {
    /// By reading, its variance but for the meter's.
    pub(crate) fn variances(&self) -> Vec<f64> {
        let mut all = vec![0.0; self.watched.len() + self.others.len()];
        for (&index, variance) in self.watched.iter().zip(self.spread.variances()) {
            all[index] = *variance;
        }
        for other in &self.others {
            all[other.index] = dot(&other.column, &other.column);
        }
        for effect in &self.apart {
            for (variance, effect) in all.iter_mut().zip(effect) {
                *variance += effect * effect;
            }
        }
        all
    }
}

/// C⁻¹ of the exact readings among them.
#[derive(Clone, Debug)]
pub(crate) struct JointInverse {
    joint: Arc<Joint>,
    /// By watched voltage, its place among the exact readings.
    watched_at: Vec<Option<usize>>,
    /// The same of the others that are exact.
    others: Vec<Behind>,
    /// M⁻¹.
    core: DMatrix<f64>,
    /// C⁻¹E, without what they take off.
    columns: Vec<Vec<f64>>,
    /// (1 + Eᵀ C⁻¹ E)⁻¹.
    taken: DMatrix<f64>,
    /// How many readings are exact.
    count: usize,
    /// ln det C.
    pub(super) ln_det: f64,
}

/// A reading put behind the watched ones.
#[derive(Clone, Debug)]
struct Behind {
    /// Place among the exact readings.
    at: usize,
    /// B⁻¹ c.
    solved: Vec<f64>,
}

impl JointInverse {
    /// Of the readings `exact`, each other one with its meter's variance of `noise`, and with further `extra` columns of what is
    /// uncertain. `None`: this is no covariance.
    pub(super) fn new(
        joint: &Arc<Joint>,
        exact: &[usize],
        noise: &[f64],
        extra: &[Vec<f64>],
    ) -> Option<Self> {
        let place = |index: usize| exact.binary_search(&index).ok();
        let others: Vec<(&Other, Behind)> = joint
            .others
            .iter()
            .filter_map(|other| {
                let at = place(other.index)?;
                let solved = joint.spread.weigh(&other.with_watched);
                Some((other, Behind { at, solved }))
            })
            .collect();
        let own = DMatrix::from_fn(others.len(), others.len(), |i, j| {
            let (one, behind) = &others[i];
            let other = others[j].0;
            let mut sum = dot(&one.column, &other.column);
            if i == j {
                sum += noise[one.index];
            }
            sum - dot(&behind.solved, &other.with_watched)
        });
        let (core, ln_core) = inverse_of(own)?;
        let mut this = Self {
            watched_at: joint.watched.iter().map(|&index| place(index)).collect(),
            others: others.into_iter().map(|(_, behind)| behind).collect(),
            core,
            columns: Vec::new(),
            taken: DMatrix::zeros(0, 0),
            count: exact.len(),
            ln_det: joint.spread.ln_det() + ln_core,
            joint: Arc::clone(joint),
        };
        let effects: Vec<Vec<f64>> = joint
            .apart
            .iter()
            .chain(extra)
            .map(|effect| exact.iter().map(|&index| effect[index]).collect())
            .collect();
        let columns: Vec<Vec<f64>> = effects.iter().map(|e| this.times(e)).collect();
        let among = DMatrix::from_fn(effects.len(), effects.len(), |i, j| {
            dot(&effects[i], &columns[j]) + if i == j { 1.0 } else { 0.0 }
        });
        let (taken, ln_taken) = inverse_of(among)?;
        this.ln_det += ln_taken;
        this.taken = taken;
        this.columns = columns;
        Some(this)
    }

    /// C⁻¹ x.
    pub(super) fn times(&self, x: &[f64]) -> Vec<f64> {
        let at = |place: &Option<usize>| place.map_or(0.0, |k| x[k]);
        let watched: Vec<f64> = self.watched_at.iter().map(at).collect();
        let mut weighed = self.joint.spread.weigh(&watched);
        let mut out = vec![0.0; self.count];
        if !self.others.is_empty() {
            let rests: Vec<f64> = self
                .others
                .iter()
                .map(|other| x[other.at] - dot(&other.solved, &watched))
                .collect();
            for (i, other) in self.others.iter().enumerate() {
                let own: f64 = (0..rests.len()).map(|j| self.core[(i, j)] * rests[j]).sum();
                out[other.at] = own;
                for (weighed, solved) in weighed.iter_mut().zip(&other.solved) {
                    *weighed -= solved * own;
                }
            }
        }
        for (place, weighed) in self.watched_at.iter().zip(weighed) {
            if let Some(k) = place {
                out[*k] = weighed;
            }
        }
        let along: Vec<f64> = self.columns.iter().map(|column| dot(column, x)).collect();
        for (i, column) in self.columns.iter().enumerate() {
            let amount: f64 = (0..along.len())
                .map(|j| self.taken[(i, j)] * along[j])
                .sum();
            for (out, c) in out.iter_mut().zip(column) {
                *out -= amount * c;
            }
        }
        out
    }

    /// The diagonal of C⁻¹.
    pub(super) fn diagonal(&self) -> Vec<f64> {
        let mut out = vec![0.0; self.count];
        let watched = self.watched_at.iter().zip(self.joint.spread.precisions());
        for (k, (place, precision)) in watched.enumerate() {
            if let Some(at) = place {
                let solved: Vec<f64> = self.others.iter().map(|other| other.solved[k]).collect();
                out[*at] = precision + square(&self.core, &solved);
            }
        }
        for (i, other) in self.others.iter().enumerate() {
            out[other.at] = self.core[(i, i)];
        }
        for (k, out) in out.iter_mut().enumerate() {
            let row: Vec<f64> = self.columns.iter().map(|column| column[k]).collect();
            *out -= square(&self.taken, &row);
        }
        out
    }
}

/// xᵀ A x.
fn square(matrix: &DMatrix<f64>, x: &[f64]) -> f64 {
    let mut sum = 0.0;
    for (i, a) in x.iter().enumerate() {
        for (j, b) in x.iter().enumerate() {
            sum += a * matrix[(i, j)] * b;
        }
    }
    sum
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}
