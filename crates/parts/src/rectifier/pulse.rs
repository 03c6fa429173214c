//! Capacitor input: the current that a sine wave behind a resistance pushes
//! into a constant voltage, averaged over a cycle.
//!
//! With the peak Vp, the output v and the resistance R, one side conducts over
//! ±θ about its peak, cos θ = v/Vp, and delivers on average
//! Vp/(π R) (sin θ − θ cos θ). This is the limit for a large capacitor of
//! O. H. Schade, "Analysis of rectifier operation", Proc. IRE 31(7), 1943. A
//! vacuum rectifier adds its own drop, (i/P)^2/3, within the pulse; the average
//! is then a quadrature over θ.
//!
//! The output reaching the peak stops the current with an infinite curvature,
//! which is rounded off over [`ROUNDING`] of the peak.

use std::f64::consts::{FRAC_PI_2, PI};

use crate::dual::softplus;

/// Width of the rounding where conduction stops, as a fraction of the peak.
const ROUNDING: f64 = 5e-4;

/// What drives less than this is nothing, volts: the squares of its roots would be short of digits.
const LEAST_VOLTS: f64 = 1e-250;

/// Positive abscissae and weights of the 16-point Gauss–Legendre rule
/// (M. Abramowitz and I. A. Stegun, Handbook of Mathematical Functions, 1964, table 25.4;
/// recomputed to double precision).
const GAUSS: [(f64, f64); 8] = [
    (0.989_400_934_991_649_9, 0.027_152_459_411_754_1),
    (0.944_575_023_073_232_6, 0.062_253_523_938_647_9),
    (0.865_631_202_387_831_8, 0.095_158_511_682_492_9),
    (0.755_404_408_355_003, 0.124_628_971_255_533_9),
    (0.617_876_244_402_643_8, 0.149_595_988_816_576_8),
    (0.458_016_777_657_227_4, 0.169_156_519_395_002_6),
    (0.281_603_550_779_258_9, 0.182_603_415_044_923_6),
    (0.095_012_509_837_637_4, 0.189_450_610_455_068_5),
];

/// What lies in series with the sine wave.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Series {
    /// Winding, ohms.
    pub(super) ohms: f64,
    /// Vacuum rectifier, amperes per volt to the 3/2; `None` for one of constant drop.
    pub(super) perveance: Option<f64>,
    /// How many such rectifiers.
    pub(super) count: f64,
}

impl Series {
    /// Current and conductance for `volts` across winding and rectifiers together.
    ///
    /// With y = (i/P)^1/3 the equation is R P y³ + n y² = x, convex and rising,
    /// so Newton's method from above comes down to the root without overshoot.
    pub(super) fn current(&self, volts: f64) -> (f64, f64) {
        if volts <= LEAST_VOLTS {
            return (0.0, 0.0);
        }
        let Some(perveance) = self.perveance else {
            return (volts / self.ohms, 1.0 / self.ohms);
        };
        let cubic = self.ohms * perveance;
        let square = self.count;
        let mut y = (volts / square).sqrt().min((volts / cubic).cbrt());
        for _ in 0..40 {
            let step =
                (y * y * (cubic * y + square) - volts) / (y * (3.0 * cubic * y + 2.0 * square));
            y -= step;
            if step.abs() <= 1e-14 * y {
                break;
            }
        }
        (
            perveance * y * y * y,
            3.0 * perveance * y / (3.0 * cubic * y + 2.0 * square),
        )
    }
}

/// Average current of one side, and its slope with the output voltage (never above zero).
pub(super) fn mean_current(peak: f64, volts: f64, series: &Series) -> (f64, f64) {
    let width = ROUNDING * peak;
    let (soft, rounding) = softplus((peak - volts) / width);
    let (mean, slope) = conduction(peak, width * soft, series);
    (mean, -slope * rounding)
}

/// Angle each side of the peak over which one side conducts, for a peak that
/// is `excess` above the output.
pub(super) fn half_angle(peak: f64, excess: f64) -> f64 {
    // 1 − cos θ = excess/peak, in the form that keeps its digits near the peak.
    2.0 * (0.5 * excess / peak).clamp(0.0, 1.0).sqrt().asin()
}

/// Average current and its slope with `excess`, the peak less the output, above zero.
fn conduction(peak: f64, excess: f64, series: &Series) -> (f64, f64) {
    let theta = half_angle(peak, excess);
    if series.perveance.is_none() {
        let volts = peak - excess;
        // Past −peak the whole cycle conducts, and the output takes the place of the cosine.
        let shape = if excess >= 2.0 * peak {
            -volts * PI
        } else {
            peak * lobe(theta)
        };
        return (shape / (PI * series.ohms), theta / (PI * series.ohms));
    }
    let (mut mean, mut slope) = (0.0, 0.0);
    // φ = θ sin t takes the corner of the pulse out of the integrand.
    for (x, weight) in GAUSS {
        for t in [FRAC_PI_2 * 0.5 * (1.0 + x), FRAC_PI_2 * 0.5 * (1.0 - x)] {
            let phi = theta * t.sin();
            // cos φ − cos θ, as a product.
            let across = if excess >= 2.0 * peak {
                peak * phi.cos() - (peak - excess)
            } else {
                2.0 * peak * (0.5 * (theta + phi)).sin() * (0.5 * (theta - phi)).sin()
            };
            let (amps, siemens) = series.current(across);
            let share = weight * FRAC_PI_2 * 0.5 * theta * t.cos() / PI;
            mean += share * amps;
            slope += share * siemens;
        }
    }
    (mean, slope)
}

/// sin θ − θ cos θ.
fn lobe(theta: f64) -> f64 {
    if theta < 1e-2 {
        let square = theta * theta;
        theta * square / 3.0 * (1.0 - square / 10.0 * (1.0 - square / 28.0))
    } else {
        theta.sin() - theta * theta.cos()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rule_integrates_what_a_16_point_rule_must() {
        for power in [0, 2, 10, 20, 30] {
            let sum: f64 = GAUSS.iter().map(|(x, w)| 2.0 * w * x.powi(power)).sum();
            let want = 2.0 / f64::from(power + 1);
            assert!((sum - want).abs() < 1e-13, "{power}: {sum}");
        }
    }

    /// Far past the peak the pulse fades to numbers short of digits: what comes of them is finite all the same.
    #[test]
    fn what_fades_is_finite() {
        for perveance in [3.5e-5, 3.5e-4, 3.5e-3, 0.1, 1.0] {
            let series = Series {
                ohms: 150.0,
                perveance: Some(perveance),
                count: 1.0,
            };
            for k in 0..20_000 {
                let volts = 170.0 * (1.0 + 2.5e-5 * f64::from(k));
                let (amps, siemens) = mean_current(170.0, volts, &series);
                assert!(
                    amps.is_finite() && siemens.is_finite(),
                    "{perveance} {volts}"
                );
            }
        }
    }

    #[test]
    fn the_series_equation_is_solved() {
        for perveance in [1e-6, 3.5e-4, 3e-3, 1.0] {
            for volts in [1e-6, 0.1, 10.0, 500.0, 5000.0] {
                let series = Series {
                    ohms: 75.0,
                    perveance: Some(perveance),
                    count: 2.0,
                };
                let (amps, siemens) = series.current(volts);
                let back = amps * 75.0 + 2.0 * (amps / perveance).powf(2.0 / 3.0);
                assert!(
                    (back / volts - 1.0).abs() < 1e-10,
                    "{perveance} {volts}: {back}"
                );
                let h = 1e-5 * volts;
                let slope = (series.current(volts + h).0 - series.current(volts - h).0) / (2.0 * h);
                assert!((slope / siemens - 1.0).abs() < 1e-6);
            }
        }
    }

    // A rectifier of next to no drop must come out of the quadrature as out of
    // the closed form.
    #[test]
    fn quadrature_and_closed_form_agree() {
        for volts in [-600.0, -400.0, -200.0, 0.0, 200.0, 350.0, 390.0, 399.0] {
            let ideal = Series {
                ohms: 100.0,
                perveance: None,
                count: 1.0,
            };
            let stiff = Series {
                perveance: Some(1e6),
                ..ideal
            };
            let (a, da) = mean_current(400.0, volts, &ideal);
            let (b, db) = mean_current(400.0, volts, &stiff);
            assert!((a / b - 1.0).abs() < 1e-4, "{volts}: {a} {b}");
            assert!((da / db - 1.0).abs() < 1e-4, "{volts}: {da} {db}");
        }
    }

    // Against brute force over the cycle.
    #[test]
    fn the_pulse_of_a_vacuum_rectifier_is_integrated_right() {
        let series = Series {
            ohms: 120.0,
            perveance: Some(3.54e-4),
            count: 1.0,
        };
        let peak = 350.0 * 2.0_f64.sqrt();
        for volts in [0.0, 200.0, 350.0, 450.0] {
            let n = 200_000;
            let sum: f64 = (0..n)
                .map(|i| {
                    let phi = (f64::from(i) + 0.5) / f64::from(n) * PI;
                    series.current(peak * phi.cos() - volts).0
                })
                .sum();
            let want = sum / f64::from(n);
            let got = mean_current(peak, volts, &series).0;
            assert!((got / want - 1.0).abs() < 1e-6, "{volts}: {got} {want}");
        }
    }
}
