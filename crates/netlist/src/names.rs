//! The names of tubes that the parser must know: types, electrodes, pins.
//!
//! They are data handed in, so that the text layer stays free of tube physics.

use crate::stage::Electrode;

/// One tube type, as far as text is concerned.
#[derive(Clone, Debug, PartialEq)]
pub struct TubeName {
    /// The type, as usually printed: `12AX7`.
    pub name: String,
    /// What statement it belongs in.
    pub role: TubeRole,
    /// Electrodes and their socket pins, a list for each section of the bottle;
    /// 0 for an electrode on a top cap, which no pin number reaches.
    pub units: Vec<Vec<(Electrode, u8)>>,
}

/// Which statement a type belongs in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum TubeRole {
    /// `tube`.
    Amplifier,
    /// `rectifier` and `diode`.
    Rectifier,
    /// `regulator`.
    Regulator,
}

/// What a written name is taken for.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TakenFor {
    /// The name of a type.
    pub name: String,
    /// What its writer must be told before relying on it; `None` where the name is sure.
    pub doubt: Option<String>,
}

/// All types known, sorted by name.
#[derive(Clone, Debug, Default)]
pub struct TubeNames {
    /// The types.
    pub types: Vec<TubeName>,
    /// From any way of writing a name to one of `types`. Whoever has the data knows
    /// how names are written; without it, names are compared without regard to case.
    pub look_up: Option<fn(&str) -> Option<TakenFor>>,
}

impl TubeNames {
    /// The type of this name, however it is written.
    pub fn find(&self, name: &str) -> Option<&TubeName> {
        self.look_up(name).map(|(found, _)| found)
    }

    /// The type of this name, and what its writer must be told of it.
    pub fn look_up(&self, name: &str) -> Option<(&TubeName, Option<String>)> {
        match self.look_up.and_then(|look_up| look_up(name)) {
            Some(taken) => Some((self.named(&taken.name)?, taken.doubt)),
            None => Some((self.named(name)?, None)),
        }
    }

    /// Whether this is a name of a type as it stands, or one that surely means it.
    pub fn is_sure(&self, name: &str) -> bool {
        self.look_up(name).is_some_and(|(_, doubt)| doubt.is_none())
    }

    /// The type that has this very name, without regard to case.
    pub(crate) fn named(&self, name: &str) -> Option<&TubeName> {
        self.types
            .iter()
            .find(|t| t.name.eq_ignore_ascii_case(name))
    }
}

/// A name as it is compared: without regard to case.
pub(crate) fn fold(name: &str) -> String {
    name.to_lowercase()
}

/// Whether two names are the same, compared so.
pub(crate) fn is_same(one: &str, other: &str) -> bool {
    // Asked for every pair of failures: no text is made of plain letters.
    if one.is_ascii() && other.is_ascii() {
        one.eq_ignore_ascii_case(other)
    } else {
        fold(one) == fold(other)
    }
}
