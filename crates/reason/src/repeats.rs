//! Readings that were taken several times over.
//!
//! A meter is off by the same each time: however often a point is read, its mean is known no better than the meter shows it.
//! What the numbers differ by among themselves comes on top of that. So they are one reading, their mean, and what it costs to
//! weigh does not depend on how many they were.
//!
//! Where they stand in two heaps further apart than any meter is from itself, one heap is a slip, found out by reading again: each
//! heap is a reading. Of more heaps than two the unit or the hand was not steady, and they are one reading of a wide scatter.

use std::collections::HashMap;

use deadstage_netlist::{Bound, Reading};

/// Numbers further apart than this, in standard deviations of the meter, stand in two heaps: a meter shows the same point within
/// a fraction of one (common practice, no source).
const APART: f64 = 4.0;

/// More heaps than this are one wide one.
const MOST_HEAPS: usize = 2;

/// Readings of one point under the same conditions, with no repair between them.
pub(crate) struct Repeats<'r> {
    /// The one taken first.
    pub(crate) first: &'r Reading,
    /// Repairs made since.
    pub(crate) ago: usize,
    /// What was read, ascending.
    values: Vec<f64>,
}

/// What several numbers come to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Heap {
    /// The mean; of bounds the tightest.
    pub(crate) value: f64,
    /// Standard deviation of a single one about it.
    pub(crate) scatter: f64,
    /// How many.
    pub(crate) times: usize,
}

impl<'r> Repeats<'r> {
    /// Gathers readings, each with the repairs made since, in the order in which each was first taken.
    pub(crate) fn gather(readings: impl Iterator<Item = (&'r Reading, usize)>) -> Vec<Self> {
        let mut all: Vec<Self> = Vec::new();
        let mut place = HashMap::new();
        for (reading, ago) in readings {
            let at = *place.entry((reading.taken(), ago)).or_insert(all.len());
            if at == all.len() {
                all.push(Self {
                    first: reading,
                    ago,
                    values: Vec::new(),
                });
            }
            all[at].values.push(reading.value);
        }
        for repeats in &mut all {
            repeats.values.sort_unstable_by(f64::total_cmp);
        }
        all
    }

    /// The number in the middle.
    pub(crate) fn middle(&self) -> f64 {
        self.values[self.values.len() / 2]
    }

    /// All of them as one.
    pub(crate) fn whole(&self) -> Heap {
        self.heap(&self.values, |value| value)
    }

    /// The heaps that they stand in, lowest first, as they are `compared`, by a meter with this standard deviation.
    pub(crate) fn heaps(&self, sigma: f64, compared: impl Fn(f64) -> f64) -> Vec<Heap> {
        let is_one = |a: &f64, b: &f64| compared(*b) - compared(*a) <= APART * sigma;
        let heaps: Vec<&[f64]> = self.values.chunk_by(is_one).collect();
        if self.first.bound != Bound::Exact || heaps.len() > MOST_HEAPS {
            return vec![self.heap(&self.values, compared)];
        }
        let heaps = heaps.into_iter();
        heaps.map(|heap| self.heap(heap, &compared)).collect()
    }

    fn heap(&self, values: &[f64], compared: impl Fn(f64) -> f64) -> Heap {
        let count = values.len() as f64;
        let value = match self.first.bound {
            Bound::Exact if values[0] == values[values.len() - 1] => values[0],
            Bound::Exact => values.iter().sum::<f64>() / count,
            Bound::Above => values[values.len() - 1],
            Bound::Below => values[0],
        };
        let is_steady = self.first.bound != Bound::Exact || values.len() < 2;
        let off = |v: &f64| (compared(*v) - compared(value)).powi(2);
        Heap {
            value,
            scatter: if is_steady {
                0.0
            } else {
                (values.iter().map(off).sum::<f64>() / (count - 1.0)).sqrt()
            },
            times: values.len(),
        }
    }
}

#[cfg(test)]
mod tests;
