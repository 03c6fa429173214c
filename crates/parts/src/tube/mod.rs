//! Amplifying tubes: two laws of the same electrodes, both fitted by code to
//! the operating points that a data sheet prints.
//!
//! Two independent laws are kept on purpose. Near the data-sheet points they
//! agree, because both are fitted there; where they part (grid driven
//! positive, plate starved, near cutoff) their distance says how far either
//! may be trusted.

mod driven;
mod fit;
mod grid;
mod kind;
mod koren;
mod spread;
mod start;
mod two_pitch;

pub use driven::{DrivenTube, PlateLoad, TubeDrive};
pub use fit::{Fit, FitError, OperatingPoint, PointFit, fit_points};
pub use kind::TubeKind;
pub use koren::{KorenPentode, KorenTriode};

use crate::device::{Condition, PortCurrents, PortVolts, Spread};
use crate::dual::Dual;
use grid::{GridLaw, grid3_passes};
use koren::{KorenLaw, WiderPitch};
use two_pitch::TwoPitchLaw;

/// Which of the two tube laws.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum LawForm {
    /// Three-halves power of an effective drive, with a grid of uneven pitch
    /// and current division by the electrode voltages; this project's own.
    #[default]
    TwoPitch,
    /// N. Koren, "Improved vacuum-tube models" (title shortened), Glass
    /// Audio 8(5), 1996, completed for electrodes below zero and for grid current.
    Koren,
}

impl LawForm {
    /// Both laws.
    pub const ALL: [Self; 2] = [Self::TwoPitch, Self::Koren];
}

/// The current law of one tube unit.
///
/// Ports, against the cathode: plate, grid, then screen for tetrodes and
/// pentodes, then grid 3 where it has a pin of its own.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TubeLaw {
    kind: TubeKind,
    body: Body,
    grid: GridLaw,
    /// Whether grid 3 is a port; otherwise it sits at cathode voltage.
    grid3: bool,
    /// Plate (or screen) voltage over mu at the data-sheet point: about the
    /// bias that cuts the tube off there, volts.
    bias_scale: f64,
}

#[derive(Clone, Copy, Debug, PartialEq)]
enum Body {
    TwoPitch(TwoPitchLaw),
    Koren(KorenLaw),
}

/// A ratio of a [`Condition`] by which a law divides is taken as no less than this.
pub(crate) const LEAST_RATIO: f64 = 1e-3;

/// Drive from the collectors on the wider pitch, over that on the main one. How much further
/// out the last current ends is what specimens and laws agree on least.
#[inline]
pub(crate) fn tail_drive(tail_mu: f64, condition: &Condition) -> f64 {
    1.0 + (1.0 / tail_mu - 1.0) * condition.tail.max(LEAST_RATIO)
}

/// Ratio of the wider pitch's share, which leaves the current at no bias as it is.
#[inline]
pub(crate) fn tail_share(tail_mu: f64, condition: &Condition) -> f64 {
    if condition.tail == 1.0 {
        return 1.0;
    }
    (tail_drive(tail_mu, condition) * tail_mu).powf(-1.5)
}

/// The screen's voltage, over that of its data sheet, and the grid's, over the bias that cuts the tube off,
/// by which the plate's own pull has faded.
const PULL_SCREEN: f64 = 0.15;
const PULL_GRID: f64 = 0.3;
/// Over how many volts they begin to count there.
const PULL_WIDTH: f64 = 0.25;
/// Volts by which a plate pulls in earnest, and to which those of a plate at nothing come.
const PULL_PLATE: f64 = 20.0;
const PULL_LEAST: f64 = 1.0;

/// What the electrodes beyond the control grid take, before gas current.
pub(crate) struct Shares<const N: usize> {
    plate: Dual<N>,
    grid: Dual<N>,
    screen: Dual<N>,
    grid3: Dual<N>,
}

/// The electrode voltages with their derivatives; absent electrodes are at 0 V.
#[derive(Clone, Copy)]
pub(crate) struct Electrodes<const N: usize> {
    /// Whether grid 3 is brought out.
    has_grid3: bool,
    plate: Dual<N>,
    grid: Dual<N>,
    screen: Dual<N>,
    grid3: Dual<N>,
}

impl TubeLaw {
    /// A triode of the published Koren form with given parameters.
    #[must_use]
    pub fn koren_triode(parameters: KorenTriode) -> Self {
        Self::assemble(
            TubeKind::Triode,
            Body::Koren(KorenLaw::Triode(parameters, WiderPitch::default())),
            2.0 / parameters.kg1,
            250.0 / parameters.mu,
        )
    }

    /// A pentode of the published Koren form with given parameters.
    #[must_use]
    pub fn koren_pentode(parameters: KorenPentode) -> Self {
        Self::assemble(
            TubeKind::Pentode,
            Body::Koren(KorenLaw::Pentode(parameters)),
            2.0 / parameters.kg1,
            200.0 / parameters.mu,
        )
    }

    fn assemble(kind: TubeKind, body: Body, perveance: f64, bias_scale: f64) -> Self {
        Self {
            kind,
            body,
            grid: GridLaw::of(kind, perveance),
            grid3: kind == TubeKind::Heptode,
            bias_scale,
        }
    }

    /// The same law with grid 3 brought out to a port of its own, or not.
    /// Triodes and beam tubes have none and stay as they are.
    #[must_use]
    pub fn with_grid3(mut self, brought_out: bool) -> Self {
        self.grid3 = brought_out && self.kind.has_grid3();
        self
    }

    /// What sort of tube it is.
    #[must_use]
    pub fn kind(&self) -> TubeKind {
        self.kind
    }

    /// Which law it follows.
    #[must_use]
    pub fn form(&self) -> LawForm {
        match self.body {
            Body::TwoPitch(_) => LawForm::TwoPitch,
            Body::Koren(_) => LawForm::Koren,
        }
    }

    /// Number of ports: 2 for a triode, 3 with a screen, 4 with grid 3 brought out.
    #[must_use]
    pub fn ports(&self) -> usize {
        match (self.kind.has_screen(), self.grid3) {
            (false, _) => 2,
            (true, false) => 3,
            (true, true) => 4,
        }
    }

    /// About the grid bias that cuts the tube off at its data-sheet point, as a
    /// positive number of volts.
    #[must_use]
    pub fn bias_scale_volts(&self) -> f64 {
        self.bias_scale
    }

    /// Amplification factor of the law: grid to plate of a triode, grid to
    /// screen of any other, as it enters the equation.
    #[must_use]
    pub fn amplification_factor(&self) -> f64 {
        match &self.body {
            Body::TwoPitch(law) => law.mu,
            Body::Koren(KorenLaw::Triode(law, _)) => law.mu,
            Body::Koren(KorenLaw::Pentode(law)) => law.mu,
        }
    }

    /// Currents into the electrodes and their derivatives.
    #[must_use]
    pub fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        match self.ports() {
            2 => self.evaluate::<2>(volts, condition),
            3 => self.evaluate::<3>(volts, condition),
            _ => self.evaluate::<4>(volts, condition),
        }
    }

    /// How healthy specimens differ.
    #[must_use]
    pub fn spreads(&self) -> Vec<Spread> {
        spread::of(self.kind, self.bias_scale)
    }

    /// Electrode voltages that move in one direction, or in none.
    fn electrodes<const N: usize>(
        &self,
        volts: &PortVolts,
        slopes: [[f64; N]; 2],
    ) -> Electrodes<N> {
        let ports = self.ports();
        let still = |port: usize| Dual::constant(if port < ports { volts[port] } else { 0.0 });
        let [plate, grid] = slopes;
        Electrodes {
            has_grid3: self.grid3,
            plate: Dual {
                v: volts[0],
                d: plate,
            },
            grid: Dual {
                v: volts[1],
                d: grid,
            },
            screen: still(2),
            grid3: still(3),
        }
    }

    /// Current into the grid but for that of gas, and its slope as plate and
    /// grid move together with these slopes. What is under `exp(ln_share)` of
    /// what a volt would draw is nothing.
    fn grid_along(
        &self,
        volts: &PortVolts,
        slopes: [f64; 2],
        condition: &Condition,
        ln_share: f64,
    ) -> (f64, f64) {
        if GridLaw::is_off(volts[1], ln_share) {
            return (0.0, 0.0);
        }
        let at = self.electrodes(volts, slopes.map(|slope| [slope]));
        let found = match &self.body {
            Body::TwoPitch(law) => law.grid(&at, &self.grid, self.kind, condition),
            Body::Koren(law) => law.grid(&at, &self.grid, self.kind, condition),
        };
        (found.v, found.d[0])
    }

    /// Whether nothing flows into any electrode but grid 3: all is under
    /// `exp(ln_share)` of what a volt of drive would draw.
    fn is_cut_off(&self, volts: &PortVolts, condition: &Condition, ln_share: f64) -> bool {
        let at = self.electrodes(volts, [[]; 2]);
        GridLaw::is_off(volts[1], ln_share)
            && match &self.body {
                Body::TwoPitch(law) => law.is_cut_off(&at, self.kind, condition, ln_share),
                Body::Koren(law) => law.is_cut_off(&at, condition, ln_share),
            }
    }

    /// What the plate pulls past a screen that is near nothing, if that is as much as the tube passes at
    /// zero bias from its usual screen voltage: it fades as the screen comes up and as the grid goes below zero.
    fn pulled<const N: usize>(&self, at: &Electrodes<N>) -> Dual<N> {
        let k = match &self.body {
            Body::TwoPitch(law) => law.k,
            Body::Koren(KorenLaw::Triode(law, _)) => 2.0 / law.kg1,
            Body::Koren(KorenLaw::Pentode(law)) => 2.0 / law.kg1,
        };
        let usual = self.bias_scale * self.amplification_factor();
        let plate = at.plate.positive(PULL_WIDTH);
        let screen = at.screen.positive(PULL_WIDTH) * (1.0 / (PULL_SCREEN * usual));
        let below = (-at.grid).positive(PULL_WIDTH) * (1.0 / (PULL_GRID * self.bias_scale));
        // A plate near nothing pulls nothing.
        let plate = Dual::constant(PULL_PLATE) / (plate + PULL_LEAST);
        let pulled = (-(screen + below + plate * plate)).exp() * (k * self.bias_scale.powf(1.5));
        if self.kind == TubeKind::Heptode {
            // It goes through grid 3 as the rest does.
            pulled * grid3_passes(at.grid3, self.kind)
        } else {
            pulled
        }
    }

    fn evaluate<const N: usize>(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        if condition.perveance <= 0.0 {
            return PortCurrents::default();
        }
        let port = |index: usize| {
            if index < N {
                Dual::<N>::port(volts[index], index)
            } else {
                Dual::constant(0.0)
            }
        };
        let at = Electrodes {
            has_grid3: self.grid3,
            plate: port(0),
            grid: port(1),
            screen: port(2),
            grid3: port(3),
        };
        let mut shares = match &self.body {
            Body::TwoPitch(law) => law.shares(&at, &self.grid, self.kind, condition),
            Body::Koren(law) => law.shares(&at, &self.grid, self.kind, condition),
        };
        if condition.plate_pull != 0.0 && self.kind.has_screen() {
            shares.plate =
                shares.plate + self.pulled(&at) * (condition.plate_pull * condition.perveance);
        }
        // Positive ions of residual gas land on the negative grid.
        shares.grid = shares.grid - shares.plate * condition.gas;

        let mut out = PortCurrents::default();
        let currents = [shares.plate, shares.grid, shares.screen, shares.grid3];
        for (i, current) in currents.iter().take(N).enumerate() {
            out.amps[i] = current.v;
            out.siemens[i][..N].copy_from_slice(&current.d);
        }
        out
    }
}
