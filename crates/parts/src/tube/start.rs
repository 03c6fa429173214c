//! Where a fit starts, and how far its unknowns may stray: the priors, which
//! are the same for all types of a kind.

use super::fit::OperatingPoint;
use super::kind::TubeKind;

/// One unknown: its prior, normal about `mean`.
#[derive(Clone, Copy)]
pub(super) struct Prior {
    pub(super) mean: f64,
    pub(super) sigma: f64,
}

/// Where the search starts, from the richest point.
pub(super) struct Start {
    pub(super) at: OperatingPoint,
    pub(super) total: f64,
    pub(super) mu: f64,
    pub(super) mu_known: bool,
    pub(super) bias_scale: f64,
    /// Whether a point tells of the tube near cutoff.
    pub(super) cutoff_known: bool,
    pub(super) ratio: f64,
}

impl Start {
    fn mu_prior(&self) -> Prior {
        about(self.mu, if self.mu_known { 0.15 } else { 0.4 })
    }

    fn contact_prior(&self, mean: f64) -> Prior {
        Prior {
            mean,
            sigma: 0.3 + 0.05 * self.bias_scale,
        }
    }

    pub(super) fn two_pitch(&self, kind: TubeKind) -> Vec<Prior> {
        let drive = self.at.grid_volts + CONTACT + self.bias_scale;
        let k = self.total / drive.max(0.05 * self.bias_scale).powf(1.5);
        let mut priors = vec![
            about(k, 3.0),
            self.contact_prior(CONTACT),
            self.mu_prior(),
            about(0.12 + 0.04 * self.bias_scale, 0.5),
        ];
        priors.extend(self.tail_priors(kind, TAIL));
        if kind.has_screen() {
            priors.push(about(1.0 / (self.mu * PLATE_OVER_SCREEN_MU), 1.0));
            priors.push(about(self.ratio, 0.5));
        }
        priors
    }

    /// Share of the wider pitch, `sharp` in a sharp tube, and its amplification factor over the main one.
    fn tail_priors(&self, kind: TubeKind, sharp: f64) -> [Prior; 2] {
        let (share, mu) = if remote(kind) {
            (0.10, 0.20)
        } else {
            (sharp, 0.45)
        };
        let sigma = if self.cutoff_known {
            TAIL_SIGMA
        } else {
            BLIND_TAIL_SIGMA
        };
        [
            Prior {
                mean: odds(share),
                sigma,
            },
            Prior {
                mean: odds(mu),
                sigma: 0.7,
            },
        ]
    }

    /// Drive at the start of a search in Koren's form.
    fn koren_drive(&self) -> f64 {
        let drive = self.at.grid_volts + KOREN_CONTACT + self.bias_scale;
        drive.max(0.1 * self.bias_scale)
    }

    pub(super) fn koren_triode(&self) -> Vec<Prior> {
        let x: f64 = 1.4;
        vec![
            self.mu_prior(),
            about(x, 0.04),
            about(2.0 * self.koren_drive().powf(x) / self.total, 3.0),
            // Koren's own fits have a kP of 3 to 10 mu.
            about(5.0 * self.mu, 0.6),
            self.contact_prior(KOREN_CONTACT),
        ]
        .into_iter()
        .chain(self.tail_priors(TubeKind::Triode, KOREN_TAIL))
        .collect()
    }

    pub(super) fn koren_pentode(&self, kind: TubeKind) -> Vec<Prior> {
        let x: f64 = 1.4;
        let drive = self.koren_drive();
        let plate = self.total / (1.0 + self.ratio);
        let screen = (self.total - plate).max(0.01 * self.total);
        let mut priors = vec![
            self.mu_prior(),
            about(x, 0.04),
            about(std::f64::consts::PI * drive.powf(x) / plate, 3.0),
            about(5.0 * self.mu, 0.6),
            about(drive.powf(1.5) / screen, 3.0),
            // The arc tangent levels off slowly: a knee well below the real one.
            about((0.09 * self.at.screen_volts).max(5.0), 0.4),
            self.contact_prior(KOREN_CONTACT),
        ];
        priors.extend(self.tail_priors(kind, KOREN_TAIL));
        priors
    }
}

/// Logarithm of the odds of a share.
fn odds(share: f64) -> f64 {
    (share / (1.0 - share)).ln()
}

/// A positive unknown, known as its logarithm.
fn about(value: f64, sigma: f64) -> Prior {
    Prior {
        mean: value.ln(),
        sigma,
    }
}

/// Mean of the contact potential's prior, volts.
pub(super) const CONTACT: f64 = 0.5;
/// The same in Koren's form, whose smaller exponent leaves less for it to do.
const KOREN_CONTACT: f64 = 0.3;

/// Whether the grid is wound for a remote cutoff.
fn remote(kind: TubeKind) -> bool {
    matches!(kind, TubeKind::RemotePentode | TubeKind::Heptode)
}

/// Standard deviation of the logarithm of the odds of the wider pitch's share, where a
/// point tells of it ...
const TAIL_SIGMA: f64 = 2.0;
/// ... and where none does, so that nothing else moves it far.
const BLIND_TAIL_SIGMA: f64 = 1.2;
/// Usual share of the wider pitch of a sharp tube.
const TAIL: f64 = 0.02;
/// The same in Koren's form, whose softness at cutoff does most of it.
const KOREN_TAIL: f64 = 0.002;

/// Usual ratio of the grid-to-plate factor to the grid-to-screen one.
const PLATE_OVER_SCREEN_MU: f64 = 60.0;
