//! How far healthy units differ where no slope tells it: at a node that a clamp, a regulator or a grid's current
//! holds, one that is cut off, or one that a unit in twenty has in another state.
//!
//! Units are drawn in pairs, of which the second is off the other way in every part. Half the
//! difference of the two is what slopes tell of; half their sum, less the print's value, is what they leave out.
//! Where that is much, the ends of a band are those of the units drawn.

use deadstage_circuit::{Base, OperatingPoint, Precision, Probe, Scratch, unit};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use crate::model::Model;
use crate::observe::Observation;

/// Pairs that are drawn to see whether slopes tell all; and further ones where they do not. Three units in 120
/// lie beyond either end of a band that holds 19 of 20.
const FIRST_PAIRS: usize = 10;
const FURTHER_PAIRS: usize = 50;

/// Units outside either end.
const OUTSIDE: usize = 3;

/// Slopes tell all where what they leave out is less than this share of what they tell.
const BENT: f64 = 0.35;

/// The units are the same for everyone.
const SEED: u64 = 1_947;

/// What some quantities are in healthy units.
pub(crate) struct Units {
    /// By pair and quantity, both units' values less the print's.
    pairs: Vec<[Vec<f64>; 2]>,
}

impl Units {
    /// Draws units and takes what `read` gives of each; one that does not solve is left out.
    pub(crate) fn draw(
        base: &Base<'_>,
        sigma: &[f64],
        healthy: &[f64],
        mut read: impl FnMut(&OperatingPoint<'_>, &mut Scratch) -> Vec<f64>,
        scratch: &mut Scratch,
    ) -> Self {
        let mut units = Self { pairs: Vec::new() };
        let mut rng = Pcg64Mcg::seed_from_u64(SEED);
        for nth in 0..FIRST_PAIRS + FURTHER_PAIRS {
            if nth == FIRST_PAIRS && !(0..healthy.len()).any(|index| units.is_bent(index)) {
                break;
            }
            let off: Vec<f64> = sigma.iter().map(|sigma| sigma * normal(&mut rng)).collect();
            let mut of = |sign: f64| -> Option<Vec<f64>> {
                let off: Vec<f64> = off.iter().map(|off| sign * off).collect();
                let overlay = unit(base.network(), base.values(), &off);
                let point = base.solve_to(Precision::Readings, &overlay, None, scratch);
                let read = read(&point.ok()?, scratch);
                Some(
                    read.iter()
                        .zip(healthy)
                        .map(|(read, healthy)| read - healthy)
                        .collect(),
                )
            };
            if let (Some(one), Some(other)) = (of(1.0), of(-1.0)) {
                units.pairs.push([one, other]);
            }
        }
        units
    }

    /// Mean squares of what slopes tell of a quantity, and of what they leave out.
    fn squares(&self, index: usize) -> (f64, f64) {
        let count = self.pairs.len().max(1) as f64;
        let (mut told, mut left) = (0.0, 0.0);
        for [one, other] in &self.pairs {
            told += (0.5 * (one[index] - other[index])).powi(2);
            left += (0.5 * (one[index] + other[index])).powi(2);
        }
        (told / count, left / count)
    }

    fn is_bent(&self, index: usize) -> bool {
        let (told, left) = self.squares(index);
        left > BENT * BENT * told && left > 0.0
    }

    /// Where slopes do not tell all: how far below and above the print's value 19 of 20 units lie.
    pub(crate) fn band(&self, index: usize) -> Option<(f64, f64)> {
        if !self.is_bent(index) {
            return None;
        }
        let both = self.pairs.iter().flatten();
        let mut off: Vec<f64> = both.map(|unit| unit[index]).collect();
        off.sort_by(f64::total_cmp);
        let beyond = OUTSIDE.min(off.len().saturating_sub(1) / 2);
        let (low, high) = (off.get(beyond)?, off.get(off.len() - 1 - beyond)?);
        Some((-low.min(0.0), high.max(0.0)))
    }

    /// Variance of a quantity that slopes leave out, where it is much.
    pub(crate) fn variance_beside(&self, index: usize) -> f64 {
        if self.is_bent(index) {
            self.squares(index).1
        } else {
            0.0
        }
    }
}

/// By reading, the variance among healthy units that its slopes leave out, under the model's first law.
pub(crate) fn beside_slopes(
    model: &Model<'_>,
    observations: &[Observation],
    scratch: &mut Scratch,
) -> Vec<f64> {
    let mut variances = vec![0.0; observations.len()];
    for (situation, base) in model.bases[0].iter().enumerate() {
        let read_here: Vec<usize> = (0..observations.len())
            .filter(|&index| observations[index].situation == situation)
            .collect();
        let probes: Vec<(&Observation, Probe)> = read_here
            .iter()
            .map(|&index| {
                let observation = &observations[index];
                // What a meter's load takes off hardly bends, and would have to be solved for.
                let probe = match observation.probe {
                    Probe::Volts { from, to, .. } => {
                        let load = None;
                        Probe::Volts { from, to, load }
                    }
                    other => other,
                };
                (observation, probe)
            })
            .collect();
        let read = |point: &OperatingPoint<'_>, scratch: &mut Scratch| -> Vec<f64> {
            let read = probes.iter().map(|(observation, probe)| {
                let value = observation.factor * point.read(probe, scratch, None);
                observation.compared(value + observation.offset)
            });
            read.collect()
        };
        let Ok(healthy) = base.solve_to(Precision::Readings, &[], None, scratch) else {
            continue;
        };
        if read_here.is_empty() {
            continue;
        }
        let healthy = read(&healthy, scratch);
        let units = Units::draw(base, &model.networks.sigma, &healthy, read, scratch);
        for (at, &index) in read_here.iter().enumerate() {
            variances[index] = units.variance_beside(at);
        }
    }
    variances
}

/// A standard normal deviate.
fn normal(rng: &mut Pcg64Mcg) -> f64 {
    // Box and Muller (1958); the logarithm's argument is never nought.
    let radius = (-2.0 * (1.0 - rng.random::<f64>()).ln()).sqrt();
    radius * (std::f64::consts::TAU * rng.random::<f64>()).cos()
}
