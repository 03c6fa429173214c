//! How far healthy units differ where no slope tells it: at a node that a clamp, a regulator or a grid's current
//! holds, one that is cut off, or one that a unit in twenty has in another state.
//!
//! Units are drawn in pairs, of which the second is off the other way in every part. Half the
//! difference of the two is what slopes tell of; half their sum, less the print's value, is what they leave out.
//! Where that is much, the ends of a band are those of the units drawn.

use deadstage_circuit::{
    Base, ElementId, Network, OperatingPoint, ParameterKind, Precision, Scratch, unit,
};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Pairs that are drawn to see whether slopes tell all; and further ones where they do not.
const FIRST_PAIRS: usize = 10;
const FURTHER_PAIRS: usize = 50;

/// Units outside either end: of others, one in 40 lies below the third from the end of 120.
const OUTSIDE: usize = 2;

/// Slopes tell all where what they leave out is less than this share of what they tell.
const BENT: f64 = 0.35;

/// What some quantities are in healthy units.
pub(crate) struct Units {
    /// By pair and quantity, both units' values less the print's.
    pairs: Vec<[Vec<f64>; 2]>,
}

impl Units {
    /// Draws units and takes what `read` gives of each; one that does not solve is left out. Of a stage that is not
    /// `is_tied`, whose volts are what insulation makes of them, none is drawn.
    pub(crate) fn draw(
        base: &Base<'_>,
        sigma: &[f64],
        healthy: &[f64],
        is_tied: bool,
        mut read: impl FnMut(&OperatingPoint<'_>, &mut Scratch) -> Vec<f64>,
        scratch: &mut Scratch,
    ) -> Self {
        let mut units = Self { pairs: Vec::new() };
        let mut draws = draws(base.network());
        for nth in 0..FIRST_PAIRS + FURTHER_PAIRS {
            let mut points = 0..healthy.len();
            if !is_tied || nth == FIRST_PAIRS && !points.any(|index| units.is_bent(index)) {
                break;
            }
            let drawn = draws.iter_mut().map(normal);
            let off: Vec<f64> = sigma.iter().zip(drawn).map(|(s, z)| s * z).collect();
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
        if self.pairs.len() <= FIRST_PAIRS || !self.is_bent(index) {
            return None;
        }
        let both = self.pairs.iter().flatten();
        let mut off: Vec<f64> = both.map(|unit| unit[index]).collect();
        off.sort_by(f64::total_cmp);
        let beyond = OUTSIDE.min(off.len().saturating_sub(1) / 2);
        let (low, high) = (off.get(beyond)?, off.get(off.len() - 1 - beyond)?);
        Some((-low.min(0.0), high.max(0.0)))
    }
}

/// By parameter, where its draws come from: what it is called and where it is wired, so that neither the order of
/// the file nor other parts change what a part is off by.
fn draws(network: &Network) -> Vec<Pcg64Mcg> {
    let place = |nodes: &[usize]| -> String {
        nodes
            .iter()
            .map(|&node| format!(" {}", network.node_names[node]))
            .collect()
    };
    let element = |id: ElementId| {
        let element = network.element(id);
        format!("{:?}{}", element.role, place(&[element.from, element.to]))
    };
    let parameters = network.parameters.iter().map(|parameter| {
        let part = parameter
            .part
            .map_or("", |part| &network.part_names[part.0 as usize]);
        let of = match &parameter.kind {
            ParameterKind::Ohms(elements) => {
                elements.first().map_or_else(String::new, |e| element(*e))
            }
            ParameterKind::Wiper(upper, _) => format!("wiper {}", element(*upper)),
            ParameterKind::Emf(id) => format!("volts {}", element(*id)),
            ParameterKind::Line => "line".to_owned(),
            ParameterKind::Device(id, of) => {
                let slot = network.device(*id);
                format!("{of:?}{}{}", place(&[slot.common]), place(&slot.ports))
            }
        };
        // Fowler, Noll and Vo's hash, 64 bits (offset and prime from memory, high).
        let bytes = part.bytes().chain(of.bytes());
        let hash = bytes.fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
        Pcg64Mcg::seed_from_u64(hash)
    });
    parameters.collect()
}

/// A standard normal deviate.
fn normal(rng: &mut Pcg64Mcg) -> f64 {
    // Box and Muller (1958); the logarithm's argument is never nought.
    let radius = (-2.0 * (1.0 - rng.random::<f64>()).ln()).sqrt();
    radius * (std::f64::consts::TAU * rng.random::<f64>()).cos()
}
