//! The table of tube types: basing, ratings, heater and the published
//! operating points from which the laws are fitted.

mod base;
mod names;
mod ratings;
mod read;
mod substitutes;
mod unit;

use std::fmt;
use std::sync::LazyLock;

use crate::device::Device;
use crate::regulator::RegulatorLaw;
use crate::solid::DiodeLaw;
use crate::tube::LawForm;

pub use base::Base;
pub use names::{Named, Standing};
pub use ratings::{RatingSystem, Ratings};
pub use read::TableError;
pub use substitutes::{Figures, PinDifference, PinUse, Substitute, figures, working_point};
pub use unit::{Drop, Electrode, Glow, Pin, PublishedPoint, Unit, UnitKind};

use names::Index;

/// The table that ships with the crate.
///
/// # Panics
/// Never in a tested build: the data is compiled in and a test reads it.
#[must_use]
pub fn tube_table() -> &'static TubeTable {
    static TABLE: LazyLock<TubeTable> = LazyLock::new(|| {
        read::shipped().unwrap_or_else(|error| panic!("the shipped tube table: {error}"))
    });
    &TABLE
}

/// Tube types by name: [`look_up`](TubeTable::look_up) and [`find`](TubeTable::find).
#[derive(Debug)]
pub struct TubeTable {
    types: Vec<TubeType>,
    index: Index,
}

impl TubeTable {
    /// All types, in the order of a tube manual: by the leading number, then the rest.
    #[must_use]
    pub fn types(&self) -> &[TubeType] {
        &self.types
    }
}

/// How sure a figure is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Confidence {
    /// From memory, and doubtful.
    Low,
    /// From memory, likely right.
    Medium,
    /// From memory, sure.
    High,
    /// Read in a published source.
    Seen,
}

impl fmt::Display for Confidence {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Low => "from memory, low confidence",
            Self::Medium => "from memory, medium confidence",
            Self::High => "from memory, high confidence",
            Self::Seen => "read in the source",
        })
    }
}

/// One type of tube: a bottle with one or more units.
#[derive(Debug)]
pub struct TubeType {
    /// The usual name.
    pub name: String,
    /// Other names of the same tube, or of one that is the same at DC.
    pub aliases: Vec<String>,
    /// What the trade calls the bottle as a whole, where that is not what its units are called.
    pub called: Option<String>,
    /// The type whose figures it has, wherever its row gives none of its own.
    pub like: Option<String>,
    /// The base.
    pub base: Base,
    /// Heater or filament.
    pub heater: Option<Heater>,
    /// Units that are alike in the order of their lowest pin (not every maker
    /// numbers them, and those who do differ), others in the order of the sheet.
    pub units: Vec<Unit>,
    /// What the plates of all sections together may turn into heat, watts, where
    /// that is less than the sum of theirs.
    pub plates_watts: Option<f64>,
    /// By which system it is rated.
    pub rated_by: Option<RatingSystem>,
    /// Where the row is from.
    pub source: String,
    /// What of it was met in a second source.
    pub second_source: Option<String>,
    /// How sure the row is, basing and ratings included.
    pub confidence: Confidence,
    /// What else a reader must know.
    pub note: Option<String>,
}

impl TubeType {
    /// The law of a unit (counted from 0) as a device: amplifying units in the
    /// given form; diodes and rectifier plates as vacuum diodes; regulators.
    /// `None` when there is no such unit, or too little is known of it.
    #[must_use]
    pub fn law(&self, unit: usize, form: LawForm) -> Option<Device> {
        let unit = self.units.get(unit)?;
        match unit.kind {
            UnitKind::Amplifier(_) => unit.tube_law(form).map(Device::Tube),
            UnitKind::Diode | UnitKind::Rectifier => {
                let drop = unit.drop?;
                Some(Device::Diode(DiodeLaw::vacuum_from_drop(
                    drop.volts, drop.amps,
                )))
            }
            UnitKind::GasRectifier => {
                let drop = unit.drop?;
                Some(Device::Diode(DiodeLaw::mercury_vapour(drop.volts)))
            }
            UnitKind::Regulator => unit
                .glow
                .as_ref()
                .map(|glow| Device::Regulator(RegulatorLaw::new(glow))),
        }
    }
}

/// Heater ratings.
#[derive(Clone, Debug, PartialEq)]
pub struct Heater {
    /// Volts from end to end.
    pub volts: f64,
    /// Amperes from end to end.
    pub amps: f64,
    /// Pins: the two ends, then a tap.
    pub pins: Vec<Pin>,
    /// What a third pin is.
    pub tap: Option<HeaterTap>,
}

/// A tap of a heater.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum HeaterTap {
    /// The middle: the halves may be run in parallel, on half the volts and twice the current.
    Center,
    /// For a panel lamp across the part between the first pin of the heater and the tap.
    Lamp(LampTap),
}

/// The lamp tap of a line rectifier's heater.
#[derive(Clone, Copy, Debug, PartialEq, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LampTap {
    /// Across the tapped part without a lamp, volts.
    pub volts: f64,
    /// The same with the lamp, while the set draws its direct current through it, volts.
    pub lit_volts: f64,
    /// DC output current with a lamp and no resistor beside it, amperes.
    pub dc_amps: f64,
}
