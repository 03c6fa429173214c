//! The share of every reading that a meter's load leaves beside a known set of failures. A neighbouring set
//! is looked at without the meters, which is solved once, and each reading then made smaller by its share.

use crate::observe::{Observation, meter_share};

/// Readings of meters that draw nothing, and what those at hand show of them.
pub(super) struct Shares {
    bare: Vec<Observation>,
    shares: Vec<f64>,
}

impl Shares {
    /// Of meters that take nothing away, until more is [`known`](Self::know).
    pub(super) fn new(observations: &[Observation]) -> Self {
        Self {
            bare: observations.iter().map(Observation::bare).collect(),
            shares: vec![1.0; observations.len()],
        }
    }

    /// Takes the shares of a set from what it shows with its meters and without.
    pub(super) fn know(&mut self, loaded: &[f64], bare: &[f64]) {
        for (share, (loaded, bare)) in self.shares.iter_mut().zip(loaded.iter().zip(bare)) {
            *share = meter_share(*bare, *loaded).unwrap_or(1.0);
        }
    }

    /// What meters that draw nothing would read.
    pub(super) fn bare(&self) -> &[Observation] {
        &self.bare
    }

    /// What the meters at hand show, by reading in order, of what such meters would.
    pub(super) fn loaded<'a>(&'a self, bare: &'a [f64]) -> impl Iterator<Item = f64> + 'a {
        bare.iter()
            .zip(&self.shares)
            .map(|(bare, share)| bare * share)
    }
}
