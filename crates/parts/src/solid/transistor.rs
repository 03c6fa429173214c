//! The bipolar transistor.
//!
//! J. J. Ebers and J. L. Moll, "Large-signal behavior of junction
//! transistors", Proc. IRE 42(12), 1954, in the transport form: with F and R
//! the currents of the base-emitter and base-collector junctions,
//! Ic = k (F − R) − R/βr and Ib = F/βf + R/βr. Each junction carries a bulk
//! resistance, so that no exponential overflows. Early effect, breakdown and
//! the fall of gain at the ends of the current range are left out.

use crate::device::{Condition, PortCurrents, PortVolts, Spread, Trait};

use super::junction::Junction;

/// Leakage of either port to the emitter, siemens.
const LEAST_SIEMENS: f64 = 1e-12;

/// Which way round the junctions are.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Polarity {
    /// Collector positive in use.
    Npn,
    /// Collector negative in use.
    Pnp,
}

/// Ebers–Moll law of a small transistor.
///
/// Ports: base, collector, both against emitter. [`Condition::perveance`] is
/// the k of the module's equation: it scales the current gain, and 0 leaves
/// two diodes. The parameters are typical ones (common practice, no source).
#[derive(Clone, Debug, PartialEq)]
pub struct TransistorLaw {
    polarity: Polarity,
    junction: Junction,
    forward_gain: f64,
    reverse_gain: f64,
}

impl TransistorLaw {
    /// Germanium alloy transistor: 0.15 V at 1 mA, current gain 60, and a
    /// collector leakage of about 2 µA with the emitter open.
    #[must_use]
    pub fn germanium(polarity: Polarity) -> Self {
        Self {
            polarity,
            junction: Junction {
                saturation_amps: 2e-6,
                slope_volts: 0.026,
                ohms: 3.0,
            },
            forward_gain: 60.0,
            reverse_gain: 1.0,
        }
    }

    /// Silicon planar transistor: 0.65 V at 1 mA, current gain 120.
    #[must_use]
    pub fn silicon(polarity: Polarity) -> Self {
        Self {
            polarity,
            junction: Junction {
                saturation_amps: 1.4e-14,
                slope_volts: 0.026,
                ohms: 1.0,
            },
            forward_gain: 120.0,
            reverse_gain: 3.0,
        }
    }

    /// The same with another current gain; one that is not above 1 is taken as 1.
    #[must_use]
    pub fn with_gain(mut self, gain: f64) -> Self {
        self.forward_gain = if gain.is_finite() { gain.max(1.0) } else { 1.0 };
        self
    }

    /// Two: base, collector.
    #[must_use]
    pub fn ports(&self) -> usize {
        2
    }

    /// Amperes into base and collector, and their derivatives.
    #[must_use]
    pub fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        let sign = match self.polarity {
            Polarity::Npn => 1.0,
            Polarity::Pnp => -1.0,
        };
        let (base, collector) = (sign * volts[0], sign * volts[1]);
        let gain = condition.perveance.max(0.0);
        let (f, f_slope) = self.junction.current(base);
        let (r, r_slope) = self.junction.current(base - collector);
        let (to_f, to_r) = (1.0 / self.forward_gain, 1.0 / self.reverse_gain);
        let mut out = PortCurrents::default();
        out.amps[0] = sign * (f * to_f + r * to_r) + LEAST_SIEMENS * volts[0];
        out.amps[1] = sign * (gain * (f - r) - r * to_r) + LEAST_SIEMENS * volts[1];
        // Turning both voltages and currents round leaves the derivatives as they are.
        out.siemens[0][0] = f_slope * to_f + r_slope * to_r + LEAST_SIEMENS;
        out.siemens[0][1] = -r_slope * to_r;
        out.siemens[1][0] = gain * f_slope - r_slope * (gain + to_r);
        out.siemens[1][1] = r_slope * (gain + to_r) + LEAST_SIEMENS;
        out
    }

    /// How healthy specimens differ: current gain within a factor of two or so.
    #[must_use]
    pub fn spreads(&self) -> Vec<Spread> {
        vec![Spread {
            of: Trait::Perveance,
            sigma: 0.35,
        }]
    }
}

#[cfg(test)]
mod tests {
    use proptest::prelude::*;

    use super::*;

    fn at(law: &TransistorLaw, base: f64, collector: f64) -> PortCurrents {
        law.currents(&[base, collector, 0.0, 0.0], &Condition::default())
    }

    /// Base voltage for a collector current, by halving.
    fn base_volts(law: &TransistorLaw, amps: f64, collector: f64) -> f64 {
        let (mut low, mut high) = (0.0, 2.0);
        for _ in 0..100 {
            let middle = 0.5 * (low + high);
            if at(law, middle, collector).amps[1] < amps {
                low = middle;
            } else {
                high = middle;
            }
        }
        low
    }

    // Base-emitter drops and leakage: common practice, no source.
    #[test]
    fn drops_gain_and_leakage_are_the_usual_ones() {
        let silicon = TransistorLaw::silicon(Polarity::Npn);
        let v = base_volts(&silicon, 1e-3, 6.0);
        assert!((0.6..0.7).contains(&v), "{v}");
        let got = at(&silicon, v, 6.0);
        assert!((got.amps[1] / got.amps[0] - 120.0).abs() < 0.5);
        let germanium = TransistorLaw::germanium(Polarity::Npn);
        let v = base_volts(&germanium, 1e-3, 6.0);
        assert!((0.1..0.25).contains(&v), "{v}");
        // Emitter open: collector to base alone; the emitter's current is minus the sum.
        let (mut low, mut high) = (-0.5, 0.5);
        for _ in 0..100 {
            let middle = 0.5 * (low + high);
            let i = at(&germanium, middle, 6.0);
            if i.amps[0] + i.amps[1] < 0.0 {
                low = middle;
            } else {
                high = middle;
            }
        }
        let leak = at(&germanium, low, 6.0).amps[1];
        assert!((0.5e-6..5e-6).contains(&leak), "{leak}");
    }

    #[test]
    fn saturated_it_drops_little() {
        // 1 mA of collector, 0.1 mA of base.
        let silicon = TransistorLaw::silicon(Polarity::Npn);
        let on = base_volts(&silicon, 12e-3, 6.0);
        let saturated = at(&silicon, on, 0.1);
        assert!(saturated.amps[1] > 1e-3 && at(&silicon, on, 0.0).amps[1] < 0.0);
    }

    #[test]
    fn pnp_mirrors_npn() {
        let (npn, pnp) = (
            TransistorLaw::germanium(Polarity::Npn),
            TransistorLaw::germanium(Polarity::Pnp),
        );
        let (a, b) = (at(&npn, 0.15, 4.0), at(&pnp, -0.15, -4.0));
        for port in 0..2 {
            assert!((a.amps[port] + b.amps[port]).abs() < 1e-15);
        }
        assert_eq!(a.siemens, b.siemens);
    }

    #[test]
    fn without_gain_two_diodes_are_left() {
        let law = TransistorLaw::silicon(Polarity::Npn);
        let dead = Condition {
            perveance: 0.0,
            ..Condition::default()
        };
        let got = law.currents(&[0.65, 6.0, 0.0, 0.0], &dead);
        assert!(got.amps[1].abs() < 1e-9 && got.amps[0] > 1e-6);
        let gain = law.with_gain(f64::NAN);
        assert_eq!(gain.forward_gain, 1.0);
    }

    proptest! {
        #[test]
        fn finite_everywhere(b in -5000.0..5000.0_f64, c in -5000.0..5000.0_f64, k in 0.0..2.0_f64) {
            let condition = Condition { perveance: k, ..Condition::default() };
            for polarity in [Polarity::Npn, Polarity::Pnp] {
                for law in [TransistorLaw::silicon(polarity), TransistorLaw::germanium(polarity)] {
                    let got = law.currents(&[b, c, 0.0, 0.0], &condition);
                    prop_assert!(got.amps.iter().all(|i| i.is_finite()));
                    prop_assert!(got.siemens.iter().flatten().all(|g| g.is_finite()));
                    prop_assert!(got.siemens[0][0] > 0.0 && got.siemens[1][1] > 0.0);
                }
            }
        }

        #[test]
        fn derivatives_are_those_of_the_currents(b in -1.0..1.2_f64, c in -2.0..8.0_f64) {
            let h = 1e-5;
            for law in [TransistorLaw::silicon(Polarity::Npn), TransistorLaw::germanium(Polarity::Pnp)] {
                let got = at(&law, b, c);
                for port in 0..2 {
                    let (db, dc) = if port == 0 { (h, 0.0) } else { (0.0, h) };
                    let (up, down) = (at(&law, b + db, c + dc), at(&law, b - db, c - dc));
                    for i in 0..2 {
                        let slope = (up.amps[i] - down.amps[i]) / (2.0 * h);
                        let g = got.siemens[i][port];
                        prop_assert!((g - slope).abs() <= 1e-5 * g.abs() + 2e-8, "{g} {slope}");
                    }
                }
            }
        }
    }
}
