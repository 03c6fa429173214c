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

/// All types known, sorted by name.
#[derive(Clone, Debug, Default)]
pub struct TubeNames {
    /// The types.
    pub types: Vec<TubeName>,
}

impl TubeNames {
    /// The type of this name, without regard to case.
    pub fn find(&self, name: &str) -> Option<&TubeName> {
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
