//! Law parameters from published operating points.
//!
//! Regularised least squares in the logarithms of the published figures:
//! every point pulls with the accuracy of print, and weak priors, the same for
//! all types of a kind, settle what the points leave open. Nothing is tuned by
//! hand for one type.

use nalgebra::{DMatrix, DVector};

use super::kind::TubeKind;
use super::koren::{KorenLaw, KorenPentode, KorenTriode, WiderPitch};
use super::start::{CONTACT, Prior, Start};
use super::two_pitch::TwoPitchLaw;
use super::{Body, LawForm, TubeLaw};
use crate::device::{Condition, PortVolts};

/// One published operating point. Voltages are against the cathode.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct OperatingPoint {
    /// Plate, volts.
    pub plate_volts: f64,
    /// Control grid, volts.
    pub grid_volts: f64,
    /// Screen, volts; 0 for a triode.
    pub screen_volts: f64,
    /// Grid 3, volts.
    pub grid3_volts: f64,
    /// Plate current, amperes.
    pub plate_amps: Option<f64>,
    /// Screen current, amperes.
    pub screen_amps: Option<f64>,
    /// Plate and screen current together, amperes.
    pub cathode_amps: Option<f64>,
    /// Screen current over plate current, where only that is known to hold.
    pub screen_ratio: Option<f64>,
    /// Transconductance from the grid to plate and screen together, siemens.
    pub cathode_gm: Option<f64>,
    /// Grid-to-plate transconductance, siemens.
    pub gm: Option<f64>,
    /// Plate resistance, ohms.
    pub plate_ohms: Option<f64>,
    /// Amplification factor: grid to plate of a triode, grid to screen of any other.
    pub mu: Option<f64>,
}

impl OperatingPoint {
    /// The port voltages of the point.
    #[must_use]
    pub fn volts(&self) -> PortVolts {
        [
            self.plate_volts,
            self.grid_volts,
            self.screen_volts,
            self.grid3_volts,
        ]
    }

    /// Plate and screen current together, as far as the point says.
    fn total_amps(&self) -> Option<f64> {
        self.cathode_amps.or_else(|| {
            self.plate_amps
                .map(|plate| plate + self.screen_amps.unwrap_or(0.0))
        })
    }
}

/// How a fitted law stands to one published point: model over published.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct PointFit {
    /// Plate current.
    pub plate_amps: Option<f64>,
    /// Screen current.
    pub screen_amps: Option<f64>,
    /// Transconductance.
    pub gm: Option<f64>,
    /// Plate resistance.
    pub plate_ohms: Option<f64>,
    /// Amplification factor of a triode.
    pub mu: Option<f64>,
}

/// A fitted law.
#[derive(Clone, Debug, PartialEq)]
pub struct Fit {
    /// The law.
    pub law: TubeLaw,
    /// Model over published, a row for each given point.
    pub points: Vec<PointFit>,
}

impl Fit {
    /// How far the law is off at worst, quantity by quantity, over all points: each the
    /// largest |model / published − 1|; `None` of a quantity that no point states.
    #[must_use]
    pub fn worst_errors(&self) -> PointFit {
        let worst = |pick: fn(&PointFit) -> Option<f64>| {
            let errors = self.points.iter().filter_map(pick);
            errors.map(|ratio| (ratio - 1.0).abs()).reduce(f64::max)
        };
        PointFit {
            plate_amps: worst(|p| p.plate_amps),
            screen_amps: worst(|p| p.screen_amps),
            gm: worst(|p| p.gm),
            plate_ohms: worst(|p| p.plate_ohms),
            mu: worst(|p| p.mu),
        }
    }
}

/// Why no law could be fitted.
#[derive(Clone, Debug, PartialEq, thiserror::Error)]
pub enum FitError {
    /// None of the points has both a current and something that says how it changes.
    #[error(
        "no operating point gives a current with a transconductance, or with a mu and a plate resistance"
    )]
    TooLittle,
    /// A figure that must be a positive, finite number is not.
    #[error("the {0} of an operating point must be a positive number")]
    NotPositive(&'static str),
    /// A screen-grid tube without a screen voltage.
    #[error("a {0} needs a screen voltage at its operating point")]
    NoScreenVolts(TubeKind),
}

/// Accuracy of a printed figure, as a logarithm.
mod accuracy {
    pub(super) const CURRENT: f64 = 0.03;
    /// Currents below a hundredth of the largest are cutoff figures, "about".
    pub(super) const CUTOFF: f64 = 0.2;
    pub(super) const SCREEN: f64 = 0.08;
    pub(super) const GM: f64 = 0.05;
    pub(super) const CUTOFF_GM: f64 = 0.4;
    pub(super) const MU: f64 = 0.04;
    pub(super) const PLATE_OHMS: f64 = 0.08;
    pub(super) const SCREEN_PLATE_OHMS: f64 = 0.3;
    pub(super) const SCREEN_MU: f64 = 0.10;
}

/// What is to be solved: how unknowns make a law, and their priors.
struct Problem<'a> {
    kind: TubeKind,
    form: LawForm,
    points: &'a [OperatingPoint],
    bias_scale: f64,
    /// Effective drive at the richest point, volts.
    drive: f64,
    largest: f64,
    largest_gm: f64,
    priors: Vec<Prior>,
}

const MOST_STEPS: usize = 40;
/// Share of the largest current under which one tells where the tube is cut off.
const FEW: f64 = 0.05;

/// Fits a law of one form to published points.
///
/// A pentode comes without grid 3 as a port; see [`TubeLaw::with_grid3`].
///
/// # Errors
/// [`FitError`] when the points are too few or not physical.
pub fn fit_points(
    kind: TubeKind,
    points: &[OperatingPoint],
    form: LawForm,
) -> Result<Fit, FitError> {
    check(kind, points)?;
    let problem = Problem::new(kind, points, form).ok_or(FitError::TooLittle)?;
    let law = problem.solve();
    let points = points.iter().map(|point| compare(&law, point)).collect();
    Ok(Fit { law, points })
}

fn check(kind: TubeKind, points: &[OperatingPoint]) -> Result<(), FitError> {
    for point in points {
        let figures = [
            ("plate voltage", Some(point.plate_volts)),
            ("plate current", point.plate_amps),
            ("screen current", point.screen_amps),
            ("cathode current", point.cathode_amps),
            ("ratio of screen to plate current", point.screen_ratio),
            ("transconductance to plate and screen", point.cathode_gm),
            ("transconductance", point.gm),
            ("plate resistance", point.plate_ohms),
            ("mu", point.mu),
        ];
        for (name, value) in figures {
            if value.is_some_and(|v| !(v > 0.0 && v.is_finite())) {
                return Err(FitError::NotPositive(name));
            }
        }
        if kind.has_screen() && !(point.screen_volts > 0.0 && point.screen_volts.is_finite()) {
            return Err(FitError::NoScreenVolts(kind));
        }
        if !(point.grid_volts.is_finite() && point.grid3_volts.is_finite()) {
            return Err(FitError::NotPositive("size of a grid voltage"));
        }
    }
    Ok(())
}

impl<'a> Problem<'a> {
    fn new(kind: TubeKind, points: &'a [OperatingPoint], form: LawForm) -> Option<Self> {
        // The point of the greatest current starts the search, one with a
        // slope (from gm, or from mu over plate resistance) before one without.
        let slope_of = |p: &OperatingPoint, total: f64| {
            p.cathode_gm.or_else(|| {
                let gm = p.gm.or_else(|| Some(p.mu? / p.plate_ohms?))?;
                Some(p.plate_amps.map_or(gm, |plate| gm * total / plate))
            })
        };
        let (at, total, slope) = points
            .iter()
            .filter_map(|p| p.total_amps().map(|total| (p, total, slope_of(p, total))))
            .max_by(|a, b| (a.2.is_some().cmp(&b.2.is_some())).then(a.1.total_cmp(&b.1)))?;
        let collector = if kind.has_screen() {
            at.screen_volts
        } else {
            at.plate_volts
        };
        let exponent = match form {
            LawForm::TwoPitch => 1.5,
            LawForm::Koren => 1.4,
        };
        let mu_hint = points.iter().find_map(|p| {
            p.mu.or_else(|| (!kind.has_screen()).then_some(p.gm? * p.plate_ohms?))
        });
        // I = k E^x and I' = x k E^(x-1) give the drive E, and E the mu; or the other way round.
        let (drive, mu) = match (slope, mu_hint) {
            (Some(slope), Some(mu)) => (exponent * total / slope, mu),
            (Some(slope), None) => {
                let drive = exponent * total / slope;
                (
                    drive,
                    collector / (drive - at.grid_volts - CONTACT).max(0.02 * collector),
                )
            }
            (None, Some(mu)) => (
                f64::max(
                    collector / mu + at.grid_volts + CONTACT,
                    0.05 * collector / mu,
                ),
                mu,
            ),
            (None, None) => return None,
        };
        let bias_scale = collector / mu;
        let currents = points.iter().filter_map(OperatingPoint::total_amps);
        let largest = currents.fold(total, f64::max);
        let largest_gm = points.iter().filter_map(|p| p.gm).fold(0.0, f64::max);
        let start = Start {
            at: *at,
            total,
            mu,
            mu_known: mu_hint.is_some(),
            bias_scale,
            cutoff_known: points
                .iter()
                .any(|p| p.plate_amps.is_some_and(|amps| amps < FEW * largest)),
            ratio: points
                .iter()
                .find_map(|p| {
                    p.screen_ratio
                        .or_else(|| Some(p.screen_amps? / p.plate_amps?))
                })
                .unwrap_or(if kind == TubeKind::Beam { 0.08 } else { 0.3 }),
        };
        let priors = match (form, kind.has_screen()) {
            (LawForm::TwoPitch, _) => start.two_pitch(kind),
            (LawForm::Koren, false) => start.koren_triode(),
            (LawForm::Koren, true) => start.koren_pentode(kind),
        };
        Some(Self {
            kind,
            form,
            points,
            bias_scale,
            drive,
            largest,
            largest_gm,
            priors,
        })
    }

    /// The law of given unknowns. All but the contact potential are logarithms.
    fn law(&self, unknowns: &[f64]) -> TubeLaw {
        let value = |i: usize| unknowns.get(i).copied().unwrap_or(0.0);
        let exp = |i: usize| value(i).exp();
        let share = |i: usize| exp(i) / (1.0 + exp(i));
        let (body, perveance) = match (self.form, self.kind.has_screen()) {
            (LawForm::TwoPitch, screen) => {
                let law = TwoPitchLaw {
                    k: exp(0),
                    contact: value(1),
                    mu: exp(2),
                    width: exp(3),
                    tail: share(4),
                    tail_mu: share(5),
                    per_mu_plate: if screen { exp(6) } else { 0.0 },
                    screen_ratio: if screen { exp(7) } else { 0.0 },
                    knee: knee(self.kind),
                };
                (Body::TwoPitch(law), law.k)
            }
            (LawForm::Koren, false) => {
                let law = KorenTriode {
                    mu: exp(0),
                    x: exp(1),
                    kg1: exp(2),
                    kp: exp(3),
                    kvb: KOREN_KVB,
                    contact: value(4),
                };
                let wider = WiderPitch {
                    share: share(5),
                    mu: share(6),
                };
                (
                    Body::Koren(KorenLaw::Triode(law, wider)),
                    2.0 / law.kg1 * self.drive.powf(law.x - 1.5),
                )
            }
            (LawForm::Koren, true) => {
                let law = KorenPentode {
                    mu: exp(0),
                    x: exp(1),
                    kg1: exp(2),
                    kp: exp(3),
                    kg2: exp(4),
                    kvb: exp(5),
                    turned: KOREN_TURNED,
                    contact: value(6),
                    tail: share(7),
                    tail_mu: share(8),
                };
                let k = std::f64::consts::PI / law.kg1;
                (
                    Body::Koren(KorenLaw::Pentode(law)),
                    k * self.drive.powf(law.x - 1.5),
                )
            }
        };
        TubeLaw::assemble(self.kind, body, perveance, self.bias_scale)
    }

    /// Weighted misfit of every published figure, then of every prior.
    fn residuals(&self, unknowns: &[f64]) -> DVector<f64> {
        let law = self.law(unknowns);
        let mut out = Vec::with_capacity(self.points.len() * 5 + unknowns.len());
        for point in self.points {
            let model = Model::of(&law, point);
            let small = |amps: f64| amps < 0.01 * self.largest;
            let mut add = |model: f64, published: Option<f64>, accuracy: f64| {
                if let Some(published) = published {
                    out.push((model.max(1e-18) / published).ln() / accuracy);
                }
            };
            let current = |amps: Option<f64>, usual: f64| {
                if amps.is_some_and(small) {
                    accuracy::CUTOFF
                } else {
                    usual
                }
            };
            add(
                model.plate,
                point.plate_amps,
                current(point.plate_amps, accuracy::CURRENT),
            );
            add(model.screen, point.screen_amps, accuracy::SCREEN);
            add(
                model.plate + model.screen,
                point.cathode_amps,
                current(point.cathode_amps, accuracy::CURRENT),
            );
            add(
                model.screen / model.plate.max(1e-18),
                point.screen_ratio,
                accuracy::SCREEN,
            );
            add(model.cathode_gm, point.cathode_gm, accuracy::GM);
            let remote = point.gm.is_some_and(|gm| gm < 0.05 * self.largest_gm);
            add(
                model.gm,
                point.gm,
                if remote {
                    accuracy::CUTOFF_GM
                } else {
                    accuracy::GM
                },
            );
            if self.kind.has_screen() {
                add(
                    model.plate_ohms(),
                    point.plate_ohms,
                    accuracy::SCREEN_PLATE_OHMS,
                );
                add(law.amplification_factor(), point.mu, accuracy::SCREEN_MU);
            } else {
                add(model.plate_ohms(), point.plate_ohms, accuracy::PLATE_OHMS);
                add(model.gm * model.plate_ohms(), point.mu, accuracy::MU);
            }
        }
        for (unknown, prior) in unknowns.iter().zip(&self.priors) {
            out.push((unknown - prior.mean) / prior.sigma);
        }
        DVector::from_vec(out)
    }

    /// Levenberg's and Marquardt's damped least squares, from the priors' means.
    fn solve(&self) -> TubeLaw {
        let mut at: Vec<f64> = self.priors.iter().map(|prior| prior.mean).collect();
        let mut residual = self.residuals(&at);
        let mut damping = 1e-2;
        for _ in 0..MOST_STEPS {
            let jacobian = self.jacobian(&at, &residual);
            let gradient = jacobian.tr_mul(&residual);
            let normal = jacobian.tr_mul(&jacobian);
            let mut moved = None;
            while damping < 1e8 {
                let mut damped = normal.clone();
                for i in 0..at.len() {
                    damped[(i, i)] *= 1.0 + damping;
                }
                if let Some(factor) = damped.cholesky() {
                    let step = factor.solve(&gradient);
                    // A step of more than a few e-folds leaves the region where
                    // the Jacobian says anything.
                    let longest = step.amax();
                    let scale = if longest > 2.0 { 2.0 / longest } else { 1.0 };
                    let next: Vec<f64> = at
                        .iter()
                        .zip(step.iter())
                        .map(|(a, s)| a - scale * s)
                        .collect();
                    let next_residual = self.residuals(&next);
                    if next_residual.norm_squared() < residual.norm_squared() {
                        moved = Some((next, next_residual, longest));
                        break;
                    }
                }
                damping *= 5.0;
            }
            let Some((next, next_residual, longest)) = moved else {
                break;
            };
            let gain = 1.0 - next_residual.norm_squared() / residual.norm_squared();
            (at, residual) = (next, next_residual);
            damping = (damping * 0.2).max(1e-9);
            if longest < 1e-6 || gain < 1e-9 {
                break;
            }
        }
        self.law(&at)
    }

    fn jacobian(&self, at: &[f64], residual: &DVector<f64>) -> DMatrix<f64> {
        const STEP: f64 = 1e-6;
        let mut jacobian = DMatrix::zeros(residual.len(), at.len());
        let mut near = at.to_vec();
        for column in 0..at.len() {
            near[column] = at[column] + STEP;
            jacobian.set_column(column, &((self.residuals(&near) - residual) / STEP));
            near[column] = at[column];
        }
        jacobian
    }
}

/// Knee of a plate over the drive as its screen sees it. From memory of
/// published plate families (small pentodes near 0.12 of the screen voltage at
/// zero bias, beam tubes a little more but with a sharper corner).
fn knee(kind: TubeKind) -> f64 {
    match kind {
        TubeKind::Beam => 0.13,
        _ => 0.11,
    }
}

/// Koren's own default for triodes, V².
const KOREN_KVB: f64 = 300.0;
/// See [`KorenPentode::turned`].
const KOREN_TURNED: f64 = 0.5;

/// What a law says at a point.
struct Model {
    plate: f64,
    screen: f64,
    gm: f64,
    cathode_gm: f64,
    plate_siemens: f64,
}

impl Model {
    fn of(law: &TubeLaw, point: &OperatingPoint) -> Self {
        let out = law.currents(&point.volts(), &Condition::default());
        Self {
            plate: out.amps[0],
            screen: out.amps[2],
            gm: out.siemens[0][1],
            cathode_gm: out.siemens[0][1] + out.siemens[2][1],
            plate_siemens: out.siemens[0][0],
        }
    }

    fn plate_ohms(&self) -> f64 {
        1.0 / self.plate_siemens.max(1e-15)
    }
}

fn compare(law: &TubeLaw, point: &OperatingPoint) -> PointFit {
    let model = Model::of(law, point);
    let over = |model: f64, published: Option<f64>| published.map(|p| model / p);
    PointFit {
        plate_amps: over(model.plate, point.plate_amps),
        screen_amps: over(model.screen, point.screen_amps),
        gm: over(model.gm, point.gm),
        plate_ohms: over(model.plate_ohms(), point.plate_ohms),
        mu: if law.kind().has_screen() {
            over(law.amplification_factor(), point.mu)
        } else {
            over(model.gm * model.plate_ohms(), point.mu)
        },
    }
}
