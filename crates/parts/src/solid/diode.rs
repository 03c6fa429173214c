//! Diodes: silicon, germanium, selenium and vacuum.

use crate::device::{Condition, PortCurrents, PortVolts, Spread, Trait};
use crate::dual::softplus;

use super::junction::Junction;

/// Width over which a vacuum diode starts, volts. The retarding-field tail then
/// falls by a factor e each 0.1 V, as for a cathode at about 1100 K.
const START_VOLTS: f64 = 0.15;

/// One standard deviation of the contact potential between plate and cathode,
/// volts: it sets where a vacuum diode starts (common practice, no source).
const CONTACT_SIGMA_VOLTS: f64 = 0.2;

/// Leakage of any diode, siemens: glass, base and wiring.
const LEAST_SIEMENS: f64 = 1e-12;

/// A two-terminal rectifying part: current from anode to cathode for the voltage across it.
///
/// One port, anode against cathode. [`Condition::perveance`] scales the forward
/// current (0 is a diode that is not there) and of a vacuum diode
/// [`Condition::contact_volts`] adds to its voltage; nothing else of the condition
/// is looked at. The parameters of the solid-state kinds are those of typical
/// parts (common practice, no source).
#[derive(Clone, Debug, PartialEq)]
pub struct DiodeLaw {
    form: Form,
    /// Reverse leakage, siemens.
    leak_siemens: f64,
    /// One standard deviation of ln perveance.
    spread: f64,
}

#[derive(Clone, Debug, PartialEq)]
enum Form {
    Junction(Junction),
    /// i = P S(v)^3/2 with S a softplus of width [`START_VOLTS`].
    ThreeHalves {
        perveance: f64,
    },
    /// Nothing up to the drop, a small resistance beyond.
    Arc {
        drop_volts: f64,
    },
}

/// Width over which an arc starts, volts.
const ARC_WIDTH_VOLTS: f64 = 0.2;

/// Resistance of a lit arc, ohms: a tenth of a volt in fifteen at a fifth of an ampere.
const ARC_OHMS: f64 = 0.5;

impl DiodeLaw {
    /// Silicon junction rectifier of about an ampere: 0.6 V at 1 mA, 1.0 V at 1 A.
    #[must_use]
    pub fn silicon() -> Self {
        Self {
            form: Form::Junction(Junction {
                saturation_amps: 3e-9,
                slope_volts: 0.049,
                ohms: 0.08,
            }),
            leak_siemens: 1e-10,
            spread: 0.4,
        }
    }

    /// Germanium point-contact diode: 0.25 V at 0.5 mA, about 0.8 V at 5 mA.
    #[must_use]
    pub fn germanium() -> Self {
        Self {
            form: Form::Junction(Junction {
                saturation_amps: 2e-6,
                slope_volts: 0.038,
                ohms: 100.0,
            }),
            leak_siemens: 1e-6,
            spread: 0.4,
        }
    }

    /// One selenium plate of a small stack: about 1 V at 100 mA.
    #[must_use]
    pub fn selenium() -> Self {
        Self::selenium_stack(1, 0.1)
    }

    /// A selenium stack of so many plates in series, each about 1 V at `rated_amps`.
    ///
    /// No plates count as one; a rating that is not above zero as 100 mA.
    #[must_use]
    pub fn selenium_stack(plates: u32, rated_amps: f64) -> Self {
        let plates = f64::from(plates.max(1));
        let rated = if rated_amps.is_finite() && rated_amps > 0.0 {
            rated_amps
        } else {
            0.1
        };
        Self {
            form: Form::Junction(Junction {
                saturation_amps: 1.6e-4 * rated,
                slope_volts: 0.08 * plates,
                ohms: 0.3 / rated * plates,
            }),
            leak_siemens: 5e-5 * rated / plates,
            spread: 0.4,
        }
    }

    /// Vacuum diode of this perveance, amperes per volt to the 3/2.
    ///
    /// The law of Child (1911) and Langmuir (1913). A perveance that is not
    /// above zero is a diode without emission.
    #[must_use]
    pub fn vacuum(perveance: f64) -> Self {
        Self {
            form: Form::ThreeHalves {
                perveance: if perveance.is_finite() {
                    perveance.max(0.0)
                } else {
                    0.0
                },
            },
            leak_siemens: LEAST_SIEMENS,
            spread: 0.15,
        }
    }

    /// Vacuum diode through one published point: so many volts at so many amperes.
    #[must_use]
    pub fn vacuum_from_drop(volts: f64, amps: f64) -> Self {
        Self::vacuum(perveance_from_drop(volts, amps))
    }

    /// Mercury-vapour diode: an almost constant drop of so many volts.
    ///
    /// A drop that is below zero or not a number counts as the usual 15 V.
    #[must_use]
    pub fn mercury_vapour(drop_volts: f64) -> Self {
        let drop_volts = if drop_volts.is_finite() && drop_volts >= 0.0 {
            drop_volts
        } else {
            15.0
        };
        Self {
            form: Form::Arc { drop_volts },
            leak_siemens: LEAST_SIEMENS,
            spread: 0.15,
        }
    }

    /// One: anode against cathode.
    #[must_use]
    pub fn ports(&self) -> usize {
        1
    }

    /// Amperes from anode to cathode, and siemens.
    #[must_use]
    pub fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        let v = match self.form {
            Form::ThreeHalves { .. } => volts[0] + condition.contact_volts,
            Form::Junction(_) | Form::Arc { .. } => volts[0],
        };
        let (amps, siemens) = match &self.form {
            Form::Junction(junction) => junction.current(v),
            Form::ThreeHalves { perveance } => {
                let (soft, slope) = softplus(v / START_VOLTS);
                let s = START_VOLTS * soft;
                let root = s.sqrt();
                (perveance * s * root, 1.5 * perveance * root * slope)
            }
            Form::Arc { drop_volts } => {
                let (soft, slope) = softplus((v - drop_volts) / ARC_WIDTH_VOLTS);
                (ARC_WIDTH_VOLTS / ARC_OHMS * soft, slope / ARC_OHMS)
            }
        };
        let scale = condition.perveance.max(0.0);
        let leak = self.leak_siemens.max(LEAST_SIEMENS);
        let mut out = PortCurrents::default();
        out.amps[0] = scale * amps + leak * volts[0];
        out.siemens[0][0] = scale * siemens + leak;
        out
    }

    /// How healthy specimens differ.
    #[must_use]
    pub fn spreads(&self) -> Vec<Spread> {
        let mut spreads = vec![Spread {
            of: Trait::Perveance,
            sigma: self.spread,
        }];
        if matches!(self.form, Form::ThreeHalves { .. }) {
            spreads.push(Spread {
                of: Trait::ContactVolts,
                sigma: CONTACT_SIGMA_VOLTS,
            });
        }
        spreads
    }
}

/// Perveance of a 3/2-power diode that drops `volts` at `amps`; zero if either is not above zero.
pub(crate) fn perveance_from_drop(volts: f64, amps: f64) -> f64 {
    let perveance = amps / volts.powf(1.5);
    if perveance.is_finite() && perveance > 0.0 {
        perveance
    } else {
        0.0
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn at(law: &DiodeLaw, v: f64) -> (f64, f64) {
        let got = law.currents(&[v, 0.0, 0.0, 0.0], &Condition::default());
        (got.amps[0], got.siemens[0][0])
    }

    fn every() -> [DiodeLaw; 7] {
        [
            DiodeLaw::silicon(),
            DiodeLaw::germanium(),
            DiodeLaw::selenium(),
            DiodeLaw::selenium_stack(5, 0.075),
            DiodeLaw::vacuum(6.78e-4),
            DiodeLaw::vacuum(0.0),
            DiodeLaw::mercury_vapour(15.0),
        ]
    }

    /// Volts at which the current is `amps`, by halving.
    fn drop_at(law: &DiodeLaw, amps: f64) -> f64 {
        let (mut low, mut high) = (-1.0, 1000.0);
        for _ in 0..200 {
            let middle = 0.5 * (low + high);
            if at(law, middle).0 < amps {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }

    // Junction drops: common practice, no source.
    #[test]
    fn forward_drops_are_the_usual_ones() {
        let silicon = DiodeLaw::silicon();
        assert!((0.55..0.68).contains(&drop_at(&silicon, 1e-3)));
        assert!((0.95..1.15).contains(&drop_at(&silicon, 1.0)));
        let germanium = DiodeLaw::germanium();
        assert!((0.15..0.35).contains(&drop_at(&germanium, 0.5e-3)));
        assert!((0.6..1.0).contains(&drop_at(&germanium, 5e-3)));
        let plate = drop_at(&DiodeLaw::selenium(), 0.1);
        assert!((0.9..1.1).contains(&plate), "{plate}");
        let stack = drop_at(&DiodeLaw::selenium_stack(5, 0.075), 0.075);
        assert!((stack - 5.0 * plate).abs() < 0.1, "{stack}");
    }

    #[test]
    fn reverse_currents_rank_as_they_should() {
        let reverse = |law: &DiodeLaw| -at(law, -20.0).0;
        let (silicon, germanium) = (
            reverse(&DiodeLaw::silicon()),
            reverse(&DiodeLaw::germanium()),
        );
        assert!(silicon < 1e-7 && germanium > 1e-5 && germanium < 1e-4);
        assert!(reverse(&DiodeLaw::vacuum(1e-3)) < 1e-9);
        assert!(reverse(&DiodeLaw::selenium()) > germanium);
    }

    // Data sheets (5U4G, 5Y3GT, 6X4: from memory, high; 5AR4, 5U4GB: medium).
    #[test]
    fn rectifier_tubes_drop_what_their_sheets_say() {
        for (volts, amps, perveance) in [
            (44.0, 0.225, 7.71e-4),
            (50.0, 0.275, 7.78e-4),
            (50.0, 0.125, 3.54e-4),
            (22.0, 0.070, 6.78e-4),
            (17.0, 0.225, 3.21e-3),
        ] {
            let got = perveance_from_drop(volts, amps);
            assert!((got / perveance - 1.0).abs() < 0.002, "{got}");
            let law = DiodeLaw::vacuum_from_drop(volts, amps);
            assert!((drop_at(&law, amps) / volts - 1.0).abs() < 0.001);
        }
    }

    // Data sheet of the 866A: about 15 V, nearly constant (from memory, high).
    #[test]
    fn mercury_vapour_drops_the_same_at_any_current() {
        let law = DiodeLaw::mercury_vapour(15.0);
        for amps in [0.05, 0.25, 1.0] {
            assert!((drop_at(&law, amps) - 15.0).abs() < 0.6);
        }
        assert_eq!(DiodeLaw::mercury_vapour(f64::NAN), law);
    }

    #[test]
    fn a_vacuum_diode_starts_below_zero() {
        // Small twin detector diode, 10 V at 60 mA: tens of microamperes into a short.
        let law = DiodeLaw::vacuum_from_drop(10.0, 0.060);
        let (short, _) = at(&law, 0.0);
        assert!((1e-5..2e-4).contains(&short), "{short}");
        let ratio = at(&law, -0.8).0 / at(&law, -0.9).0;
        assert!((ratio.ln() - 1.0).abs() < 0.05, "{ratio}");
    }

    #[test]
    fn silly_figures_make_a_dead_diode_not_a_wrong_one() {
        for law in [
            DiodeLaw::vacuum(f64::NAN),
            DiodeLaw::vacuum(-1.0),
            DiodeLaw::vacuum_from_drop(0.0, 0.1),
            DiodeLaw::vacuum_from_drop(-5.0, 0.1),
        ] {
            assert!(at(&law, 300.0).0 < 1e-8);
        }
        assert_eq!(
            DiodeLaw::selenium_stack(0, f64::NAN),
            DiodeLaw::selenium_stack(1, 0.1)
        );
    }

    proptest! {
        #[test]
        fn finite_and_rising_everywhere(v in -5000.0..5000.0_f64, scale in 0.0..2.0_f64) {
            let condition = Condition { perveance: scale, ..Condition::default() };
            for law in every() {
                let got = law.currents(&[v, 0.0, 0.0, 0.0], &condition);
                prop_assert!(got.amps[0].is_finite());
                prop_assert!(got.siemens[0][0] > 0.0 && got.siemens[0][0].is_finite());
            }
        }

        #[test]
        fn the_derivative_is_that_of_the_current(v in prop_oneof![-3.0..6.0_f64, 10.0..20.0_f64]) {
            let h = 1e-5;
            for law in every() {
                let (_, siemens) = at(&law, v);
                let slope = (at(&law, v + h).0 - at(&law, v - h).0) / (2.0 * h);
                prop_assert!((siemens - slope).abs() <= 1e-5 * siemens + 1e-11,
                    "{law:?} at {v}: {siemens} {slope}");
            }
        }
    }
}
