//! What further measurements would show, under each leading answer, given
//! what has been read: the ground of groups and of the next measurement.

use deadstage_circuit::Scratch;
use deadstage_netlist::Meter;
use nalgebra::{DMatrix, DVector};

use crate::likelihood::{Evidence, cross};
use crate::model::{Held, Model, Wanted};
use crate::observe::{Observation, Scale};
use crate::reach::{Step, meter_sigma};
use crate::weigh::{Scales, Weighed};

/// An ohmmeter shows nothing beyond this, ohms.
const OHMMETER_REACH: f64 = 20e6;

/// Mean and standard deviation of each step's reading, as compared.
#[derive(Clone, Debug)]
pub(crate) struct Outlook {
    pub(crate) steps: Vec<(f64, f64)>,
}

/// Of a few steps, the means and how they go together.
pub(crate) struct JointOutlook {
    pub(crate) mean: Vec<f64>,
    pub(crate) covariance: DMatrix<f64>,
}

/// The readings of every step under one answer, conditioned on what was read:
/// with J_y and J_s the scatters of readings and steps,
/// m = μ_s + J_sᵀJ_y C⁻¹ (y − μ_y).
pub(crate) fn outlook(
    scales: &Scales<'_>,
    model: &Model<'_>,
    steps: &[&Step],
    meter: &Meter,
    answer: Option<&Weighed>,
    scratch: &mut Scratch,
) -> Option<Outlook> {
    let (held, conditioned) = look_at(scales, model, steps, answer, scratch)?;
    let variances = conditioned.variances();
    let steps = steps
        .iter()
        .zip(conditioned.mean.iter().zip(&variances))
        .map(|(step, (mean, variance))| {
            let (mean, shared, own) = as_read(scales, step, meter, &held, *mean, *variance);
            (mean, shared.sqrt().hypot(own))
        })
        .collect();
    Some(Outlook { steps })
}

/// As [`outlook`], with the covariance of the steps: small ones in number, or it is slow.
pub(crate) fn joint_outlook(
    scales: &Scales<'_>,
    model: &Model<'_>,
    steps: &[&Step],
    meter: &Meter,
    answer: Option<&Weighed>,
    scratch: &mut Scratch,
) -> Option<JointOutlook> {
    let (held, conditioned) = look_at(scales, model, steps, answer, scratch)?;
    let mut covariance = conditioned.covariance();
    let mut means = Vec::with_capacity(steps.len());
    for (k, step) in steps.iter().enumerate() {
        let variance = covariance[(k, k)];
        let (mean, shared, own) =
            as_read(scales, step, meter, &held, conditioned.mean[k], variance);
        means.push(mean);
        if shared <= 0.0 {
            // What it shows has nothing to do with the others any more.
            covariance.row_mut(k).fill(0.0);
            covariance.column_mut(k).fill(0.0);
        }
        covariance[(k, k)] = shared + own * own;
    }
    Some(JointOutlook {
        mean: means,
        covariance,
    })
}

/// What a step reads, its variance shared with other readings, and its own spread.
fn as_read(
    scales: &Scales<'_>,
    step: &Step,
    meter: &Meter,
    held: &[Held<'_>],
    mean: f64,
    variance: f64,
) -> (f64, f64, f64) {
    if let ("tester", Some(tube)) = (step.observation.kind, step.observation.panel) {
        let (mean, sigma) = scales.known.tester_forecast(tube, held);
        return (mean, 0.0, sigma);
    }
    let beyond = step.observation.scale == Scale::Log && mean > OHMMETER_REACH.ln();
    if beyond {
        let mean = OHMMETER_REACH.ln();
        return (mean, 0.0, 0.1f64.hypot(meter_sigma(step, meter, mean)));
    }
    (mean, variance.max(0.0), meter_sigma(step, meter, mean))
}

/// The failures of an answer with their likeliest sizes; none of the healthy unit.
pub(crate) fn failures_of<'a>(scales: &Scales<'a>, answer: Option<&Weighed>) -> Vec<Held<'a>> {
    answer.map_or_else(Vec::new, |w| scales.held(&w.set, &w.best))
}

/// Those of an answer's failures that are still present, with their likeliest sizes.
pub(crate) fn present_failures<'a>(scales: &Scales<'a>, answer: Option<&Weighed>) -> Vec<Held<'a>> {
    let mut held = failures_of(scales, answer);
    held.retain(|(failure, _)| failure.stretch.is_now());
    held
}

/// The failures of an answer, and the steps' readings under it given what was read.
fn look_at<'a>(
    scales: &'a Scales<'_>,
    model: &Model<'_>,
    steps: &[&Step],
    answer: Option<&Weighed>,
    scratch: &mut Scratch,
) -> Option<(Vec<Held<'a>>, Conditioned)> {
    let law = answer.map_or(0, |w| w.law);
    let held = failures_of(scales, answer);
    let joined: Vec<Observation> = scales
        .observations
        .iter()
        .cloned()
        .chain(steps.iter().map(|s| s.observation.clone()))
        .collect();
    let read = scales.observations.len();
    let mut starts = Vec::new();
    let forecast = model
        .forecast(
            law,
            &held,
            &joined,
            Wanted::Columns(joined.len()),
            &mut starts,
            scratch,
        )
        .ok()?;
    let mut scatter = forecast.scatter.columns()?.clone();
    // The failures' own parameters are uncertain too.
    for (k, (failure, u)) in held.iter().enumerate() {
        let spread = answer.map_or(0.0, |w| w.spread[k]);
        if spread <= 0.0 {
            continue;
        }
        let step = if u + spread > failure.range.high {
            -spread
        } else {
            spread
        };
        let mut moved = held.clone();
        moved[k].1 = u + step;
        if let Ok(there) = model.forecast(
            law,
            &moved,
            &joined,
            Wanted::Means,
            &mut starts.clone(),
            scratch,
        ) {
            let row = scatter.nrows();
            scatter = scatter.insert_row(row, 0.0);
            for (j, (a, b)) in there.mean.iter().zip(&forecast.mean).enumerate() {
                scatter[(row, j)] = a - b;
            }
        }
    }
    let conditioned = conditioned(scales.evidence, &forecast.mean, &scatter, read)?;
    Some((held, conditioned))
}

/// Readings not taken yet, given those that were.
struct Conditioned {
    mean: Vec<f64>,
    /// By step, its change with one standard deviation of everything that is uncertain.
    scatter: DMatrix<f64>,
    /// L⁻¹ J_yᵀJ_s: what the readings have explained of it.
    explained: DMatrix<f64>,
}

impl Conditioned {
    fn variances(&self) -> Vec<f64> {
        self.scatter
            .column_iter()
            .zip(self.explained.column_iter())
            .map(|(all, explained)| all.norm_squared() - explained.norm_squared())
            .collect()
    }

    fn covariance(&self) -> DMatrix<f64> {
        self.scatter.tr_mul(&self.scatter) - self.explained.tr_mul(&self.explained)
    }
}

/// The steps behind the first `read` forecasts, given the readings.
fn conditioned(
    evidence: &Evidence,
    mean: &[f64],
    scatter: &DMatrix<f64>,
    read: usize,
) -> Option<Conditioned> {
    let total = mean.len();
    let rows = scatter.nrows();
    let of_readings = scatter.columns(0, read);
    let (readings, steps) = scatter.as_slice().split_at(rows * read);
    let mut covariance = cross(readings, readings, rows);
    for i in 0..read {
        covariance[(i, i)] += evidence.noise(i);
    }
    let cholesky = covariance.cholesky()?;
    let between = cross(readings, steps, rows);
    let explained = cholesky.l_dirty().solve_lower_triangular(&between)?;
    let mut residual = DVector::from_iterator(read, (0..read).map(|i| evidence.read[i] - mean[i]));
    // A reading far off this answer is a slip, and must not drag the rest along.
    for i in 0..read {
        let limit = 3.0 * (of_readings.column(i).norm_squared() + evidence.noise(i)).sqrt();
        residual[i] = if evidence.is_exact(i) {
            residual[i].clamp(-limit, limit)
        } else {
            0.0
        };
    }
    let shift = between.tr_mul(&cholesky.solve(&residual));
    Some(Conditioned {
        mean: (0..total - read)
            .map(|j| mean[read + j] + shift[j])
            .collect(),
        scatter: scatter.columns(read, total - read).into_owned(),
        explained,
    })
}

/// Whether two answers would be told apart by one of the first `plain` steps,
/// those that leave the unit as it is.
pub(crate) fn is_told_apart(a: &Outlook, b: &Outlook, plain: usize) -> bool {
    is_told_apart_by(a, b, |step| step < plain)
}

/// Whether two answers would be told apart by one of these steps.
pub(crate) fn is_told_apart_by(a: &Outlook, b: &Outlook, among: impl Fn(usize) -> bool) -> bool {
    a.steps
        .iter()
        .zip(&b.steps)
        .enumerate()
        .any(|(step, ((m1, s1), (m2, s2)))| among(step) && (m1 - m2).abs() > APART * s1.hypot(*s2))
}

/// Spreads by which two forecasts must differ to be told apart by one reading.
const APART: f64 = 2.0;

/// Points of the quadrature over a normal density (Gauss–Hermite, nine points; M. Abramowitz and
/// I. A. Stegun, *Handbook of Mathematical Functions*, 1964, table 25.10): abscissae in standard deviations and weights.
const QUADRATURE: [(f64, f64); 9] = [
    (-4.512_745_863_4, 2.234_584_400_8e-5),
    (-3.205_429_002_9, 2.789_141_321_2e-3),
    (-2.076_847_978_7, 4.991_640_676_5e-2),
    (-1.023_255_663_8, 2.440_975_028_9e-1),
    (0.0, 4.063_492_063_5e-1),
    (1.023_255_663_8, 2.440_975_028_9e-1),
    (2.076_847_978_7, 4.991_640_676_5e-2),
    (3.205_429_002_9, 2.789_141_321_2e-3),
    (4.512_745_863_4, 2.234_584_400_8e-5),
];

/// Information, in bits, that a reading is expected to give about which
/// answer holds: each forecasts it normal with this mean and deviation.
pub(crate) fn bits(forecasts: &[(f64, f64, f64)]) -> f64 {
    let mut information = 0.0;
    for &(p, mean, sigma) in forecasts {
        if p <= 0.0 {
            continue;
        }
        for (x, weight) in QUADRATURE {
            let at = mean + x * sigma;
            let own = density(at, mean, sigma);
            let mixed: f64 = forecasts
                .iter()
                .map(|&(q, m, s)| q * density(at, m, s))
                .sum();
            if mixed > 0.0 && own > 0.0 {
                information += p * weight * (own / mixed).log2();
            }
        }
    }
    information.max(0.0)
}

fn density(x: f64, mean: f64, sigma: f64) -> f64 {
    let z = (x - mean) / sigma;
    // A floor keeps one far reading from counting as certainty: readings slip.
    ((-0.5 * z * z).exp() + 1e-6) / sigma
}
