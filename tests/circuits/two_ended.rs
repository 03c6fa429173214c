//! Every type with two ends with every other: diodes and regulators of every type, and every rectifier's supply.

use deadstage_parts::tube_table;

use super::types::{DIODES, RECTIFIERS, REGULATORS, TwoEnded};

/// How two parts stand to each other.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Arrangement {
    /// The same way round.
    Series,
    /// Cathode to cathode: one of them blocks.
    Opposed,
    /// Side by side, head to tail.
    Antiparallel,
}

impl Arrangement {
    /// All.
    pub const ALL: [Self; 3] = [Self::Series, Self::Opposed, Self::Antiparallel];
}

/// Every circuit of two types in this arrangement, and a seed for each.
#[must_use]
pub fn every_pair(arrangement: Arrangement) -> Vec<(String, u64)> {
    let types = every_type();
    let pairs = types
        .iter()
        .flat_map(|one| types.iter().map(move |other| (one, other)));
    pairs
        .map(|(one, other)| circuit(one, other, arrangement))
        .zip(1..)
        .collect()
}

/// Those of the types that are another at DC than all before them: many are one tube with
/// another heater or on another base.
fn different(types: &[TwoEnded]) -> Vec<&TwoEnded> {
    let figures = |kind: &TwoEnded| {
        let unit = tube_table().find(&kind.name)?.units.first()?;
        Some((unit.kind, unit.drop, unit.glow))
    };
    let mut seen = Vec::new();
    let new = types.iter().filter(|kind| {
        let Some(own) = figures(kind) else {
            return true;
        };
        let is_new = !seen.contains(&own);
        seen.push(own);
        is_new
    });
    new.collect()
}

/// Every type, as the words of its statement with places for its designator and its two ends.
fn every_type() -> Vec<String> {
    let diodes = different(&DIODES)
        .into_iter()
        .map(|kind| format!("diode # {}", kind.name));
    let regulators = different(&REGULATORS)
        .into_iter()
        .map(|kind| format!("regulator # {}", kind.name));
    let rectifiers = different(&RECTIFIERS).into_iter().map(|kind| {
        format!(
            "rectifier # {} half-wave 120V winding 150 input capacitor",
            kind.name
        )
    });
    diodes.chain(regulators).chain(rectifiers).collect()
}

/// Two of [`every_type`] in one circuit, behind a resistor.
fn circuit(one: &str, other: &str, arrangement: Arrangement) -> String {
    let place = |words: &str, name: &str, from: &str, to: &str| {
        format!("{} from {from} to {to}\n", words.replace('#', name))
    };
    let parts = match arrangement {
        Arrangement::Series => {
            place(one, "V1", "top", "middle") + &place(other, "V2", "middle", "chassis")
        }
        Arrangement::Opposed => {
            place(one, "V1", "top", "middle") + &place(other, "V2", "chassis", "middle")
        }
        Arrangement::Antiparallel => {
            place(one, "V1", "top", "chassis") + &place(other, "V2", "chassis", "top")
        }
    };
    format!(
        "stage \"Two of a kind\"\nsupply B1 400V from bplus to chassis\nresistor R1 22k 10W from bplus to top\n{parts}"
    )
}
