//! A tube driven by a large signal: what its electrodes draw on the average
//! of a cycle, which is all that a DC circuit sees of it.
//!
//! The grid swings as `grid + peak cos(angle)`. The plate of a tuned stage
//! swings against it, `plate (1 - swing cos(angle))`: a circuit that rings
//! keeps the plate's voltage a sine whatever the pulses of current are. The
//! screen is bypassed and stays. This is the usual graphical analysis of
//! class B and C stages (F. E. Terman, *Radio Engineering*), done by sampling
//! the cycle instead of reading curves.

use super::TubeLaw;
use crate::device::{Condition, MAX_PORTS, PortCurrents, PortVolts, Spread};

/// Samples of half a cycle; the other half is its mirror image.
const SAMPLES: usize = 36;

/// Plate swing of a tuned stage under proper load, over its DC plate voltage.
/// Common practice, no source: the plate comes down to some 15 % of its supply.
const TUNED_SWING: f64 = 0.85;

/// A tube law averaged over a cycle of drive.
///
/// Ports are those of the law, and their voltages the DC ones.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct DrivenTube {
    law: TubeLaw,
    peak: f64,
    swing: f64,
}

impl DrivenTube {
    /// A tuned, loaded stage with `peak` volts of signal at its grid.
    #[must_use]
    pub fn tuned(law: TubeLaw, peak: f64) -> Self {
        Self::with_swing(law, peak, TUNED_SWING)
    }

    /// A stage with `peak` volts of signal at its grid, whose plate swings by
    /// `swing` times its DC voltage (0 with nothing in the plate lead, up to 1).
    #[must_use]
    pub fn with_swing(law: TubeLaw, peak: f64, swing: f64) -> Self {
        Self {
            law,
            peak: peak.abs(),
            swing: swing.clamp(0.0, 1.0),
        }
    }

    /// The law that is driven.
    #[must_use]
    pub fn law(&self) -> &TubeLaw {
        &self.law
    }

    /// Peak signal voltage at the grid, volts.
    #[must_use]
    pub fn peak_volts(&self) -> f64 {
        self.peak
    }

    /// Number of ports, those of the law.
    #[must_use]
    pub fn ports(&self) -> usize {
        self.law.ports()
    }

    /// How healthy specimens differ, as the law's do.
    #[must_use]
    pub fn spreads(&self) -> Vec<Spread> {
        self.law.spreads()
    }

    /// Average currents over a cycle, and their derivatives by the DC voltages.
    #[must_use]
    pub fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        let mut mean = PortCurrents::default();
        // Equally spaced angles are the quadrature of choice for a periodic function.
        for sample in 0..SAMPLES {
            let angle = std::f64::consts::PI * (sample as f64 + 0.5) / SAMPLES as f64;
            let cosine = angle.cos();
            let swung = 1.0 - self.swing * cosine;
            let mut at = *volts;
            at[0] *= swung;
            at[1] += self.peak * cosine;
            let now = self.law.currents(&at, condition);
            for i in 0..MAX_PORTS {
                mean.amps[i] += now.amps[i];
                mean.siemens[i][0] += now.siemens[i][0] * swung;
                for j in 1..MAX_PORTS {
                    mean.siemens[i][j] += now.siemens[i][j];
                }
            }
        }
        let share = 1.0 / SAMPLES as f64;
        for i in 0..MAX_PORTS {
            mean.amps[i] *= share;
            for slope in &mut mean.siemens[i] {
                *slope *= share;
            }
        }
        mean
    }

    /// The stage driven so that its grid draws `amps` on the average at the
    /// given DC voltages, in a healthy tube; without drive where it draws more anyway.
    #[must_use]
    pub fn for_grid_current(law: TubeLaw, volts: &PortVolts, amps: f64) -> Self {
        let grid = |peak: f64| {
            Self::tuned(law, peak)
                .currents(volts, &Condition::default())
                .amps[1]
        };
        let (mut low, mut high) = (0.0, 2.0 * volts[1].abs() + 100.0);
        if grid(low) >= amps {
            return Self::tuned(law, low);
        }
        for _ in 0..50 {
            let peak = 0.5 * (low + high);
            if grid(peak) < amps {
                low = peak
            } else {
                high = peak
            }
        }
        Self::tuned(law, 0.5 * (low + high))
    }
}
