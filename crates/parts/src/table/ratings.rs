//! Maximum ratings, and what a maker means by them.

use std::fmt;

/// By which system a sheet rates a tube (EIA RS-239 and JEDEC J5, from memory).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, serde::Deserialize)]
pub enum RatingSystem {
    /// For a tube of the published figures at the nominal line: the scatter of
    /// tubes, parts and the line is allowed for in the figure.
    #[serde(rename = "design center")]
    DesignCenter,
    /// For a tube of the published figures under the worst conditions of its
    /// set: the scatter of tubes is allowed for in the figure.
    #[serde(rename = "design maximum")]
    DesignMaximum,
    /// For any tube under any conditions: nothing is allowed for.
    #[serde(rename = "absolute")]
    Absolute,
}

impl RatingSystem {
    /// Its name, as it stands before the word "rating".
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::DesignCenter => "design-center",
            Self::DesignMaximum => "design-maximum",
            Self::Absolute => "absolute",
        }
    }
}

impl fmt::Display for RatingSystem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.name())
    }
}

/// Maximum ratings of a unit. `None`: not rated or not remembered.
#[derive(Clone, Copy, Debug, Default, PartialEq, serde::Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Ratings {
    /// Plate dissipation, watts.
    pub plate_watts: Option<f64>,
    /// Plate voltage, volts.
    pub plate_volts: Option<f64>,
    /// Screen dissipation, watts.
    pub screen_watts: Option<f64>,
    /// Screen voltage, volts.
    pub screen_volts: Option<f64>,
    /// Cathode current, amperes.
    pub cathode_amps: Option<f64>,
    /// Heater against cathode, volts.
    pub heater_cathode_volts: Option<f64>,
    /// Peak inverse plate voltage, volts (rectifiers, diodes).
    pub inverse_volts: Option<f64>,
    /// DC output current, amperes (rectifiers: both plates).
    pub dc_amps: Option<f64>,
    /// Peak current of a plate, amperes.
    pub peak_amps: Option<f64>,
}

impl Ratings {
    /// These, and where they say nothing what `others` say.
    #[must_use]
    pub fn or(self, others: &Self) -> Self {
        Self {
            plate_watts: self.plate_watts.or(others.plate_watts),
            plate_volts: self.plate_volts.or(others.plate_volts),
            screen_watts: self.screen_watts.or(others.screen_watts),
            screen_volts: self.screen_volts.or(others.screen_volts),
            cathode_amps: self.cathode_amps.or(others.cathode_amps),
            heater_cathode_volts: self.heater_cathode_volts.or(others.heater_cathode_volts),
            inverse_volts: self.inverse_volts.or(others.inverse_volts),
            dc_amps: self.dc_amps.or(others.dc_amps),
            peak_amps: self.peak_amps.or(others.peak_amps),
        }
    }

    /// Whether nothing is rated.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        *self == Self::default()
    }
}
