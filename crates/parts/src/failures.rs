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

/// The table as it is written.
mod file {
    use super::{BTreeMap, ClassEntry, Deserialize, FailureRow, Measure, Mode, ParameterPrior};
    use super::{PartClass, Table};

    #[derive(Deserialize)]
    #[serde(rename_all = "kebab-case", deny_unknown_fields)]
    pub(super) struct File {
        reference_unit: BTreeMap<PartClass, f64>,
        ranges: BTreeMap<String, Range>,
        composition_drift: Drift,
        pub(super) class: Vec<Class>,
    }

    #[derive(Deserialize)]
    #[serde(rename_all = "kebab-case", deny_unknown_fields)]
    struct Range {
        log_uniform: Option<(f64, f64)>,
        uniform: Option<(f64, f64)>,
        measure: Measure,
    }

    #[derive(Deserialize)]
    #[serde(deny_unknown_fields)]
    struct Drift {
        points: Vec<(f64, f64)>,
    }

    #[derive(Deserialize)]
    #[serde(rename_all = "kebab-case", deny_unknown_fields)]
    pub(super) struct Class {
        pub(super) class: PartClass,
        source: String,
        confidence: String,
        pub(super) published: BTreeMap<String, f64>,
        #[serde(default)]
        pub(super) unused: Vec<String>,
        pub(super) modes: Vec<Row>,
        in_service: f64,
        in_service_source: String,
        decades_old: f64,
    }

    #[derive(Deserialize)]
    #[serde(rename_all = "kebab-case", deny_unknown_fields)]
    pub(super) struct Row {
        mode: Mode,
        pub(super) range: String,
        pub(super) of: Option<String>,
        #[serde(default)]
        pub(super) part: f64,
        #[serde(default)]
        pub(super) share: f64,
        #[serde(default)]
        hidden_at_dc: bool,
        note: Option<String>,
    }

    impl File {
        pub(super) fn into_table(self) -> Table {
            let rate_of = |class: &PartClass| {
                self.class
                    .iter()
                    .find(|entry| entry.class == *class)
                    .map_or(0.0, |entry| entry.in_service)
            };
            let reference_rate = self
                .reference_unit
                .iter()
                .map(|(class, count)| count * rate_of(class))
                .sum();
            let ranges = &self.ranges;
            let classes = self
                .class
                .into_iter()
                .map(|entry| {
                    let rows = entry.rows(ranges);
                    let class = entry.class;
                    let entry = ClassEntry {
                        rows,
                        per_million_hours: entry.in_service,
                        rate_source: entry.in_service_source,
                        decades_old: entry.decades_old,
                    };
                    (class, entry)
                })
                .collect();
            Table {
                classes,
                reference_rate,
                drift: self.composition_drift.points,
            }
        }
    }

    impl Class {
        /// Rows of one mode are merged; what no row uses is scaled away.
        fn rows(&self, ranges: &BTreeMap<String, Range>) -> Vec<FailureRow> {
            let added: f64 = self.modes.iter().map(|row| row.share).sum();
            let used: f64 = self
                .published
                .iter()
                .filter(|(category, _)| !self.unused.contains(category))
                .map(|(_, share)| share)
                .sum();
            let mut rows: Vec<FailureRow> = Vec::new();
            for row in &self.modes {
                let published = row.of.as_ref().and_then(|of| self.published.get(of));
                let share = match published {
                    Some(category) => category * row.part / used * (1.0 - added),
                    None => row.share,
                };
                if let Some(same) = rows.iter_mut().find(|other| other.mode == row.mode) {
                    same.share += share;
                    same.note = match (same.note.take(), row.note.clone()) {
                        (Some(one), Some(other)) => Some(format!("{one}; {other}")),
                        (one, other) => one.or(other),
                    };
                    continue;
                }
                let practice = row.of.is_none() && !self.published.is_empty();
                rows.push(FailureRow {
                    class: self.class,
                    mode: row.mode,
                    share,
                    prior: ranges
                        .get(&row.range)
                        .map_or(ParameterPrior::None, Range::prior),
                    shows_at_dc: !row.hidden_at_dc,
                    source: if practice {
                        "common practice, no source".to_owned()
                    } else {
                        self.source.clone()
                    },
                    confidence: if practice {
                        "no source".to_owned()
                    } else {
                        self.confidence.clone()
                    },
                    note: row.note.clone(),
                });
            }
            rows
        }
    }

    impl Range {
        fn prior(&self) -> ParameterPrior {
            let measure = self.measure;
            match (self.log_uniform, self.uniform) {
                (Some((low, high)), _) => ParameterPrior::LogUniform { low, high, measure },
                (None, Some((low, high))) => ParameterPrior::Uniform { low, high, measure },
                (None, None) => ParameterPrior::None,
            }
        }

        #[cfg(test)]
        pub(super) fn is_sound(&self) -> bool {
            match self.prior() {
                ParameterPrior::None => false,
                ParameterPrior::LogUniform { low, high, .. }
                | ParameterPrior::Uniform { low, high, .. } => 0.0 < low && low < high,
            }
        }
    }

    #[cfg(test)]
    impl File {
        pub(super) fn has_range(&self, name: &str) -> bool {
            name == "none" || self.ranges.get(name).is_some_and(Range::is_sound)
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn written() -> file::File {
        toml::from_str(include_str!("../data/failures.toml")).expect("the table parses")
    }

    #[test]
    fn every_class_has_failures_whose_shares_add_to_one() {
        for class in PartClass::ALL {
            let rows = failures(class);
            assert!(!rows.is_empty(), "{}", class.name());
            let sum: f64 = rows.iter().map(|row| row.share).sum();
            assert!((sum - 1.0).abs() < 1e-9, "{}: {sum}", class.name());
            assert!(rows.iter().all(|row| row.share > 0.0), "{}", class.name());
        }
    }

    #[test]
    fn published_splits_add_to_one_and_are_used_up() {
        for class in written().class {
            if class.published.is_empty() {
                continue;
            }
            let sum: f64 = class.published.values().sum();
            assert!((sum - 1.0).abs() < 1e-9, "{}: {sum}", class.class.name());
            for category in class.published.keys() {
                let taken: f64 = class
                    .modes
                    .iter()
                    .filter(|row| row.of.as_ref() == Some(category))
                    .map(|row| row.part)
                    .sum();
                let due = f64::from(u8::from(!class.unused.contains(category)));
                assert!(
                    (taken - due).abs() < 1e-9,
                    "{}, {category}: {taken}",
                    class.class.name()
                );
            }
        }
    }

    #[test]
    fn every_row_names_a_category_and_a_range_that_exist() {
        let file = written();
        for class in &file.class {
            for row in &class.modes {
                assert!(file.has_range(&row.range), "{}", row.range);
                match &row.of {
                    Some(of) => assert!(class.published.contains_key(of), "{of}"),
                    None => assert!(row.share > 0.0, "{}", class.class.name()),
                }
            }
        }
    }

    #[test]
    fn a_class_has_one_row_a_mode_and_one_word_a_row() {
        for class in PartClass::ALL {
            let rows = failures(class);
            for (i, row) in rows.iter().enumerate() {
                assert!(rows[..i].iter().all(|other| other.mode != row.mode));
            }
        }
    }

    // MIL-HDBK-338B (1998), failure mode distributions (from memory, high):
    // where nothing is added or dropped, the shares are the printed ones.
    #[test]
    fn shares_are_those_of_the_handbook() {
        let share = |class, mode| failure(class, mode).map_or(0.0, |row| row.share);
        let close = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} for {b}");
        let resistor = PartClass::CompositionResistor;
        close(share(resistor, Mode::Open), 0.31);
        close(share(resistor, Mode::Short), 0.03);
        close(
            share(resistor, Mode::High) + share(resistor, Mode::Low),
            0.66,
        );
        let paper = PartClass::PaperCapacitor;
        close(share(paper, Mode::Open), 0.37);
        close(share(paper, Mode::Short) + share(paper, Mode::Leaky), 0.63);
        let tube = PartClass::Tube;
        close(share(tube, Mode::Weak) + share(tube, Mode::Gassy), 0.53);
        close(share(tube, Mode::Dead), 0.25);
        // 0.02 of the electrolytic's split (low capacitance) is dropped.
        let electrolytic = PartClass::ElectrolyticCapacitor;
        close(share(electrolytic, Mode::Open), 0.45 / 0.98);
    }

    #[test]
    fn an_open_capacitor_does_not_show_and_a_leaky_one_does() {
        for class in PartClass::ALL.into_iter().filter(|c| c.is_capacitor()) {
            for row in failures(class) {
                assert_eq!(row.shows_at_dc, row.mode != Mode::Open, "{}", class.name());
            }
        }
    }

    #[test]
    fn tubes_lead_in_service_and_not_after_decades() {
        let tube = rate(PartClass::Tube, RateProfile::InService);
        for class in [
            PartClass::CompositionResistor,
            PartClass::PaperCapacitor,
            PartClass::ElectrolyticCapacitor,
            PartClass::MicaCapacitor,
        ] {
            assert!(rate(class, RateProfile::InService) < tube / 4.0);
        }
        let old = |class| rate(class, RateProfile::DecadesOld);
        assert!(old(PartClass::PaperCapacitor) > old(PartClass::Tube));
        for class in PartClass::ALL {
            for profile in [RateProfile::InService, RateProfile::DecadesOld] {
                let p = rate(class, profile);
                assert!(p > 0.0 && p < 1.0, "{}: {p}", class.name());
            }
            // No strong prior where nothing is published.
            if class != PartClass::Link {
                assert!((0.01..=0.1).contains(&old(class)), "{}", class.name());
            }
        }
    }

    // One failure expected, in the sum of rates; in the sum of probabilities a little less.
    #[test]
    fn the_reference_unit_expects_one_failure() {
        let events = |class| -(1.0 - rate(class, RateProfile::InService)).ln();
        let stage = events(PartClass::Tube)
            + events(PartClass::ElectrolyticCapacitor)
            + 2.0 * events(PartClass::PaperCapacitor)
            + 6.0 * events(PartClass::CompositionResistor);
        assert!((4.0 * stage - 1.0).abs() < 1e-9, "{stage}");
    }

    // Field removals of 1 to 3 % per 100 hours, two in three of them defective (ARINC
    // field study, abstract only): 0.1 to 0.3 in 1500 hours.
    #[test]
    fn the_tube_rate_agrees_with_field_removals() {
        let tube = rate(PartClass::Tube, RateProfile::InService);
        assert!((0.1..0.3).contains(&tube), "{tube}");
    }

    #[test]
    fn priors_keep_clear_of_the_neighbouring_mode() {
        let ends = |class, mode, ohms| match failure(class, mode).map(|row| row.prior_for(ohms)) {
            Some(ParameterPrior::LogUniform { low, high, .. }) => (low, high),
            other => panic!("{other:?}"),
        };
        let resistor = PartClass::CompositionResistor;
        assert_eq!(ends(resistor, Mode::Open, None).0, 5e6);
        assert_eq!(ends(resistor, Mode::Open, Some(1e5)).0, 5e6);
        assert_eq!(ends(resistor, Mode::Open, Some(1e6)).0, 3e7);
        let (low, high) = ends(resistor, Mode::Short, Some(1.0));
        assert!(low < high && high <= 0.03);
        let electrolytic = PartClass::ElectrolyticCapacitor;
        assert_eq!(
            ends(electrolytic, Mode::Leaky, Some(3e6)),
            (3e3, 1e6),
            "a healthy electrolytic leaks more than a leaky mica"
        );
        let (low, high) = ends(electrolytic, Mode::Leaky, Some(1e3));
        assert!(0.0 < low && low < high);
        assert_eq!(ends(electrolytic, Mode::Short, Some(3e6)), (0.1, 100.0));
        // A giga-ohm part still has an open of its own.
        let (low, high) = ends(resistor, Mode::Open, Some(1e10));
        assert!(low == 3e11 && high > low);
    }

    #[test]
    fn mid_values_of_composition_drift_most() {
        let worst = composition_drift_factor(1e5);
        assert!(worst > composition_drift_factor(9.9e3) * 3.0);
        assert!((composition_drift_factor(3.3e4) - worst).abs() < 1e-12);
        assert!((composition_drift_factor(4.7e5) - worst).abs() < 1e-12);
        assert!(composition_drift_factor(1.0) <= composition_drift_factor(5e3));
        assert!(composition_drift_factor(2.2e7) < worst);
        for silly in [0.0, -1.0, f64::NAN, f64::INFINITY] {
            assert_eq!(composition_drift_factor(silly), 1.0);
        }
    }

    #[test]
    fn names_are_the_thirteen_words_of_an_answer() {
        let mut words: Vec<_> = Mode::ALL.iter().map(|mode| mode.name()).collect();
        words.sort_unstable();
        words.dedup();
        assert_eq!(words.len(), 13);
        assert_ne!(Mode::SiliconInPlace.phrase(), Mode::High.phrase());
        assert_ne!(Mode::SideDead.phrase(), Mode::Weak.phrase());
    }
}
