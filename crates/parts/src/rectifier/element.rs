//! What conducts, and how the winding is used.

use crate::solid::perveance_from_drop;
use crate::table::{TubeType, UnitKind};

/// Drop of a silicon rectifier at working currents, volts (common practice, no source).
const SILICON_VOLTS: f64 = 0.8;

/// Drop of a mercury-vapour rectifier at any working current, volts (data
/// sheet of the 866A: about 15 V, from memory, high).
const MERCURY_VOLTS: f64 = 15.0;

/// RMS volts that one selenium plate of the time was put to.
const SELENIUM_PLATE_VOLTS: f64 = 26.0;

/// Drop of one selenium plate at working currents, volts.
const SELENIUM_DROP_VOLTS: f64 = 1.0;

/// What the rectifier is.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum RectifierElement {
    /// High vacuum: drop by the 3/2-power law.
    Vacuum {
        /// Amperes per volt to the 3/2, each plate.
        perveance: f64,
    },
    /// Mercury vapour: a constant drop of 15 V.
    MercuryVapour,
    /// Another gas, a cold cathode or a selenium stack: a constant drop.
    Gas {
        /// Volts; one that is below zero or not a number counts as none.
        volts: f64,
    },
    /// Silicon: a constant drop.
    Silicon,
}

impl RectifierElement {
    /// A vacuum rectifier that drops so many volts at so many amperes of one plate.
    #[must_use]
    pub fn vacuum_from_drop(volts: f64, amps: f64) -> Self {
        Self::Vacuum {
            perveance: perveance_from_drop(volts, amps),
        }
    }

    /// The selenium stack that a winding of so many volts RMS asks for: a plate for
    /// every 26 V, each of which drops about a volt (common practice, no source).
    #[must_use]
    pub fn selenium_for(winding_rms: f64) -> Self {
        Self::Gas {
            volts: (winding_rms / SELENIUM_PLATE_VOLTS).ceil() * SELENIUM_DROP_VOLTS,
        }
    }

    /// What a type of the tube table is as a rectifier: by its first unit that
    /// is a diode and whose drop is known; `None` if it has none.
    #[must_use]
    pub fn of_type(tube: &TubeType) -> Option<Self> {
        tube.units.iter().find_map(|unit| match unit.kind {
            UnitKind::Rectifier | UnitKind::Diode => unit
                .drop
                .map(|drop| Self::vacuum_from_drop(drop.volts, drop.amps)),
            UnitKind::GasRectifier => Some(
                unit.drop
                    .map_or(Self::MercuryVapour, |drop| Self::Gas { volts: drop.volts }),
            ),
            UnitKind::Regulator | UnitKind::Amplifier(_) => None,
        })
    }

    /// The part of the drop that does not depend on current, volts.
    pub(super) fn constant_volts(self) -> f64 {
        match self {
            Self::Vacuum { .. } => 0.0,
            Self::MercuryVapour => MERCURY_VOLTS,
            Self::Gas { volts } if volts.is_finite() => volts.max(0.0),
            Self::Gas { .. } => 0.0,
            Self::Silicon => SILICON_VOLTS,
        }
    }
}

/// How the winding is used.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Connection {
    /// Two plates on a centre-tapped winding; volts and ohms are each side's.
    FullWave,
    /// One plate on one winding.
    HalfWave,
    /// Four rectifiers on one winding: two always in series.
    Bridge,
    /// Two rectifiers that charge two capacitors in series on alternate half-cycles.
    Doubler,
}

impl Connection {
    /// Rectifiers in series in the conducting path.
    pub(super) fn in_series(self) -> f64 {
        match self {
            Self::Bridge => 2.0,
            Self::FullWave | Self::HalfWave | Self::Doubler => 1.0,
        }
    }

    /// Pulses of current into one reservoir each cycle of the mains, with
    /// this fraction of the sides alive.
    ///
    /// One dead side halves a full-wave or bridge circuit. A half-wave circuit
    /// has only one side; a doubler passes its DC through both halves in
    /// series, so it stops with either.
    pub(super) fn pulses(self, sides: f64) -> f64 {
        let sides = sides.clamp(0.0, 1.0);
        match self {
            Self::FullWave | Self::Bridge => 2.0 * sides,
            Self::HalfWave | Self::Doubler => (2.0 * sides - 1.0).max(0.0),
        }
    }

    /// Reservoirs in series at the output.
    pub(super) fn stacked(self) -> f64 {
        match self {
            Self::Doubler => 2.0,
            Self::FullWave | Self::HalfWave | Self::Bridge => 1.0,
        }
    }
}

/// What the rectifier looks into.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Filter {
    /// A reservoir capacitor, large enough that its voltage hardly moves in a cycle.
    Capacitor,
    /// A choke.
    Choke {
        /// Its inductance; `None` is one large enough for the least load.
        henries: Option<f64>,
    },
}
