//! Choke input: the average of the rectified wave, less drops.
//!
//! The current runs on all through the cycle and every drop counts at its
//! average. Below the critical current it stops between pulses and the output
//! climbs from the average towards the peak. For an ideal rectifier on a wave of
//! peak Vp, a choke of reactance X at the ripple frequency 2f and a large
//! capacitor at V = Vp sin θ₁, the current from θ₁ on is
//!
//! ```text
//! i = 2 Vp/X [cos θ₁ − cos θ − (θ − θ₁) sin θ₁]
//! ```
//!
//! until it is back at zero (textbook analysis of discontinuous conduction; worked
//! here). Its average over a half-cycle is 0.4103 Vp/X where it just reaches the next
//! pulse: the critical current. It makes the critical resistance 1170 L at 60 Hz; the
//! handbooks' 1130 L (6 π f L, from memory, high) keeps the second harmonic of the
//! wave alone. Below it, with x the share of the climb from average to peak that is
//! *not* made and s = √(I/Ic), the exact relation is s = x (0.9605 + 0.0395 x) to 10⁻³,
//! which is what stands here. The corner at x = 1 is rounded.
//!
//! Left out: that series drops are no longer at their average while the current stops and starts.

use std::f64::consts::FRAC_2_PI;

use crate::dual::softplus;

use super::pulse::Series;

/// Critical current times reactance at the ripple frequency, over the peak.
pub(super) const CRITICAL: f64 = 0.410_331;

/// In s = x (a + b x).
const CLIMB: (f64, f64) = (0.9605, 0.0395);

/// Sharpness of the corner where the climb ends: 2 % of the climb is left right at it.
const CORNER: i32 = 32;

/// From here on nothing is left of the climb, to the last digit.
const CLIMBED_DOWN: f64 = 4.0;

/// Width of the rounding where conduction stops, as a fraction of the top voltage.
const ROUNDING: f64 = 5e-4;

/// The wave before drops.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Wave {
    /// Its average, volts.
    pub(super) average: f64,
    /// The climb to the peak, volts, and the choke's reactance at the ripple frequency, ohms, where known.
    pub(super) climb: Option<(f64, f64)>,
}

/// Load current below which a choke-input filter climbs, amperes.
pub(super) fn critical_amps(average: f64, reactance: f64) -> f64 {
    CRITICAL * average / (FRAC_2_PI * reactance)
}

/// Share of the climb that is not made at s = √(I/Ic), and its slope.
fn climbed_down(s: f64) -> (f64, f64) {
    let (a, b) = CLIMB;
    let root = (a * a + 4.0 * b * s).sqrt();
    // The root of the quadratic in the form that keeps its digits near zero.
    let x = 2.0 * s / (a + root);
    if x >= CLIMBED_DOWN {
        return (1.0, 0.0);
    }
    // The 32nd root by square roots: far cheaper than a power, and met at every step.
    let corner = 1.0 + x.powi(CORNER);
    let rounded = (0..CORNER.ilog2()).fold(corner, |root, _| root.sqrt());
    (x / rounded, 1.0 / (corner * rounded * root))
}

/// Current and its slope with the output voltage (never above zero).
pub(super) fn current(wave: &Wave, volts: f64, series: &Series) -> (f64, f64) {
    let (climb, reactance) = match wave.climb {
        Some((climb, reactance)) if climb > 0.0 && reactance > 0.0 => (climb, reactance),
        _ => {
            let (left, rounding) = rounded(wave.average, volts);
            let (amps, siemens) = series.current(left);
            return (amps, -siemens * rounding);
        }
    };
    let (left, rounding) = rounded(wave.average + climb, volts);
    let critical = critical_amps(wave.average, reactance);
    // Unknown s = √(I/Ic); what is left to the peak goes into the climb and the series drops.
    let drop = |s: f64| {
        let (share, share_slope) = climbed_down(s);
        let (climb_volts, climb_slope) = (climb * share, climb * share_slope);
        let amps = critical * s * s;
        let mut volts = climb_volts + series.ohms * amps;
        let mut slope = climb_slope + 2.0 * series.ohms * critical * s;
        if let Some(perveance) = series.perveance {
            let tube = series.count * (amps / perveance).cbrt().powi(2);
            volts += tube;
            if s > 0.0 {
                slope += 4.0 / 3.0 * tube / s;
            }
        }
        (volts, slope)
    };
    // The winding alone bounds the current; the drop rises with s, so the root is bracketed.
    let (mut low, mut high) = (0.0, (left / (series.ohms * critical)).sqrt());
    let mut s = high.min(left / climb);
    let mut slope = climb;
    for _ in 0..100 {
        let (volts, at) = drop(s);
        slope = at;
        let error = volts - left;
        if error > 0.0 {
            high = s;
        } else {
            low = s;
        }
        let newton = s - error / at;
        let next = if newton > low && newton < high {
            newton
        } else {
            0.5 * (low + high)
        };
        let moved = (next - s).abs();
        s = next;
        if moved <= 1e-15 * s {
            break;
        }
    }
    (critical * s * s, -2.0 * critical * s / slope * rounding)
}

/// `top − volts`, rounded to stay above zero, and its slope with `−volts`.
fn rounded(top: f64, volts: f64) -> (f64, f64) {
    let width = ROUNDING * top;
    let (soft, slope) = softplus((top - volts) / width);
    (width * soft, slope)
}
