//! The ways each class of part fails, how its failures divide among them, how
//! far each goes, and how often the class fails at all.
//!
//! Everything is read from `data/failures.toml`, where every number stands
//! beside its source. What the parameter of a mode means:
//!
//! | mode | what changes | parameter |
//! | --- | --- | --- |
//! | [`Mode::Open`] | resistance of the part (of a potentiometer, its track; of a meter, its coil); a diode or capacitor is gone | ohms, or none |
//! | [`Mode::Short`] | a resistor, winding or coil comes down to this; across a capacitor, diode, regulator, collector and emitter | ohms |
//! | [`Mode::Leaky`] | a resistance across the part | ohms |
//! | [`Mode::High`], [`Mode::Low`] | value of the part; volts of a supply, rectifier or regulator; indication of a panel meter | ratio |
//! | [`Mode::Weak`] | perveance (tubes, rectifiers, diodes), current gain (transistors) | ratio |
//! | [`Mode::Dead`], [`Mode::NotFiring`], [`Mode::SideDead`], [`Mode::SiliconInPlace`], [`Mode::Stuck`] | the law as a whole | none |
//! | [`Mode::Gassy`] | grid current out of the grid, as a fraction of the plate current | ratio |
//! | [`Mode::HeaterCathodeLeak`] | resistance from cathode to the heater supply | ohms |
//! | [`Mode::GridCathodeShort`] | resistance from grid to cathode | ohms |
//! | [`Mode::PoorContact`] | resistance in series with the part, or with one electrode | ohms |

mod file;

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde::Deserialize;

use crate::class::PartClass;

/// A way to fail.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Deserialize)]
pub enum Mode {
    /// No longer conducts.
    #[serde(rename = "open")]
    Open,
    /// At most 100 Ω where there should be more.
    #[serde(rename = "short")]
    Short,
    /// Conducts where it should not, above 100 Ω.
    #[serde(rename = "leaky")]
    Leaky,
    /// Value above tolerance.
    #[serde(rename = "high")]
    High,
    /// Value below tolerance, shorted turns, or a part of the wrong value.
    #[serde(rename = "low")]
    Low,
    /// Emission or gain down.
    #[serde(rename = "weak")]
    Weak,
    /// No emission; no output.
    #[serde(rename = "dead")]
    Dead,
    /// Gas in a tube.
    #[serde(rename = "gassy")]
    Gassy,
    /// Leakage between heater and cathode.
    #[serde(rename = "heater-cathode leak")]
    HeaterCathodeLeak,
    /// Grid touching cathode.
    #[serde(rename = "grid-cathode short")]
    GridCathodeShort,
    /// Resistance at a pin, joint, wiper or contact.
    #[serde(rename = "poor contact")]
    PoorContact,
    /// A switch or contact that stays in its other position.
    #[serde(rename = "stuck")]
    Stuck,
    /// A gas regulator that stays dark.
    #[serde(rename = "not firing")]
    NotFiring,
    /// A solid-state rectifier fitted in a tube's place.
    #[serde(rename = "silicon in place")]
    SiliconInPlace,
    /// One of the two sides of a rectifier dead.
    #[serde(rename = "side dead")]
    SideDead,
}

impl Mode {
    /// Every mode, in the order of declaration.
    pub const ALL: [Self; 15] = [
        Self::Open,
        Self::Short,
        Self::Leaky,
        Self::High,
        Self::Low,
        Self::Weak,
        Self::Dead,
        Self::Gassy,
        Self::HeaterCathodeLeak,
        Self::GridCathodeShort,
        Self::PoorContact,
        Self::Stuck,
        Self::NotFiring,
        Self::SiliconInPlace,
        Self::SideDead,
    ];

    /// The mode in the words of an answer.
    ///
    /// An answer has thirteen words. Two modes are told apart by the law only
    /// and share a word: silicon in a tube's place is `high` (a supply that
    /// reads high), one side dead is `weak` (half the emission is gone);
    /// [`Mode::phrase`] says which it is.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Self::Open => "open",
            Self::Short => "short",
            Self::Leaky => "leaky",
            Self::High | Self::SiliconInPlace => "high",
            Self::Low => "low",
            Self::Weak | Self::SideDead => "weak",
            Self::Dead => "dead",
            Self::Gassy => "gassy",
            Self::HeaterCathodeLeak => "heater-cathode leak",
            Self::GridCathodeShort => "grid-cathode short",
            Self::PoorContact => "poor contact",
            Self::Stuck => "stuck",
            Self::NotFiring => "not firing",
        }
    }

    /// The mode as said to a person: `V1 has poor contact at a pin`, less the part.
    #[must_use]
    pub fn phrase(self) -> &'static str {
        match self {
            Self::SiliconInPlace => "silicon fitted in the tube's place",
            Self::SideDead => "one side dead",
            other => other.name(),
        }
    }
}

/// What the number of a mode is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Measure {
    /// Ohms.
    Ohms,
    /// Ratio to the healthy value.
    Ratio,
}

/// How the parameter of a mode is distributed, given that the part failed so.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum ParameterPrior {
    /// The mode has no parameter.
    None,
    /// Evenly in the logarithm between `low` and `high`.
    LogUniform {
        /// Lower end, above zero.
        low: f64,
        /// Upper end, above `low`.
        high: f64,
        /// Unit of both.
        measure: Measure,
    },
    /// Evenly between `low` and `high`.
    Uniform {
        /// Lower end.
        low: f64,
        /// Upper end, above `low`.
        high: f64,
        /// Unit of both.
        measure: Measure,
    },
}

/// One way in which one class of part fails.
#[derive(Clone, Debug, PartialEq)]
pub struct FailureRow {
    /// What fails.
    pub class: PartClass,
    /// How.
    pub mode: Mode,
    /// Share of the class's failures that are of this mode; the shares of a class add to one.
    pub share: f64,
    /// How far it goes, before the part's own value is known: see [`FailureRow::prior_for`].
    pub prior: ParameterPrior,
    /// Whether DC readings can show it at all: an open capacitor does not.
    pub shows_at_dc: bool,
    /// Where the share comes from.
    pub source: String,
    /// How sure the source is.
    pub confidence: String,
    /// What it is in the part, where the mode alone does not say.
    pub note: Option<String>,
}

/// An open part is at least this many times its healthy resistance: below
/// that it is one that has gone high.
const OPEN_RATIO: f64 = 30.0;

/// A shorted resistive part is at most this fraction of its healthy
/// resistance: above that it is one that has gone low.
const SHORT_RATIO: f64 = 0.03;

/// A leaky part leaks at least this many times what a healthy one may.
const LEAK_RATIO: f64 = 3.0;

/// Of a range that the part's own value would close, this ratio of its ends stays.
const NARROWEST: f64 = 2.0;

impl FailureRow {
    /// The prior for one part: as the row, cut where the mode would run into another one.
    ///
    /// `nominal_ohms` is the healthy resistance of a resistive part and the
    /// healthy leakage resistance of a capacitor
    /// ([`healthy_leakage_ohms`](crate::healthy_leakage_ohms)); pass `None` for
    /// every other part. An open part is then at least 30 times its value, a
    /// short at most 3 % of it, and a leaky capacitor leaks at least three times
    /// what a healthy one may.
    #[must_use]
    pub fn prior_for(&self, nominal_ohms: Option<f64>) -> ParameterPrior {
        let ParameterPrior::LogUniform {
            low,
            high,
            measure: Measure::Ohms,
        } = self.prior
        else {
            return self.prior;
        };
        let Some(nominal) = nominal_ohms.filter(|ohms| ohms.is_finite() && *ohms > 0.0) else {
            return self.prior;
        };
        let (low, high) = match self.mode {
            Mode::Open => {
                let low = low.max(OPEN_RATIO * nominal);
                (low, high.max(NARROWEST * low))
            }
            Mode::Short if !self.class.is_capacitor() => {
                let high = high.min(SHORT_RATIO * nominal);
                (low.min(high / NARROWEST), high)
            }
            Mode::Leaky if self.class.is_capacitor() => {
                let high = high.min(nominal / LEAK_RATIO);
                (low.min(high / NARROWEST), high)
            }
            _ => (low, high),
        };
        ParameterPrior::LogUniform {
            low,
            high,
            measure: Measure::Ohms,
        }
    }
}

/// Which world a unit comes from: how often its parts are found bad.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum RateProfile {
    /// In daily use and kept up: tubes fail first, as the handbooks say.
    InService,
    /// Put away for decades: capacitors and composition resistors are as suspect as tubes.
    #[default]
    DecadesOld,
}

/// The failures of a class; shares add to one.
#[must_use]
pub fn failures(class: PartClass) -> &'static [FailureRow] {
    TABLE
        .classes
        .get(&class)
        .map_or(&[], |entry| entry.rows.as_slice())
}

/// The row of one mode of a class, if it fails so.
#[must_use]
pub fn failure(class: PartClass, mode: Mode) -> Option<&'static FailureRow> {
    failures(class).iter().find(|row| row.mode == mode)
}

/// Probability that one part of the class is bad in a unit on the bench.
///
/// [`RateProfile::InService`]: 1 − exp(−λ/Λ), λ the class's failure rate and
/// Λ the sum of the rates in a reference unit of four stages (each of one tube, one
/// electrolytic, two paper capacitors, six composition resistors): a unit is
/// on the bench because about one failure is expected in it.
/// [`RateProfile::DecadesOld`]: the figure of the table, common practice.
#[must_use]
pub fn rate(class: PartClass, profile: RateProfile) -> f64 {
    let Some(entry) = TABLE.classes.get(&class) else {
        return 0.0;
    };
    match profile {
        RateProfile::InService => -(-entry.per_million_hours / TABLE.reference_rate).exp_m1(),
        RateProfile::DecadesOld => entry.decades_old,
    }
}

/// Where a class's in-service rate comes from.
#[must_use]
pub fn rate_source(class: PartClass) -> &'static str {
    TABLE
        .classes
        .get(&class)
        .map_or("", |entry| entry.rate_source.as_str())
}

/// Factor on the odds of a composition resistor of this value having drifted high.
///
/// 33 kΩ to 470 kΩ drift worst, below 10 kΩ rarely (common practice, no
/// source). One for a value that is not a positive number.
#[must_use]
pub fn composition_drift_factor(ohms: f64) -> f64 {
    let points = &TABLE.drift;
    let (Some(first), Some(last)) = (points.first(), points.last()) else {
        return 1.0;
    };
    if !ohms.is_finite() || ohms <= 0.0 {
        return 1.0;
    }
    if ohms <= first.0 {
        return first.1;
    }
    points
        .windows(2)
        .find_map(|pair| match *pair {
            [(r0, f0), (r1, f1)] if ohms <= r1 => {
                Some(f0 + (f1 - f0) * (ohms / r0).ln() / (r1 / r0).ln())
            }
            _ => None,
        })
        .unwrap_or(last.1)
}

struct ClassEntry {
    rows: Vec<FailureRow>,
    per_million_hours: f64,
    rate_source: String,
    decades_old: f64,
}

struct Table {
    classes: BTreeMap<PartClass, ClassEntry>,
    reference_rate: f64,
    drift: Vec<(f64, f64)>,
}

static TABLE: LazyLock<Table> = LazyLock::new(|| {
    let file: file::File = toml::from_str(include_str!("../data/failures.toml"))
        .expect("the failure table that is compiled in parses, as its test holds");
    file.into_table()
});

#[cfg(test)]
mod tests;
