//! A filament lamp from cold to hot: its resistance follows its own heat.
//!
//! With ρ the resistance over that at the rated voltage, ρ₀ the cold one:
//!
//! ```text
//! R ∝ T^1.2          P ∝ T⁴ − T₀⁴
//! (V/Vr)² = ρ (ρ^(10/3) − ρ₀^(10/3)) / (1 − ρ₀^(10/3))
//! ```
//!
//! The first is tungsten's (H. A. Jones and I. Langmuir, "The characteristics of tungsten
//! filaments as functions of temperature", General Electric Review 30, 1927, from memory,
//! high), the second Stefan and Boltzmann's. Near the rated voltage the current then goes as
//! V^0.54, as the trade has it (0.54 to 0.58, common practice, no source).
//!
//! Left out: that tungsten radiates more readily the hotter it is, what the leads and a gas
//! filling carry off, which keeps a filament at a few per cent of its voltage colder than this
//! says, and the seconds of warming up. A carbon filament and an iron wire in hydrogen (a
//! barretter) follow other laws.

use crate::device::{Condition, PortCurrents, PortVolts};

/// T⁴ as a power of ρ.
const RADIATION: f64 = 4.0 / 1.2;

/// ρ^(10/3), without a general power.
fn radiated(ratio: f64) -> f64 {
    ratio.powi(3) * ratio.cbrt()
}

/// Of the resistance when hot, what a circuit may lay across the lamp so that nodes
/// between lamps in series hang on something: the law takes its current off again.
pub const LAMP_BYPASS: f64 = 1e4;

/// Law of a filament lamp of known rating.
///
/// One port. Of the condition it looks at [`Condition::filament`].
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct LampLaw {
    volts: f64,
    hot_ohms: f64,
    /// ρ₀.
    cold: f64,
    /// ρ₀^(10/3).
    cold_heat: f64,
}

impl LampLaw {
    /// A lamp of so many ohms at its rated volts and so many cold; `None` unless all are
    /// above zero and the filament is of less resistance cold.
    #[must_use]
    pub fn new(volts: f64, hot_ohms: f64, cold_ohms: f64) -> Option<Self> {
        let usable = |x: f64| x.is_finite() && x > 0.0;
        (usable(volts) && usable(hot_ohms) && usable(cold_ohms) && cold_ohms < hot_ohms).then(
            || Self {
                volts,
                hot_ohms,
                cold: cold_ohms / hot_ohms,
                cold_heat: radiated(cold_ohms / hot_ohms),
            },
        )
    }

    /// One: either end against the other.
    #[must_use]
    pub fn ports(&self) -> usize {
        1
    }

    /// Amperes through it less those of the bypass ([`LAMP_BYPASS`]), and siemens.
    #[must_use]
    pub fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        let v = volts[0];
        let (ratio, slope) = self.ratio(v);
        let hot = self.hot_ohms * condition.filament;
        let bypass = 1.0 / (LAMP_BYPASS * self.hot_ohms);
        let mut out = PortCurrents::default();
        out.amps[0] = v / (hot * ratio) - v * bypass;
        out.siemens[0][0] = (1.0 - v * slope / ratio) / (hot * ratio) - bypass;
        out
    }

    /// Ohms at so many volts across it.
    #[must_use]
    pub fn ohms(&self, volts: f64) -> f64 {
        self.hot_ohms * self.ratio(volts).0
    }

    /// ρ and its slope with the voltage.
    fn ratio(&self, volts: f64) -> (f64, f64) {
        let share = volts / self.volts;
        let cold = self.cold_heat;
        let heat = (1.0 - cold) * share * share;
        // From above: with a = heat^(1/(n + 1)), (a + ρ₀) is past the root, and the equation convex.
        let mut ratio = self.cold + heat.powf(1.0 / (RADIATION + 1.0));
        let mut rise = f64::INFINITY;
        for _ in 0..60 {
            let power = radiated(ratio);
            rise = (RADIATION + 1.0) * power - cold;
            let step = (ratio * (power - cold) - heat) / rise;
            ratio -= step;
            if step.abs() <= 1e-14 * ratio {
                break;
            }
        }
        let slope = 2.0 * (1.0 - cold) * share / (self.volts * rise);
        (ratio, slope)
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn lamp() -> LampLaw {
        LampLaw::new(6.3, 42.0, 4.2).expect("figures of a real lamp")
    }

    fn amps(law: &LampLaw, volts: f64) -> f64 {
        let port = law.currents(&[volts, 0.0, 0.0, 0.0], &Condition::default());
        port.amps[0] + volts / (LAMP_BYPASS * law.hot_ohms)
    }

    #[test]
    fn it_is_what_was_stated_at_both_ends() {
        let law = lamp();
        assert!((law.ohms(6.3) / 42.0 - 1.0).abs() < 1e-12);
        assert!((law.ohms(0.0) / 4.2 - 1.0).abs() < 1e-12);
        assert!((amps(&law, 6.3) / 0.15 - 1.0).abs() < 1e-12);
        assert!((amps(&law, -6.3) / 0.15 + 1.0).abs() < 1e-12);
        let bypassed = law.currents(&[6.3, 0.0, 0.0, 0.0], &Condition::default());
        assert!((bypassed.amps[0] / 0.15 - 1.0).abs() < 1.1e-4);
    }

    // About its rating the current goes as V^0.54 to V^0.58 (common practice, no source).
    #[test]
    fn the_current_goes_as_a_half_power_and_a_little_more() {
        let law = lamp();
        let power = (amps(&law, 1.02 * 6.3) / amps(&law, 0.98 * 6.3)).ln() / (1.02_f64 / 0.98).ln();
        assert!((0.53..0.59).contains(&power), "{power}");
        // At half the voltage about 0.69 of the current, hence 0.72 of the resistance.
        let half = law.ohms(3.15) / 42.0;
        assert!((half - 0.72).abs() < 0.02, "{half}");
    }

    #[test]
    fn figures_that_no_filament_has_are_refused() {
        assert!(LampLaw::new(0.0, 42.0, 4.0).is_none());
        assert!(LampLaw::new(6.3, f64::NAN, 4.0).is_none());
        assert!(LampLaw::new(6.3, 42.0, 0.0).is_none());
        // Carbon is of more resistance cold.
        assert!(LampLaw::new(6.3, 42.0, 80.0).is_none());
    }

    proptest! {
        #[test]
        fn more_volts_mean_more_ohms_and_more_current(
            rated in 1.0..250.0_f64, hot in 1.0..5000.0_f64, cold in 0.03..0.95_f64,
            share in 0.0..20.0_f64,
        ) {
            let law = LampLaw::new(rated, hot, cold * hot).expect("a filament");
            let (low, high) = (share * rated, (share + 0.01) * rated);
            prop_assert!(law.ohms(high) > law.ohms(low));
            prop_assert!(amps(&law, high) > amps(&law, low));
        }

        #[test]
        fn the_derivative_is_that_of_the_current(
            hot in 1.0..5000.0_f64, cold in 0.03..0.95_f64, share in -3.0..3.0_f64, filament in 0.5..2.0_f64,
        ) {
            let law = LampLaw::new(6.3, hot, cold * hot).expect("a filament");
            let condition = Condition { filament, ..Condition::default() };
            let at = |v: f64| law.currents(&[v, 0.0, 0.0, 0.0], &condition);
            let (v, h) = (share * 6.3, 1e-5);
            let slope = (at(v + h).amps[0] - at(v - h).amps[0]) / (2.0 * h);
            let g = at(v).siemens[0][0];
            prop_assert!(g > 0.0 && (g - slope).abs() < 1e-5 / hot / cold, "{g} {slope}");
        }

        #[test]
        fn finite_everywhere(v in -1e7..1e7_f64) {
            let got = lamp().currents(&[v, 0.0, 0.0, 0.0], &Condition::default());
            prop_assert!(got.amps[0].is_finite() && got.siemens[0][0].is_finite());
        }
    }
}
