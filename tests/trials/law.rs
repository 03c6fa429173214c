//! The units' tube law: a smoothed three-halves power through the first
//! published point (C. D. Child 1911; I. Langmuir 1913), with a crude grid
//! current and current division. It is deliberately not the program's.

use deadstage_parts::{
    Condition, DeviceLaw, Dual, OperatingPoint, PortCurrents, PortVolts, Spread, Trait, TubeKind,
};

/// One standard deviation of the logarithm of [`Specimen::perveance`].
pub const PERVEANCE_SIGMA: f64 = 0.12;
/// Of [`Specimen::mu`].
pub const MU_SIGMA: f64 = 0.04;
/// Of [`Specimen::contact`], volts.
pub const CONTACT_SIGMA: f64 = 0.08;
/// Of the logarithm of [`Specimen::screen`].
pub const SCREEN_SIGMA: f64 = 0.15;
/// Of the logarithm of [`Specimen::drive`].
pub const DRIVE_SIGMA: f64 = 0.15;

/// One specimen.
#[derive(Clone, Debug)]
pub struct UnitTube {
    mu: f64,
    perveance: f64,
    width: f64,
    /// Volts added to the grid.
    contact: f64,
    /// Plate volts per mu of the plate's own pull, pentodes.
    plate_mu: f64,
    /// Screen current over plate current above the knee.
    screen_ratio: f64,
    knee: f64,
    grid_perveance: f64,
    /// Grid bias that cuts it off at the published point, volts.
    cutoff: f64,
    /// Emission left, 1 for a healthy tube.
    pub emission: f64,
    /// Gas: grid current out of the grid as a fraction of plate current.
    pub gas: f64,
    pentode: bool,
    /// Signal at its grid.
    pub swing: Option<Swing>,
}

/// A signal, of which a voltmeter sees the mean.
#[derive(Clone, Copy, Debug)]
pub struct Swing {
    /// Peak at the grid, volts.
    pub peak: f64,
    /// Whether the plate is tuned and swings against the grid.
    pub tuned: bool,
}

/// By how much of its direct voltage a tuned plate swings when the grid is driven by the
/// cutoff bias or more: screen-grid tubes, triodes. Not the program's figures.
const PLATE_SWING: (f64, f64) = (0.75, 0.5);

/// Points of the signal over half a cycle.
const PHASES: usize = 16;

/// Over how many volts plate and screen start to collect.
const ROUNDING: f64 = 0.05;

/// Knee of the screen, volts.
const SCREEN_KNEE: f64 = 1.0;

/// How the specimens of one unit differ from the published point, and which
/// variant of the law the unit follows.
#[derive(Clone, Copy, Debug)]
pub struct Specimen {
    /// Ratio of perveance.
    pub perveance: f64,
    /// Ratio of mu.
    pub mu: f64,
    /// Volts at the grid.
    pub contact: f64,
    /// Ratio of the screen's share.
    pub screen: f64,
    /// Fraction of the published contact potential that this unit's law believes in.
    pub contact_share: f64,
    /// Ratio of the signal at its grid.
    pub drive: f64,
}

impl Specimen {
    /// In the middle of the spreads.
    #[must_use]
    pub fn nominal(contact_share: f64) -> Self {
        Self {
            perveance: 1.0,
            mu: 1.0,
            contact: 0.0,
            screen: 1.0,
            contact_share,
            drive: 1.0,
        }
    }
}

fn softplus(x: f64) -> f64 {
    if x > 30.0 { x } else { x.exp().ln_1p() }
}

impl UnitTube {
    /// A specimen of a type with this published point.
    #[must_use]
    pub fn new(kind: TubeKind, point: &OperatingPoint, mu: f64, specimen: &Specimen) -> Self {
        let pentode = kind != TubeKind::Triode;
        let plate_amps = point.plate_amps.unwrap_or(1e-3);
        let screen_ratio = point.screen_amps.map_or(0.2, |s| s / plate_amps);
        let pull = if pentode {
            point.screen_volts
        } else {
            point.plate_volts
        };
        let bare = point.grid_volts + pull / mu;
        // The contact potential that would make 3/2 of the current over the
        // drive the published transconductance, of which the law takes a share.
        let by_gm = point.gm.map_or(0.0, |gm| {
            let total = if pentode {
                plate_amps * (1.0 + screen_ratio)
            } else {
                plate_amps
            };
            (1.5 * total / (gm * total / plate_amps) - bare).clamp(-0.2 * pull / mu, 1.2)
        });
        let contact = (specimen.contact_share * by_gm).max(0.1 * pull / mu - bare);
        let width = 0.06 * pull / mu;
        let drive = width * softplus((bare + contact) / width);
        let plate_mu = mu * 30.0;
        let total = if pentode {
            plate_amps * (1.0 + screen_ratio)
        } else {
            plate_amps
        };
        let drive = if pentode {
            drive + point.plate_volts / plate_mu
        } else {
            drive
        };
        Self {
            mu: mu * specimen.mu,
            perveance: total / drive.powf(1.5) * specimen.perveance,
            width,
            contact: contact + specimen.contact,
            plate_mu,
            screen_ratio: screen_ratio * specimen.screen,
            knee: 0.08 * point.plate_volts.min(250.0),
            grid_perveance: 0.3 * total / drive.powf(1.5),
            cutoff: pull / mu,
            emission: 1.0,
            gas: 0.0,
            pentode,
            swing: None,
        }
    }

    /// Currents into plate, grid and screen.
    #[must_use]
    pub fn currents(&self, plate: f64, grid: f64, screen: f64) -> [f64; 3] {
        let at = [plate, grid, screen].map(Dual::<0>::constant);
        self.law(at, &Condition::default()).map(|amps| amps.v)
    }

    /// The law with its signal: the mean over a cycle. A condition moves this specimen further.
    fn law<const N: usize>(&self, at: [Dual<N>; 3], condition: &Condition) -> [Dual<N>; 3] {
        let peak = self.swing.map_or(0.0, |swing| swing.peak * condition.drive);
        if peak <= 0.0 || self.emission * condition.perveance <= 0.0 {
            return self.at_rest(at, condition);
        }
        let most = if self.pentode {
            PLATE_SWING.0
        } else {
            PLATE_SWING.1
        };
        let fully = (peak / self.cutoff).min(1.0);
        let plate_swing = if self.swing.is_some_and(|swing| swing.tuned) {
            most * fully
        } else {
            0.0
        };
        let [plate, grid, screen] = at;
        let mut mean = [Dual::constant(0.0); 3];
        for k in 0..PHASES {
            let cosine = (std::f64::consts::PI * (k as f64 + 0.5) / PHASES as f64).cos();
            let now = [
                plate * (1.0 - plate_swing * cosine),
                grid + peak * cosine,
                screen,
            ];
            for (mean, amps) in mean.iter_mut().zip(self.at_rest(now, condition)) {
                *mean = *mean + amps * (1.0 / PHASES as f64);
            }
        }
        mean
    }

    /// Without a signal.
    fn at_rest<const N: usize>(
        &self,
        [plate, grid, screen]: [Dual<N>; 3],
        condition: &Condition,
    ) -> [Dual<N>; 3] {
        let emission = self.emission * condition.perveance;
        if emission <= 0.0 {
            return [Dual::constant(0.0); 3];
        }
        let mu = self.mu * condition.mu;
        // Below zero a collector takes nothing; without rounding there a starved one
        // would have a corner, or a step, where its operating point must lie.
        let (plate, screen) = (plate.positive(ROUNDING), screen.positive(ROUNDING));
        let pull = if self.pentode {
            screen * (1.0 / mu) + plate * (1.0 / self.plate_mu)
        } else {
            plate * (1.0 / mu)
        };
        let contact = self.contact + condition.contact_volts;
        let drive = (grid + contact + pull).positive(self.width);
        let total = drive.three_halves() * (self.perveance * emission);
        let positive = (grid + 0.05).positive(0.12);
        let wanted = positive.three_halves() * (emission * self.grid_perveance);
        let most = total * 0.6;
        let grid_amps = if wanted.v < most.v { wanted } else { most };
        let left = total - grid_amps;
        let open = |collector: Dual<N>, knee: f64| -(collector * (-1.0 / knee)).exp() + 1.0;
        let (plate_amps, screen_amps) = if self.pentode {
            let share = 1.0 / (1.0 + self.screen_ratio * condition.screen_share);
            let at_plate = left * share * open(plate, self.knee.max(1.0));
            let at_screen = (left - at_plate) * open(screen, SCREEN_KNEE);
            (at_plate, at_screen)
        } else {
            (
                left * open(plate, 1.0 + 0.02 * self.knee),
                Dual::constant(0.0),
            )
        };
        let gas = self.gas + condition.gas;
        [plate_amps, grid_amps - plate_amps * gas, screen_amps]
    }
}

/// This law as one of the reasoner's own: what the true law is, for a reasoner
/// that is told it. The third grid, where it is wired, takes nothing.
#[derive(Clone, Debug)]
pub struct ToldLaw {
    /// The nominal specimen.
    pub tube: UnitTube,
    /// Ports that the device is wired at.
    pub ports: usize,
}

impl DeviceLaw for ToldLaw {
    fn ports(&self) -> usize {
        self.ports
    }

    fn currents(&self, volts: &PortVolts, condition: &Condition) -> PortCurrents {
        let at = [0, 1, 2].map(|port| {
            if port < self.ports {
                Dual::<3>::port(volts[port], port)
            } else {
                Dual::constant(0.0)
            }
        });
        let mut out = PortCurrents::default();
        for (port, current) in self
            .tube
            .law(at, condition)
            .iter()
            .enumerate()
            .take(self.ports)
        {
            out.amps[port] = current.v;
            out.siemens[port][..3].copy_from_slice(&current.d);
        }
        out
    }

    fn spreads(&self) -> Vec<Spread> {
        let screen = if self.tube.pentode { SCREEN_SIGMA } else { 0.0 };
        let drive = self.tube.swing.map_or(0.0, |_| DRIVE_SIGMA);
        [
            (Trait::Perveance, PERVEANCE_SIGMA),
            (Trait::ContactVolts, CONTACT_SIGMA),
            (Trait::Mu, MU_SIGMA),
            (Trait::ScreenShare, screen),
            (Trait::Drive, drive),
        ]
        .into_iter()
        .filter(|(_, sigma)| *sigma > 0.0)
        .map(|(of, sigma)| Spread { of, sigma })
        .collect()
    }
}
