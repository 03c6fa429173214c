//! How far a healthy part is from its printed value.
//!
//! A healthy part is one within tolerance: beyond that it has failed, `high`
//! or `low` ([`failures`](crate::failures)). Within, specimens are spread
//! evenly, for which one standard deviation is the tolerance over √3; old
//! carbon lies more often in the upper half, which is taken as a density that
//! rises in a straight line. Read from `data/tolerances.toml`.

use std::collections::BTreeMap;
use std::sync::LazyLock;

use serde::Deserialize;

use crate::class::PartClass;
use crate::failures::RateProfile;

/// Mean and one standard deviation of a healthy part's value against the printed one.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Scatter {
    /// Mean deviation, as a fraction of the printed value.
    pub mean: f64,
    /// One standard deviation about the mean, as a fraction of the printed value.
    pub sigma: f64,
}

/// Tolerance where none is stated, as a fraction (0.2 for ±20 %).
///
/// For a supply or rectifier it is that of its volts, for a panel meter that of
/// its indication as a share of full scale; zero for parts whose spread is in
/// their law.
#[must_use]
pub fn default_tolerance(class: PartClass) -> f64 {
    TABLE.classes.get(&class).map_or(0.0, |row| row.tolerance)
}

/// Why [`default_tolerance`] is what it is.
#[must_use]
pub fn tolerance_reason(class: PartClass) -> &'static str {
    TABLE
        .classes
        .get(&class)
        .map_or("", |row| row.reason.as_str())
}

/// The scatter of healthy parts of this class and tolerance.
///
/// Even within ±`tolerance` (mean 0, σ = tolerance/√3); in
/// [`RateProfile::DecadesOld`] with the class's tilt *a*: density (1 + a x)/2
/// over x = ±1, mean a/3 and variance 1/3 − a²/9, in units of the tolerance.
/// A tolerance that is negative or not a number counts as none.
#[must_use]
pub fn scatter(class: PartClass, tolerance: f64, profile: RateProfile) -> Scatter {
    let tolerance = if tolerance.is_finite() {
        tolerance.max(0.0)
    } else {
        0.0
    };
    let tilt = match profile {
        RateProfile::InService => 0.0,
        RateProfile::DecadesOld => TABLE.classes.get(&class).map_or(0.0, |row| row.tilt),
    };
    Scatter {
        mean: tolerance * tilt / 3.0,
        sigma: tolerance * (1.0 / 3.0 - tilt * tilt / 9.0).sqrt(),
    }
}

/// Typical leakage resistance of a healthy capacitor, ohms; `None` for any other part.
///
/// Insulation resistance is inverse to capacitance for one dielectric, so the
/// table gives their product, up to a most that the case allows. Capacitance
/// in farads; one that is not above zero gives that most.
#[must_use]
pub fn healthy_leakage_ohms(class: PartClass, farads: f64) -> Option<f64> {
    let row = TABLE.leakage.get(&class)?;
    let ohms = row.megohm_microfarads / farads;
    Some(if ohms.is_finite() && ohms > 0.0 {
        ohms.min(row.most_ohms)
    } else {
        row.most_ohms
    })
}

/// One standard deviation of the logarithm of [`healthy_leakage_ohms`].
#[must_use]
pub fn leakage_ln_sigma(class: PartClass) -> Option<f64> {
    TABLE.leakage.get(&class).map(|row| row.ln_sigma)
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ClassRow {
    class: PartClass,
    tolerance: f64,
    #[serde(default)]
    tilt: f64,
    reason: String,
}

#[derive(Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
struct LeakageRow {
    class: PartClass,
    // MΩ·µF are seconds: the same number in ohm-farads.
    megohm_microfarads: f64,
    most_ohms: f64,
    ln_sigma: f64,
    #[expect(
        dead_code,
        reason = "kept beside the figure for whoever reads the table"
    )]
    reason: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct File {
    class: Vec<ClassRow>,
    leakage: Vec<LeakageRow>,
}

struct Table {
    classes: BTreeMap<PartClass, ClassRow>,
    leakage: BTreeMap<PartClass, LeakageRow>,
}

static TABLE: LazyLock<Table> = LazyLock::new(|| {
    let file: File = toml::from_str(include_str!("../data/tolerances.toml"))
        .expect("the tolerance table that is compiled in parses, as its test holds");
    Table {
        classes: file.class.into_iter().map(|row| (row.class, row)).collect(),
        leakage: file
            .leakage
            .into_iter()
            .map(|row| (row.class, row))
            .collect(),
    }
});

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_class_has_a_tolerance_with_a_reason() {
        for class in PartClass::ALL {
            assert!(!tolerance_reason(class).is_empty(), "{}", class.name());
            let tolerance = default_tolerance(class);
            assert!((0.0..=0.5).contains(&tolerance), "{}", class.name());
            assert_eq!(
                healthy_leakage_ohms(class, 1e-7).is_some(),
                class.is_capacitor()
            );
            assert_eq!(leakage_ln_sigma(class).is_some(), class.is_capacitor());
        }
        assert_eq!(default_tolerance(PartClass::CompositionResistor), 0.20);
        assert_eq!(default_tolerance(PartClass::FilmResistor), 0.05);
        assert_eq!(default_tolerance(PartClass::WirewoundResistor), 0.10);
        assert_eq!(default_tolerance(PartClass::Supply), 0.05);
    }

    #[test]
    fn an_even_spread_has_tolerance_over_root_three() {
        let new = scatter(PartClass::CompositionResistor, 0.1, RateProfile::InService);
        assert_eq!(new.mean, 0.0);
        assert!((new.sigma - 0.1 / 3.0_f64.sqrt()).abs() < 1e-12);
        let film = scatter(PartClass::FilmResistor, 0.05, RateProfile::DecadesOld);
        assert_eq!(film.mean, 0.0);
    }

    // The moments claimed for the tilted density, against its integral.
    #[test]
    fn old_carbon_leans_upward_and_stays_in_tolerance() {
        let old = scatter(PartClass::CompositionResistor, 0.2, RateProfile::DecadesOld);
        let tilt = 0.5;
        let n = 20_000;
        let (mut mass, mut first, mut second) = (0.0, 0.0, 0.0);
        for i in 0..n {
            let x = -1.0 + (f64::from(i) + 0.5) * 2.0 / f64::from(n);
            let p = (1.0 + tilt * x) / 2.0 * 2.0 / f64::from(n);
            mass += p;
            first += p * x;
            second += p * x * x;
        }
        assert!((mass - 1.0).abs() < 1e-9);
        assert!((old.mean - 0.2 * first).abs() < 1e-8);
        let sigma = 0.2 * (second - first * first).sqrt();
        assert!((old.sigma - sigma).abs() < 1e-7);
    }

    #[test]
    fn silly_tolerances_and_capacitances_are_harmless() {
        for silly in [-1.0, f64::NAN, f64::INFINITY] {
            let got = scatter(PartClass::Choke, silly, RateProfile::DecadesOld);
            assert_eq!((got.mean, got.sigma), (0.0, 0.0));
        }
        for silly in [0.0, -1e-6, f64::NAN, f64::INFINITY] {
            let ohms = healthy_leakage_ohms(PartClass::PaperCapacitor, silly);
            assert_eq!(ohms, Some(1e10));
        }
    }

    #[test]
    fn leakage_falls_with_capacitance_and_dielectrics_rank() {
        let leak = |class, farads| healthy_leakage_ohms(class, farads).unwrap_or(0.0);
        let electrolytic = leak(PartClass::ElectrolyticCapacitor, 20e-6);
        assert!((electrolytic - 5e6).abs() < 1.0, "{electrolytic}");
        let paper = leak(PartClass::PaperCapacitor, 0.1e-6);
        assert!((1e9..=1e10).contains(&paper), "{paper}");
        assert!(leak(PartClass::MicaCapacitor, 1e-10) >= 1e11);
        assert!(leak(PartClass::FilmCapacitor, 1e-7) > paper);
    }
}
