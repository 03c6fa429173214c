//! What each step of the reasoning is worth: the same units asked again with one of them left out.

use deadstage_reason::{Ablation, Assumptions, Options};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::run::Drawn;

/// One way to reason.
#[derive(Clone, Debug)]
pub struct Variant {
    /// What is left out, in words.
    pub name: &'static str,
    /// Options.
    pub options: Options,
    /// Assumptions.
    pub assumed: Assumptions,
}

/// Everything as it is, then one step left out at a time.
#[must_use]
pub fn variants() -> Vec<Variant> {
    let without = |name, ablation| Variant {
        name,
        options: Options::default(),
        assumed: Assumptions {
            without: ablation,
            ..Assumptions::default()
        },
    };
    let nothing = Ablation::default();
    let mut list = vec![
        without("nothing", nothing),
        without(
            "covariance of the tolerances (each reading by its own spread)",
            Ablation {
                covariance: true,
                ..nothing
            },
        ),
        without(
            "tolerances altogether (the meter alone is uncertain)",
            Ablation {
                tolerances: true,
                ..nothing
            },
        ),
        without(
            "the misfit of the tube laws (one law, nothing allowed for it)",
            Ablation {
                misfit: true,
                ..nothing
            },
        ),
        without(
            "the solved meter load (its share taken from the healthy unit)",
            Ablation {
                solved_load: true,
                ..nothing
            },
        ),
        without(
            "slips",
            Ablation {
                slips: true,
                ..nothing
            },
        ),
    ];
    let mut alone = without("sets of two and more", nothing);
    alone.options.together = 1;
    list.push(alone);
    list
}

/// The unit with one reading taken at another point than the sheet says; `None` where there is no other.
#[must_use]
pub fn with_slip(drawn: &Drawn, seed: u64) -> Option<Drawn> {
    let mut rng = Pcg64Mcg::seed_from_u64(seed);
    let mut slipped = drawn.clone();
    let readings = &mut slipped.sheet.readings;
    let at = rng.random_range(0..readings.len());
    let differs = |value: f64, other: f64| {
        (value - other).abs() > 0.2 * value.abs().max(other.abs()).max(1.0)
    };
    let others: Vec<usize> = (0..readings.len())
        .filter(|&i| differs(readings[i].value, readings[at].value))
        .collect();
    let from = *others.get(rng.random_range(0..others.len().max(1)))?;
    readings[at].value = readings[from].value;
    readings[at].range = readings[from].range;
    Some(slipped)
}
