//! The gas voltage-regulator tube.
//!
//! Lit, the drop across it hardly moves over its current range: a battery
//! behind a small resistance that can only take current. Dark, it is open.
//! Which of the two it is depends on whether it has struck, which the circuit
//! decides: [`Condition::fired`].

use crate::device::{Condition, PortCurrents, PortVolts, Spread, Trait};
use crate::dual::softplus;
use crate::table::Glow;

/// Current over which a lit tube starts to conduct, amperes: well below the
/// least of its range, so that the range itself is a straight line.
const START_AMPS: f64 = 1e-3;

/// Least width of that start, volts, so that a solver is not asked to find a needle.
const START_VOLTS: f64 = 0.05;

/// Leakage of a dark tube, siemens.
const DARK_SIEMENS: f64 = 1e-10;

/// Least slope resistance, ohms: no glow is stiffer.
const LEAST_OHMS: f64 = 20.0;

/// How many standard deviations the limits of a sheet lie apart: what is outside is
/// thrown out at the works, and few are near them (common practice, no source).
const LIMITS_APART: f64 = 6.0;

/// One standard deviation of the maintaining voltage where the sheet gives no limits,
/// as a share: a few volts in a hundred and fifty (common practice, no source).
const USUAL_SPREAD: f64 = 0.015;

/// Law of a regulator tube.
///
/// One port, anode against cathode. Of the condition it looks at
/// [`Condition::fired`] and [`Condition::volts`], a ratio on the maintaining
/// and the striking voltage.
#[derive(Clone, Debug, PartialEq)]
pub struct RegulatorLaw {
    glow: Glow,
    /// Volts where the straight line of the lit tube meets no current.
    foot_volts: f64,
    /// Slope of the lit tube, ohms.
    ohms: f64,
}

impl RegulatorLaw {
    /// From published figures: the maintaining voltage is taken at the middle
    /// of the current range, the slope from the change over it.
    #[must_use]
    pub fn new(glow: &Glow) -> Self {
        let span = glow.most_amps - glow.least_amps;
        let ohms = glow.change_volts / span;
        let ohms = if ohms.is_finite() {
            ohms.max(LEAST_OHMS)
        } else {
            LEAST_OHMS
        };
        let middle = 0.5 * (glow.most_amps + glow.least_amps);
        Self {
            glow: *glow,
            foot_volts: glow.volts - ohms * middle,
            ohms,
        }
    }

    /// Published maintaining voltage, volts.
    #[must_use]
    pub fn maintaining_volts(&self) -> f64 {
        self.glow.volts
    }

    /// Voltage across the dark tube at which it usually strikes, volts. Between
    /// this and [`sure_strike_volts`](Self::sure_strike_volts) a healthy tube may
    /// be found dark, and one that is lit is no wonder.
    #[must_use]
    #[allow(
        clippy::misnamed_getters,
        reason = "a sheet's striking voltage is the greatest, a circuit strikes at the usual one"
    )]
    pub fn strike_volts(&self) -> f64 {
        self.glow.usual_strike_volts
    }

    /// Voltage across the dark tube that is sure to strike it, in darkness too,
    /// volts: the supply that its data sheet asks for.
    #[must_use]
    pub fn sure_strike_volts(&self) -> f64 {
        self.glow.strike_volts
    }

    /// Least and greatest current of the regulated range, amperes.
    #[must_use]
    pub fn range_amps(&self) -> (f64, f64) {
        (self.glow.least_amps, self.glow.most_amps)
    }

    /// One: anode against cathode.
    #[must_use]
    pub fn ports(&self) -> usize {
        1
    }

    /// Amperes from anode to cathode, and siemens.
    #[must_use]
    pub fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        let v = volts[0];
        let mut out = PortCurrents::default();
        out.amps[0] = DARK_SIEMENS * v;
        out.siemens[0][0] = DARK_SIEMENS;
        if condition.fired {
            let shift = self.glow.volts * (condition.volts - 1.0);
            let width = START_VOLTS.max(START_AMPS * self.ohms);
            let (soft, slope) = softplus((v - self.foot_volts - shift) / width);
            out.amps[0] += width / self.ohms * soft;
            out.siemens[0][0] += slope / self.ohms;
        }
        out
    }

    /// How healthy specimens differ: what the sheet allows from tube to tube is
    /// taken for six standard deviations.
    #[must_use]
    pub fn spreads(&self) -> Vec<Spread> {
        let by_sheet = self
            .glow
            .limits
            .map(|(low, high)| (high - low) / (LIMITS_APART * self.glow.volts))
            .filter(|sigma| sigma.is_finite() && *sigma > 0.0);
        vec![Spread {
            of: Trait::Volts,
            sigma: by_sheet.unwrap_or(USUAL_SPREAD),
        }]
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    /// Data sheets, miniature 150 V and 108 V and octal 105 V and 75 V types:
    /// current ranges seen; the rest from memory, 0A2 and 0B2 high, others medium.
    fn published() -> [(Glow, f64); 4] {
        let glow = |volts, strike_volts, most_amps, change_volts| Glow {
            volts,
            limits: None,
            usual_strike_volts: strike_volts,
            strike_volts,
            least_amps: 0.005,
            most_amps,
            change_volts,
        };
        [
            (glow(150.0, 185.0, 0.030, 2.0), 6.0),
            (glow(108.0, 133.0, 0.030, 1.5), 4.0),
            (glow(105.0, 133.0, 0.040, 2.0), 4.0),
            (glow(75.0, 105.0, 0.040, 5.0), 6.5),
        ]
    }

    fn lit() -> Condition {
        Condition {
            fired: true,
            ..Condition::default()
        }
    }

    fn amps(law: &RegulatorLaw, v: f64, condition: &Condition) -> f64 {
        law.currents(&[v, 0.0, 0.0, 0.0], condition).amps[0]
    }

    /// Volts at a current, lit, by halving.
    fn volts_at(law: &RegulatorLaw, current: f64, condition: &Condition) -> f64 {
        let (mut low, mut high) = (0.0, 500.0);
        for _ in 0..100 {
            let middle = 0.5 * (low + high);
            if amps(law, middle, condition) < current {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }

    #[test]
    fn lit_it_holds_its_voltage_over_its_range() {
        for (glow, most_change) in published() {
            let law = RegulatorLaw::new(&glow);
            let (least, most) = law.range_amps();
            let (low, high) = (volts_at(&law, least, &lit()), volts_at(&law, most, &lit()));
            assert!((0.5 * (low + high) - glow.volts).abs() < 0.3);
            assert!(high - low > 0.0 && high - low <= most_change);
            assert!(law.strike_volts() > high);
        }
    }

    /// 0A2: 140 to 168 V from tube to tube, striking at 156 V usually and 185 V at most (data sheet, from memory, medium).
    #[test]
    fn it_strikes_between_two_voltages_and_spreads_as_its_sheet_says() {
        let glow = Glow {
            limits: Some((140.0, 168.0)),
            usual_strike_volts: 156.0,
            ..published()[0].0
        };
        let law = RegulatorLaw::new(&glow);
        assert_eq!(law.strike_volts(), 156.0);
        assert_eq!(law.sure_strike_volts(), 185.0);
        let sigma = |law: &RegulatorLaw| law.spreads()[0].sigma;
        assert!((sigma(&law) - 28.0 / 900.0).abs() < 1e-12);
        assert_eq!(sigma(&RegulatorLaw::new(&published()[0].0)), USUAL_SPREAD);
    }

    #[test]
    fn dark_it_is_open_whatever_the_voltage() {
        for (glow, _) in published() {
            let law = RegulatorLaw::new(&glow);
            let dark = Condition::default();
            assert!(amps(&law, 300.0, &dark).abs() < 1e-7);
            assert!(amps(&law, -300.0, &lit()).abs() < 1e-7);
            assert!(amps(&law, 0.9 * glow.volts, &lit()) < 1e-6);
        }
    }

    #[test]
    fn its_voltage_scales() {
        let law = RegulatorLaw::new(&published()[0].0);
        let high = Condition {
            volts: 1.1,
            ..lit()
        };
        let rise = volts_at(&law, 0.02, &high) - volts_at(&law, 0.02, &lit());
        assert!((rise - 15.0).abs() < 1e-6, "{rise}");
    }

    #[test]
    fn an_empty_range_still_makes_a_law() {
        let law = RegulatorLaw::new(&Glow {
            volts: 90.0,
            limits: None,
            usual_strike_volts: 125.0,
            strike_volts: 125.0,
            least_amps: 0.02,
            most_amps: 0.02,
            change_volts: 0.0,
        });
        assert!((volts_at(&law, 0.02, &lit()) - 90.0).abs() < 0.1);
    }

    proptest! {
        #[test]
        fn finite_rising_and_differentiable(v in -5000.0..5000.0_f64, near in -5.0..5.0_f64) {
            let law = RegulatorLaw::new(&published()[0].0);
            for v in [v, 149.0 + near] {
                for condition in [lit(), Condition::default()] {
                    let at = |v: f64| law.currents(&[v, 0.0, 0.0, 0.0], &condition);
                    let got = at(v);
                    prop_assert!(got.amps[0].is_finite() && got.siemens[0][0] > 0.0);
                    let h = 1e-4;
                    let slope = (at(v + h).amps[0] - at(v - h).amps[0]) / (2.0 * h);
                    prop_assert!((got.siemens[0][0] - slope).abs() < 1e-6 * slope.abs() + 1e-8);
                }
            }
        }
    }
}
