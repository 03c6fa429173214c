//! What the reasoning takes for granted, where a caller knows better or wants
//! to see what each of its steps is worth.

use std::collections::BTreeMap;

use deadstage_circuit::{Network, ParameterKind};
use deadstage_netlist::PartId;
use deadstage_parts::{Mode, Trait};

use crate::failure::Failure;
use crate::model::Networks;

/// What is taken for granted in the place of this library's own tube laws, spreads and
/// rates. The default changes nothing.
#[derive(Clone, Debug, Default)]
pub struct Assumptions {
    /// The stage as a network under each law that it might follow, all as
    /// likely; none for the library's own two. Where tubes
    /// (or any other devices) are to follow a law of the caller's, build with [`Network::compile`], then
    /// [`Network::set_law`]; where spreads are known better, write them to the
    /// `sigma` of its parameters. All must have the same parameters in the same order.
    pub networks: Vec<Network>,
    /// Prior probability of each way to fail of each part, in the place of
    /// the table's; a way that is not listed does not happen. A way with
    /// several places in the part shares its probability among them evenly.
    pub failures: Option<BTreeMap<(PartId, Mode), f64>>,
    /// How many times as many sets of failures as usual the search looks at;
    /// nought and one are as usual. Worth it where laws and spreads are known so
    /// well that a set's members look hopeless alone.
    pub breadth: usize,
    /// What is left out.
    pub without: Ablation,
}

/// Steps of the reasoning to leave out, one by one, to see what each is worth.
/// Nobody should reason so; the trial bench does.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Ablation {
    /// Every reading has the spread that tolerances give it, but readings are
    /// taken as independent of each other.
    pub covariance: bool,
    /// Only the meter is uncertain; every healthy part is as printed.
    pub tolerances: bool,
    /// No allowance for tubes following no equation: the first tube law alone,
    /// without spreads of the traits that no data sheet settles (knee, tail,
    /// grid current), and linear scatter and odds taken at their word.
    pub misfit: bool,
    /// The meter's load takes the share of a voltage that it takes of a
    /// healthy unit's, and is not solved.
    pub solved_load: bool,
    /// No reading is ever a slip.
    pub slips: bool,
}

impl Ablation {
    /// Sets to nothing what is not to vary.
    pub(crate) fn settle(self, networks: &mut Networks) {
        if self.misfit {
            // Own networks are the caller's to choose.
            if networks.are_own {
                networks.list.truncate(1);
            }
            for (sigma, parameter) in networks.sigma.iter_mut().zip(&networks.list[0].parameters) {
                if let ParameterKind::Device(
                    _,
                    Trait::Knee | Trait::Tail | Trait::PlatePull | Trait::GridCurrent,
                ) = parameter.kind
                {
                    *sigma = 0.0;
                }
            }
        }
        if self.tolerances {
            networks.sigma.fill(0.0);
        }
    }
}

impl Assumptions {
    /// Puts stated probabilities in the place of the table's.
    pub(crate) fn rate(&self, failures: &mut Vec<Failure>) {
        let Some(stated) = &self.failures else {
            return;
        };
        let mut places: BTreeMap<(PartId, Mode), u32> = BTreeMap::new();
        for failure in failures.iter() {
            *places.entry((failure.part, failure.mode)).or_default() += 1;
        }
        failures.retain_mut(|failure| {
            let key = (failure.part, failure.mode);
            let (Some(whole), Some(count)) = (stated.get(&key), places.get(&key)) else {
                return false;
            };
            let p = whole / f64::from(*count);
            failure.ln_odds = (p / (1.0 - p)).ln();
            p > 0.0
        });
    }
}
