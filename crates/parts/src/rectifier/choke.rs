//! Choke input: the average of the rectified wave, less drops.
//!
//! The current runs on all through the cycle and every drop counts at its
//! average. Below the critical current it stops between pulses and the output
//! climbs from the average towards the peak. The critical resistance of a
//! full-wave circuit is 6 π f L (1130 L at 60 Hz, handbook rule, from memory,
//! high), from the second harmonic of the rectified wave against the choke.
//! Between no current and the critical one the output is taken as
//! peak − (peak − average) r(√(I/Ic)), with r(s) = s/(1 + s⁸)^1/8: short pulses
//! carry a charge that goes with the square of what is left to the peak, and r
//! joins that to the average (our own interpolation, no source).

use std::f64::consts::PI;

use crate::dual::softplus;

use super::pulse::Series;

/// Mains frequency that a choke's critical current is taken at, hertz.
const MAINS_HERTZ: f64 = 60.0;

/// Width of the rounding where conduction stops, as a fraction of the top voltage.
const ROUNDING: f64 = 5e-4;

/// The wave before drops.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) struct Wave {
    /// Its average, volts.
    pub(super) average: f64,
    /// The climb to the peak, volts, and the inductance, henries, where known.
    pub(super) climb: Option<(f64, f64)>,
}

/// Load current below which a choke-input filter climbs, amperes.
pub(super) fn critical_amps(average: f64, henries: f64) -> f64 {
    average / (6.0 * PI * MAINS_HERTZ * henries)
}

/// Current and its slope with the output voltage (never above zero).
pub(super) fn current(wave: &Wave, volts: f64, series: &Series) -> (f64, f64) {
    let (climb, henries) = match wave.climb {
        Some((climb, henries)) if climb > 0.0 && henries > 0.0 => (climb, henries),
        _ => {
            let (left, rounding) = rounded(wave.average, volts);
            let (amps, siemens) = series.current(left);
            return (amps, -siemens * rounding);
        }
    };
    let (left, rounding) = rounded(wave.average + climb, volts);
    let critical = critical_amps(wave.average, henries);
    // Unknown s = √(I/Ic); what is left to the peak goes into the climb and the series drops.
    let drop = |s: f64| {
        let s8 = s.powi(8);
        let (climb_volts, climb_slope) = (
            climb * s / (1.0 + s8).powf(0.125),
            climb * (1.0 + s8).powf(-1.125),
        );
        let amps = critical * s * s;
        let mut volts = climb_volts + series.ohms * amps;
        let mut slope = climb_slope + 2.0 * series.ohms * critical * s;
        if let Some(perveance) = series.perveance {
            let tube = series.count * (amps / perveance).powf(2.0 / 3.0);
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
