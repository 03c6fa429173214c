//! The units' tube law: a smoothed three-halves power through the first
//! published point (C. D. Child 1911; I. Langmuir 1913), with a crude grid
//! current and current division. It is deliberately not the program's.

use deadstage_parts::{OperatingPoint, TubeKind};

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
    /// Emission left, 1 for a healthy tube.
    pub emission: f64,
    /// Gas: grid current out of the grid as a fraction of plate current.
    pub gas: f64,
    pentode: bool,
}

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
            emission: 1.0,
            gas: 0.0,
            pentode,
        }
    }

    /// Currents into plate, grid and screen.
    #[must_use]
    pub fn currents(&self, plate: f64, grid: f64, screen: f64) -> [f64; 3] {
        if self.emission <= 0.0 {
            return [0.0; 3];
        }
        let k = self.perveance * self.emission;
        let pull = if self.pentode {
            screen.max(0.0) / self.mu + plate.max(0.0) / self.plate_mu
        } else {
            plate.max(0.0) / self.mu
        };
        let drive = self.width * softplus((grid + self.contact + pull) / self.width);
        let total = k * drive.powf(1.5);
        let positive = 0.12 * softplus((grid + 0.05) / 0.12);
        let grid_amps = (self.emission * self.grid_perveance * positive.powf(1.5)).min(0.6 * total);
        let left = total - grid_amps;
        let open = if plate <= 0.0 {
            0.0
        } else {
            1.0 - (-plate / self.knee.max(1.0)).exp()
        };
        let (plate_amps, screen_amps) = if self.pentode {
            let share = 1.0 / (1.0 + self.screen_ratio);
            let at_plate = left * share * open;
            (at_plate, if screen > 0.0 { left - at_plate } else { 0.0 })
        } else {
            (
                left * if plate <= 0.0 {
                    0.0
                } else {
                    1.0 - (-plate / (1.0 + 0.02 * self.knee)).exp()
                },
                0.0,
            )
        };
        [plate_amps, grid_amps - self.gas * plate_amps, screen_amps]
    }
}
