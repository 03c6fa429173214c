//! The project's own law: 3/2 power of an effective drive, over a grid of
//! two pitches, with the cathode current divided by the electrode voltages.
//!
//! With `U = screen/mu_s + plate/mu_a` (a triode: `plate/mu`) the drive is
//! `E = grid + contact + U`, and the space current the three-halves law of
//! C. D. Child (1911) and I. Langmuir (1913) in its usual form for a grid tube
//! (K. R. Spangenberg, *Vacuum Tubes*, 1948), rounded at zero for the velocity
//! of emission. A small share of the grid has a wider pitch, hence a lower mu,
//! and cuts off later: real tubes have tails, and remote-cutoff tubes are made so.

use super::grid::{GridLaw, grid3_passes, held_contact, past_grid};
use super::kind::TubeKind;
use super::{Electrodes, LEAST_RATIO, Shares, tail_drive, tail_share};
use crate::device::Condition;
use crate::dual::Dual;

/// Over how many volts an electrode starts to collect about 0 V.
const COLLECTOR_WIDTH: f64 = 0.25;
/// A triode's plate (and a screen) collects most of the current from about
/// this many volts upward with the grid at cathode ...
const COLLECTOR_VOLTS: f64 = 1.4;
/// ... and from this share of the grid's voltage upward when that is positive.
const COLLECTOR_PER_GRID: f64 = 0.7;
/// Rounding of the grid's positive part in the collector's knee, volts.
const GRID_ROUND: f64 = 0.5;
/// Part of the current a starved plate turns back that returns to the cathode's
/// cloud instead of landing on the screen. From memory of plate families.
const RETURNED: f64 = 0.2;
/// Part of the screen's share that goes as (2 screen / (plate + screen))²: by
/// published screen currents, most of it where aligned grids shade the screen
/// (25L6, 6V6, 6Y6, 6L6, 6550 at plate voltages above the screen's), little
/// in small pentodes (6SJ7, 6SK7, 6AU6, 6BA6).
const OUTBID_BEAM: f64 = 0.9;
/// The same for pentodes.
const OUTBID: f64 = 0.1;
/// Least knee voltage of a pentode's plate.
const KNEE_FLOOR: f64 = 2.0;

/// Parameters of one type.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct TwoPitchLaw {
    /// Perveance at the grid, A/V^1.5.
    pub(crate) k: f64,
    /// Effective contact potential, volts.
    pub(crate) contact: f64,
    /// Amplification factor of the main pitch: grid to plate in a triode, grid to screen otherwise.
    pub(crate) mu: f64,
    /// 1 / (grid-to-plate factor) of a screen-grid tube; 0 in a triode.
    pub(crate) per_mu_plate: f64,
    /// Rounding of the drive at cutoff, volts.
    pub(crate) width: f64,
    /// Share of the wider pitch.
    pub(crate) tail: f64,
    /// Amplification factor of the wider pitch over that of the main one.
    pub(crate) tail_mu: f64,
    /// Screen current over plate current with the plate at screen voltage, knee apart.
    pub(crate) screen_ratio: f64,
    /// Knee voltage of the plate over `mu * E`, the drive as the screen sees it.
    pub(crate) knee: f64,
}

impl TwoPitchLaw {
    /// What the collectors' drive and the grid leave above cutoff, as the main
    /// pitch and as the wider one see it, before rounding; and the rounding.
    #[inline]
    fn above_cutoff<const N: usize>(
        &self,
        grid: Dual<N>,
        drive: Dual<N>,
        condition: &Condition,
    ) -> (Dual<N>, Dual<N>, f64) {
        let drive = drive * (1.0 / condition.mu.max(LEAST_RATIO));
        let bias = grid + held_contact(drive, self.contact) + condition.contact_volts;
        let width = self.width * condition.tail.max(LEAST_RATIO);
        let wide = tail_drive(self.tail_mu, condition);
        (bias + drive, bias + drive * wide, width)
    }

    /// Drive from the collectors of a tube of this kind, their voltages rounded.
    #[inline]
    fn drive<const N: usize>(&self, plate: Dual<N>, screen: Dual<N>, kind: TubeKind) -> Dual<N> {
        if kind.has_screen() {
            screen * (1.0 / self.mu) + plate * self.per_mu_plate
        } else {
            plate * (1.0 / self.mu)
        }
    }

    /// Whether all that the cathode emits is below `share` of what it would
    /// emit for a drive of the rounding's size.
    #[inline]
    pub(crate) fn is_cut_off(
        &self,
        at: &Electrodes<0>,
        kind: TubeKind,
        condition: &Condition,
        ln_share: f64,
    ) -> bool {
        let plate = at.plate.positive(COLLECTOR_WIDTH);
        let screen = at.screen.positive(COLLECTOR_WIDTH);
        let drive = self.drive(plate, screen, kind);
        let (main, tail, width) = self.above_cutoff(at.grid, drive, condition);
        1.5 * main.v.max(tail.v) < ln_share * width
    }

    /// The grid's current alone.
    #[inline]
    pub(crate) fn grid<const N: usize>(
        &self,
        at: &Electrodes<N>,
        grid_law: &GridLaw,
        kind: TubeKind,
        condition: &Condition,
    ) -> Dual<N> {
        let plate = at.plate.positive(COLLECTOR_WIDTH);
        let collector_knee = collector_knee(at.grid);
        if !kind.has_screen() {
            let taken = triode_takes(plate, collector_knee, condition);
            return grid_law.current(at.grid, taken, condition);
        }
        let screen = at.screen.positive(COLLECTOR_WIDTH);
        let drive = self.drive(plate, screen, kind);
        let (main, _, width) = self.above_cutoff(at.grid, drive, condition);
        let reached = self.reached(at, plate, main.positive(width), kind, condition);
        let screen_takes = (screen / collector_knee).level_off();
        let missed = (-reached + 1.0) * (-screen_takes + 1.0);
        grid_law.current(at.grid, -missed + 1.0, condition)
    }

    /// Part of the current meant for the plate of a screen-grid tube that gets
    /// there, for the main pitch's effective drive.
    #[inline]
    fn reached<const N: usize>(
        &self,
        at: &Electrodes<N>,
        plate: Dual<N>,
        effective: Dual<N>,
        kind: TubeKind,
        condition: &Condition,
    ) -> Dual<N> {
        let knee =
            (effective * (self.knee * self.mu) + KNEE_FLOOR) * condition.knee.max(LEAST_RATIO);
        let mut reached = plate / knee;
        reached = if kind == TubeKind::Beam {
            reached.level_off_sharply()
        } else {
            reached.level_off()
        };
        if kind.has_grid3() {
            reached = reached * grid3_passes(at.grid3, kind);
        }
        reached
    }

    /// Space current for the drive from the collectors, and the main pitch's
    /// effective drive.
    #[inline]
    fn space<const N: usize>(
        &self,
        grid: Dual<N>,
        drive: Dual<N>,
        condition: &Condition,
    ) -> (Dual<N>, Dual<N>) {
        let (main, tail, width) = self.above_cutoff(grid, drive, condition);
        let (main, tail) = (main.positive(width), tail.positive(width));
        let scale = self.k * condition.perveance;
        let share = self.tail * tail_share(self.tail_mu, condition);
        let space = main.three_halves() * (scale * (1.0 - self.tail))
            + tail.three_halves() * (scale * share);
        (space, main)
    }

    /// Currents into all electrodes.
    #[inline]
    pub(crate) fn shares<const N: usize>(
        &self,
        at: &Electrodes<N>,
        grid_law: &GridLaw,
        kind: TubeKind,
        condition: &Condition,
    ) -> Shares<N> {
        let plate = at.plate.positive(COLLECTOR_WIDTH);
        let collector_knee = collector_knee(at.grid);
        if !kind.has_screen() {
            let drive = self.drive(plate, Dual::constant(0.0), kind);
            let (space, _) = self.space(at.grid, drive, condition);
            let taken = triode_takes(plate, collector_knee, condition);
            let grid = grid_law.current(at.grid, taken, condition);
            return Shares {
                plate: past_grid(space, grid) * taken,
                grid,
                screen: Dual::constant(0.0),
                grid3: Dual::constant(0.0),
            };
        }

        let screen = at.screen.positive(COLLECTOR_WIDTH);
        let drive = self.drive(plate, screen, kind);
        let (space, effective) = self.space(at.grid, drive, condition);
        let reached = self.reached(at, plate, effective, kind, condition);
        let screen_takes = (screen / collector_knee).level_off();

        let missed = (-reached + 1.0) * (-screen_takes + 1.0);
        let grid = grid_law.current(at.grid, -missed + 1.0, condition);
        let past = past_grid(space, grid);
        // The farther the plate outbids the screen, the less the screen gets.
        let bid = (screen + COLLECTOR_WIDTH) * 2.0 / (plate + screen + 2.0 * COLLECTOR_WIDTH);
        let outbid = if kind == TubeKind::Beam {
            OUTBID_BEAM
        } else {
            OUTBID
        };
        let ratio =
            (bid * bid * outbid + (1.0 - outbid)) * (self.screen_ratio * condition.screen_share);
        let one = Dual::constant(1.0);
        let to_plate = reached * (one / (screen_takes * ratio + 1.0));
        let to_screen = screen_takes * (one - to_plate) * (reached * RETURNED + (1.0 - RETURNED));
        Shares {
            plate: past * to_plate,
            grid,
            screen: past * to_screen,
            grid3: grid_law.grid3_current(at.grid3, kind, condition),
        }
    }
}

/// Voltage from which a collector gets most of the current.
#[inline]
fn collector_knee<const N: usize>(grid: Dual<N>) -> Dual<N> {
    grid.positive(GRID_ROUND) * COLLECTOR_PER_GRID + COLLECTOR_VOLTS
}

/// Part of the current past the grid that a triode's plate takes.
#[inline]
fn triode_takes<const N: usize>(
    plate: Dual<N>,
    collector_knee: Dual<N>,
    condition: &Condition,
) -> Dual<N> {
    (plate / (collector_knee * condition.knee.max(LEAST_RATIO))).level_off()
}
