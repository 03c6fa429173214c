//! Control-grid current and the working of grid 3, common to both laws.
//!
//! Electrons leave the cathode with some energy, so a grid that is slightly
//! negative still collects; the current falls off exponentially with an
//! e-fold of about a tenth of a volt (kT/q at cathode temperature). Driven
//! positive the grid is a diode plate that covers part of the way to the
//! collector, and takes nearly all when the collector is starved.

use super::kind::TubeKind;
use crate::device::Condition;
use crate::dual::Dual;

/// Rounding of the grid diode, volts. Its tail falls e-fold in 2/3 of this.
const WIDTH: f64 = 0.15;
/// Where the grid diode starts to conduct in earnest, volts below zero.
/// Common practice, no source: a small triode on a 10 MΩ leak sits near -0.7 V.
const START: f64 = 0.10;
/// Grid diode's perveance over the tube's own, in triodes. Between 0.3 and 0.6 for the
/// published fits of Dempwolf & Zölzer, "A Physically-Motivated Triode Model
/// for Circuit Simulations", DAFx-11, 2011, table 1.
const SHARE: f64 = 0.5;
/// The same in screen-grid tubes, whose grid is further from the screen's pull
/// than a triode's from its plate and catches less: judged from the grid
/// currents of class C operation (6146: 2.8 mA with 112 mA of plate current;
/// 5763: 1.6 mA with 50 mA; data sheets, from memory).
const SHARE_WITH_SCREEN: f64 = 0.25;
/// Further grid current, as a ratio, when nothing else collects.
const STARVED: f64 = 0.8;
/// Drive from the collectors below which a contact potential loses its hold:
/// with nothing positive about, the cathode's own cloud stands in the way. Volts at the grid.
const CONTACT_ONSET: f64 = 0.15;
/// Suppressor: voltage at which half the plate current is turned back, and
/// over how many volts. From memory of suppressor-control curves.
const SUPPRESSOR: (f64, f64) = (40.0, 10.0);
/// The same for the second control grid of a heptode.
const HEPTODE_GRID3: (f64, f64) = (2.0, 3.0);
/// Perveance of grid 3 as a diode, over the tube's own.
const GRID3_SHARE: f64 = 0.05;

/// The grid as a small diode.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct GridLaw {
    /// Amperes per volt^1.5.
    perveance: f64,
}

impl GridLaw {
    /// The grid diode of a tube whose cathode current is `perveance` times
    /// effective drive to the 3/2.
    pub(crate) fn of(kind: TubeKind, perveance: f64) -> Self {
        let share = if kind.has_screen() {
            SHARE_WITH_SCREEN
        } else {
            SHARE
        };
        Self {
            perveance: share * perveance,
        }
    }

    /// Whether the grid diode's current is under `exp(ln_share)` of that at its rounding.
    #[inline]
    pub(crate) fn is_off(grid: f64, ln_share: f64) -> bool {
        1.5 * (grid + START) < ln_share * WIDTH
    }

    /// Current into the grid for a grid voltage, and for the fraction of
    /// electrons past the grid that find a collector.
    #[inline]
    pub(crate) fn current<const N: usize>(
        &self,
        grid: Dual<N>,
        collected: Dual<N>,
        condition: &Condition,
    ) -> Dual<N> {
        let scale = self.perveance * condition.perveance * condition.grid_current;
        let diode = (grid + START).positive(WIDTH).three_halves() * scale;
        diode * (collected * -STARVED + (1.0 + STARVED))
    }

    /// Current into grid 3, which draws only when positive.
    #[inline]
    pub(crate) fn grid3_current<const N: usize>(
        &self,
        grid3: Dual<N>,
        kind: TubeKind,
        condition: &Condition,
    ) -> Dual<N> {
        if N < 4 || !kind.has_grid3() {
            return Dual::constant(0.0);
        }
        let scale = self.perveance * (GRID3_SHARE / SHARE_WITH_SCREEN);
        grid3.positive(WIDTH).three_halves()
            * (scale * condition.perveance * condition.grid_current)
    }
}

/// What is left of `space` current when the grid has taken `grid` of it:
/// their difference while the grid takes little, never negative.
#[inline]
pub(crate) fn past_grid<const N: usize>(space: Dual<N>, grid: Dual<N>) -> Dual<N> {
    if space.v < 1e-100 {
        return Dual::constant(0.0);
    }
    space * space / (space + grid)
}

/// Part of the current meant for the plate that grid 3 lets pass.
#[inline]
pub(crate) fn grid3_passes<const N: usize>(grid3: Dual<N>, kind: TubeKind) -> Dual<N> {
    let (half, over) = if kind == TubeKind::Heptode {
        HEPTODE_GRID3
    } else {
        SUPPRESSOR
    };
    ((grid3 + half) * (1.0 / over)).logistic()
}

/// The part of a contact potential that counts, for the drive from the collectors.
#[inline]
pub(crate) fn held_contact<const N: usize>(drive: Dual<N>, contact: f64) -> Dual<N> {
    // A negative one must not set in faster than the drive itself, or more
    // plate voltage would mean less current.
    let onset = CONTACT_ONSET + (-contact).max(0.0);
    drive / (drive + onset) * contact
}
