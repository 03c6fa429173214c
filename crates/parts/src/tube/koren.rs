//! The published equations of N. Koren, "Improved vacuum-tube models" (title
//! shortened), Glass Audio 8(5), 1996, usable over the whole plane.
//!
//! Triode, `p` the plate voltage, `g` the grid's:
//! `E = (p/kP) ln(1 + exp(kP (1/mu + g/sqrt(kVB + p²))))`, `I = 2 E^x / kG1`.
//! Pentode, `s` the screen voltage: `E = (s/kP) ln(1 + exp(kP (1/mu + g/s)))`,
//! `I = 2 E^x/kG1 atan(p/kVB)`, screen `(g + s/mu)^1.5 / kG2`.
//!
//! Both drives are softplus functions of width `p/kP` (`s/kP`), and are
//! written so, which keeps them finite for any voltage. Added here: voltages
//! below zero count as zero, the screen's drive is the rounded one, part of
//! what a starved plate turns back lands on the screen, a contact potential, a
//! wider second pitch of a share of the grid, for remote cutoff and for the tails
//! of sharp tubes, and grid current. Without a contact
//! potential the equation misses low-current points of high-mu triodes badly
//! (the author's own 12AX7 set gives a fifth of the current at 100 V, -1 V).

use super::grid::{GridLaw, grid3_passes, held_contact, past_grid};
use super::kind::TubeKind;
use super::{Electrodes, LEAST_RATIO, Shares, tail_drive, tail_share};
use crate::device::Condition;
use crate::dual::Dual;

/// Over how many volts plate and screen start about 0 V. Small against any
/// voltage at which the published equations were meant to be used.
const COLLECTOR_WIDTH: f64 = 0.25;
/// Keeps the width of the drive above zero, volts.
const LEAST_COLLECTOR: f64 = 1e-3;
/// How soon a plate at low voltage takes what has passed the grid, volts.
const STARVED_VOLTS: f64 = 1.5;

/// Parameters of the triode equation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KorenTriode {
    /// Amplification factor.
    pub mu: f64,
    /// Exponent.
    pub x: f64,
    /// Inverse perveance, V^x / A.
    pub kg1: f64,
    /// Sharpness of cutoff.
    pub kp: f64,
    /// Knee, V².
    pub kvb: f64,
    /// Contact potential added to the grid voltage, volts; 0 in the published equation.
    pub contact: f64,
}

/// Parameters of the pentode equation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct KorenPentode {
    /// Amplification factor, control grid to screen.
    pub mu: f64,
    /// Exponent.
    pub x: f64,
    /// Inverse perveance of the plate, V^x / A.
    pub kg1: f64,
    /// Inverse perveance of the screen, V^1.5 / A.
    pub kg2: f64,
    /// Sharpness of cutoff.
    pub kp: f64,
    /// Knee, V.
    pub kvb: f64,
    /// Part of the current turned back by a starved plate that lands on the
    /// screen; 0 in the published equations.
    pub turned: f64,
    /// Contact potential added to the grid voltage, volts; 0 in the published equations.
    pub contact: f64,
    /// Share of a wider grid pitch; 0 in the published equations.
    pub tail: f64,
    /// Amplification factor of the wider pitch over `mu`.
    pub tail_mu: f64,
}

/// A share of the grid of wider pitch than the rest.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub(crate) struct WiderPitch {
    /// Its share; 0 where there is none.
    pub(crate) share: f64,
    /// Its amplification factor over that of the main pitch.
    pub(crate) mu: f64,
}

/// Either equation.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum KorenLaw {
    Triode(KorenTriode, WiderPitch),
    Pentode(KorenPentode),
}

impl KorenLaw {
    /// Currents into all electrodes.
    #[inline]
    pub(crate) fn shares<const N: usize>(
        &self,
        at: &Electrodes<N>,
        grid_law: &GridLaw,
        kind: TubeKind,
        condition: &Condition,
    ) -> Shares<N> {
        match self {
            Self::Triode(law, wider) => law.shares(at, grid_law, wider, condition),
            Self::Pentode(law) => law.shares(at, grid_law, kind, condition),
        }
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
        let collected = match self {
            Self::Triode(..) => triode_takes(at, plate, condition),
            Self::Pentode(law) => {
                let reached = law.reached(at, plate, kind, condition);
                collected(
                    reached,
                    screen_takes(at, at.screen.positive(COLLECTOR_WIDTH)),
                )
            }
        };
        grid_law.current(at.grid, collected, condition)
    }

    /// Whether all that the cathode emits is below `share` of what it would
    /// emit for a drive of the rounding's size.
    #[inline]
    pub(crate) fn is_cut_off(
        &self,
        at: &Electrodes<0>,
        condition: &Condition,
        ln_share: f64,
    ) -> bool {
        match self {
            Self::Triode(law, wider) => {
                let plate = at.plate.positive(COLLECTOR_WIDTH);
                let (drive, bias, width) = law.drive(at, plate, condition);
                let furthest = if wider.share > 0.0 {
                    tail_drive(wider.mu, condition).max(1.0)
                } else {
                    1.0
                };
                law.x * (drive * furthest + bias).v < ln_share * width.v
            }
            Self::Pentode(law) => {
                let screen = at.screen.positive(COLLECTOR_WIDTH);
                let (mu, bias, width) = law.bias(at, screen, condition);
                let furthest = if law.tail > 0.0 {
                    mu / tail_drive(law.tail_mu, condition).max(1.0)
                } else {
                    mu
                };
                law.x.min(1.5) * (screen * (1.0 / furthest) + bias).v < ln_share * width.v
            }
        }
    }
}

/// Part of the electrons past the grid that find plate or screen.
#[inline]
fn collected<const N: usize>(reached: Dual<N>, screen_takes: Dual<N>) -> Dual<N> {
    let missed = (reached * (-1.0 / SATURATED) + 1.0) * (-screen_takes + 1.0);
    -missed + 1.0
}

/// Part of the current that a triode's plate takes. The equation's own knee
/// already stands for the plate's; this is only what is needed for the
/// grid to know that nothing else collects.
#[inline]
fn triode_takes<const N: usize>(
    at: &Electrodes<N>,
    plate: Dual<N>,
    condition: &Condition,
) -> Dual<N> {
    (plate / (at.grid.positive(0.5) * 0.7 + STARVED_VOLTS)
        * (1.0 / condition.knee.max(LEAST_RATIO)))
    .level_off()
}

/// How well the screen collects.
#[inline]
fn screen_takes<const N: usize>(at: &Electrodes<N>, screen: Dual<N>) -> Dual<N> {
    (screen / (at.grid.positive(0.5) * 0.7 + STARVED_VOLTS)).level_off()
}

/// Where the arc tangent of the plate's voltage levels off.
const SATURATED: f64 = std::f64::consts::FRAC_PI_2;

impl KorenTriode {
    /// Drive from the plate, what the grid adds to it, and the rounding at cutoff.
    #[inline]
    fn drive<const N: usize>(
        &self,
        at: &Electrodes<N>,
        plate: Dual<N>,
        condition: &Condition,
    ) -> (Dual<N>, Dual<N>, Dual<N>) {
        let mu = self.mu * condition.mu.max(LEAST_RATIO);
        let square = plate * plate;
        let width = (square + LEAST_COLLECTOR * LEAST_COLLECTOR).sqrt()
            * (condition.tail.max(LEAST_RATIO) / self.kp);
        let contact = held_contact(plate * (1.0 / mu), self.contact);
        let bias = at.grid + contact + condition.contact_volts;
        let bias = bias * (plate / (square + self.kvb).sqrt());
        (plate * (1.0 / mu), bias, width)
    }

    #[inline]
    fn shares<const N: usize>(
        &self,
        at: &Electrodes<N>,
        grid_law: &GridLaw,
        wider: &WiderPitch,
        condition: &Condition,
    ) -> Shares<N> {
        let plate = at.plate.positive(COLLECTOR_WIDTH);
        let (drive, bias, width) = self.drive(at, plate, condition);
        let mut powered = (drive + bias).positive_over(width).power(self.x);
        if wider.share > 0.0 {
            let wide = drive * tail_drive(wider.mu, condition) + bias;
            let share = wider.share * tail_share(wider.mu, condition);
            powered =
                powered * (1.0 - wider.share) + wide.positive_over(width).power(self.x) * share;
        }
        let space = powered * (2.0 * condition.perveance / self.kg1);
        let taken = triode_takes(at, plate, condition);
        let grid = grid_law.current(at.grid, taken, condition);
        Shares {
            plate: past_grid(space, grid) * taken,
            grid,
            screen: Dual::constant(0.0),
            grid3: Dual::constant(0.0),
        }
    }
}

impl KorenPentode {
    /// Amplification factor, bias of the grid, and the rounding at cutoff.
    #[inline]
    fn bias<const N: usize>(
        &self,
        at: &Electrodes<N>,
        screen: Dual<N>,
        condition: &Condition,
    ) -> (f64, Dual<N>, Dual<N>) {
        let mu = self.mu * condition.mu.max(LEAST_RATIO);
        let width = (screen * screen + LEAST_COLLECTOR * LEAST_COLLECTOR).sqrt()
            * (condition.tail.max(LEAST_RATIO) / self.kp);
        let contact = held_contact(screen * (1.0 / mu), self.contact);
        let bias = at.grid + contact + condition.contact_volts;
        (mu, bias, width)
    }

    /// How far the plate's voltage brings the current to its end, up to [`SATURATED`].
    #[inline]
    fn reached<const N: usize>(
        &self,
        at: &Electrodes<N>,
        plate: Dual<N>,
        kind: TubeKind,
        condition: &Condition,
    ) -> Dual<N> {
        let knee = self.kvb * condition.knee.max(LEAST_RATIO);
        let mut reached = (plate * (1.0 / knee)).atan();
        if at.has_grid3 {
            reached = reached * grid3_passes(at.grid3, kind);
        }
        reached
    }

    #[inline]
    fn shares<const N: usize>(
        &self,
        at: &Electrodes<N>,
        grid_law: &GridLaw,
        kind: TubeKind,
        condition: &Condition,
    ) -> Shares<N> {
        let plate = at.plate.positive(COLLECTOR_WIDTH);
        let screen = at.screen.positive(COLLECTOR_WIDTH);
        let (mu, bias, width) = self.bias(at, screen, condition);
        let e = (screen * (1.0 / mu) + bias).positive_over(width);
        let (mut powered, mut for_screen) = (e.power(self.x), e.three_halves());
        if self.tail > 0.0 {
            let drive = screen * (tail_drive(self.tail_mu, condition) / mu);
            let wide = (drive + bias).positive_over(width);
            let share = self.tail * tail_share(self.tail_mu, condition);
            powered = powered * (1.0 - self.tail) + wide.power(self.x) * share;
            for_screen = for_screen * (1.0 - self.tail) + wide.three_halves() * share;
        }

        let reached = self.reached(at, plate, kind, condition);
        let takes = powered * (2.0 * condition.perveance / self.kg1);
        let screen_takes = screen_takes(at, screen);
        let own =
            for_screen * (condition.screen_share * condition.perveance / self.kg2) * screen_takes;
        let turned = takes * (-reached + SATURATED) * self.turned * screen_takes;

        let grid = grid_law.current(at.grid, collected(reached, screen_takes), condition);
        let space = takes * reached + own + turned;
        // The grid's part comes off plate and screen alike.
        let left = if space.v < 1e-100 {
            Dual::constant(0.0)
        } else {
            past_grid(space, grid) / space
        };
        Shares {
            plate: takes * reached * left,
            grid,
            screen: (own + turned) * left,
            grid3: grid_law.grid3_current(at.grid3, kind, condition),
        }
    }
}
