//! The evidence of one set of failures: the probability of the readings with
//! the failures' parameters integrated out, under both tube laws.

mod climb;
mod follow;
mod sets;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;
use std::sync::Arc;

use deadstage_circuit::Scratch;
use deadstage_netlist::PartId;

use crate::casualties;
use crate::evidence_parts::Known;
use crate::failure::Failure;
use crate::likelihood::{Evidence, Weights, ln_sum};
use crate::model::{Forecast, Held, Model, Starts, Wanted};
use crate::observe::Observation;
use climb::Peak;
use deadstage_parts::Mode;
pub(crate) use follow::{Followed, UNREACHED};

/// Failures that move no reading by about this many spreads do not count as failures.
const VISIBLE_SPREADS: f64 = 2.5;

/// A point of the parameter range with its share of the posterior.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Atom {
    /// Parameter.
    pub(crate) u: f64,
    /// Law.
    pub(crate) law: usize,
    /// Logarithm of prior density times likelihood, summed over the atom's stretch.
    pub(crate) ln_weight: f64,
    /// Logarithm of the likelihood there, so far as the failure counts.
    pub(crate) ln_value: f64,
}

/// The atom that fits best, whatever the length of its stretch.
fn best_of(atoms: &[Atom]) -> Option<Atom> {
    atoms
        .iter()
        .copied()
        .reduce(|a, b| if b.ln_value > a.ln_value { b } else { a })
}

/// A set of failures with what the readings say of it.
#[derive(Clone, Debug)]
pub(crate) struct Weighed {
    /// Indices of the failures, ascending.
    pub(crate) set: Vec<usize>,
    /// Logarithm of prior odds times evidence.
    pub(crate) ln_weight: f64,
    /// Logarithm of the evidence alone.
    pub(crate) ln_evidence: f64,
    /// Best parameters, in the order of `set`.
    pub(crate) best: Vec<f64>,
    /// Spread of the parameters about the best, in the order of `set`.
    pub(crate) spread: Vec<f64>,
    /// Law under which the best was found.
    pub(crate) law: usize,
    /// By law, where it fits best, as far as that is kept.
    pub(crate) peaks: Peaks,
}

/// By law, where a set fits best, as far as that is kept.
#[derive(Clone, Debug, Default)]
pub(crate) struct Peaks(Vec<Option<Arc<Peak>>>);

impl Peaks {
    /// The one peak under one law.
    fn one(law: usize, peak: Arc<Peak>) -> Self {
        let mut peaks = vec![None; law];
        peaks.push(Some(peak));
        Self(peaks)
    }

    /// Takes that of one law from others.
    fn take(&mut self, law: usize, others: &Self) {
        self.0.resize(self.0.len().max(law + 1), None);
        self.0[law] = others.of(law);
    }

    fn of(&self, law: usize) -> Option<Arc<Peak>> {
        self.0.get(law).cloned().flatten()
    }
}

/// By point of the range, the shifts of the forecasts against the healthy unit.
pub(crate) type Shifts = Vec<(f64, Vec<f64>)>;

/// What a set of rare failures that fits may be below readings just as forecast (in the logarithm).
const POORLY: f64 = 15.0;

/// Everything that weighing needs.
pub(crate) struct Scales<'a> {
    pub(crate) model: &'a Model<'a>,
    pub(crate) failures: &'a [Failure],
    pub(crate) observations: &'a [Observation],
    pub(crate) evidence: &'a Evidence,
    /// The observations, and behind them probes that are only looked at to see whether a failure shows anywhere.
    pub(crate) watched: &'a [Observation],
    /// What is known of parts by other means than readings.
    pub(crate) known: Known<'a>,
    /// By failure (where worked out), the parts it drives past their rating and how many times.
    pub(crate) overloads: BTreeMap<usize, Vec<(PartId, f64)>>,
    pub(crate) healthy: Vec<Healthy>,
    /// The law that is asked first: what it finds hopeless the others are not asked.
    pub(crate) lead: usize,
}

/// The law asked first is the first of them, unless a healthy unit's readings are likelier under another by more than this (in
/// the logarithm) and there are many: most of those no failure touches, so that the same law will bring most there under any of them.
/// Of a few readings a failure may move all, and which law a healthy unit would follow there is no measure.
const LAWS_APART: f64 = 5.0;

/// The healthy unit under one law.
#[derive(Clone, Debug)]
pub(crate) struct Healthy {
    pub(crate) forecast: Forecast,
    pub(crate) starts: Starts,
    /// By witness, the mean,
    pub(crate) mean: Vec<f64>,
    /// and one standard deviation.
    pub(crate) sigma: Vec<f64>,
    pub(crate) ln_likelihood: f64,
    pub(crate) weights: Arc<Weights>,
}

impl Scales<'_> {
    /// Solves and judges the healthy unit under every law.
    pub(crate) fn weigh_healthy(&mut self, scratch: &mut Scratch) -> Option<()> {
        self.healthy.clear();
        for law in 0..self.model.laws() {
            let mut starts = Starts::new();
            let all = self.watched.len();
            let seen = self
                .model
                .forecast(
                    law,
                    &[],
                    self.watched,
                    Wanted::Columns(all),
                    &mut starts,
                    scratch,
                )
                .ok()?;
            let columns = seen.scatter.columns()?.column_iter().zip(self.watched);
            let sigma = columns.map(|(c, o)| c.norm().hypot(o.sigma)).collect();
            let mean = seen.mean.clone();
            let forecast = seen.first(self.observations.len());
            let weights = Arc::new(Weights::new(&forecast, self.evidence, &[])?);
            let ln_likelihood = weights.ln_likelihood(&forecast.mean, self.evidence);
            self.healthy.push(Healthy {
                forecast,
                starts,
                mean,
                sigma,
                ln_likelihood,
                weights,
            });
        }
        let first = self.healthy[0].ln_likelihood + LAWS_APART;
        let likelier = (1..self.healthy.len())
            .filter(|&law| self.healthy[law].ln_likelihood > first)
            .max_by(|&a, &b| {
                let ln = |law: usize| self.healthy[law].ln_likelihood;
                ln(a).total_cmp(&ln(b)).then(b.cmp(&a))
            });
        let are_many = self.evidence.weighed_jointly().is_some();
        self.lead = likelier.filter(|_| are_many).unwrap_or(0);
        Some(())
    }

    /// All laws, that which is asked first before the others.
    pub(crate) fn laws(&self) -> impl Iterator<Item = usize> + use<> {
        let lead = self.lead;
        let others = (0..self.model.laws()).filter(move |law| *law != lead);
        std::iter::once(lead).chain(others)
    }

    /// Logarithm of the evidence that nothing has failed.
    pub(crate) fn ln_healthy(&self) -> f64 {
        let laws = self.healthy.len() as f64;
        ln_sum(self.healthy.iter().map(|h| h.ln_likelihood)) - laws.ln()
    }

    /// Whether readings this likely (in the logarithm) leave much unexplained,
    /// held against readings that are just as a healthy unit's would be.
    pub(crate) fn fits_poorly(&self, ln_weight: f64) -> bool {
        let Some(healthy) = self.healthy.get(self.lead) else {
            return false;
        };
        let perfect = healthy.weights.ln_at_best();
        ln_weight < perfect - POORLY - 0.5 * self.observations.len() as f64
    }

    /// By point, the spreads by which it is not where a healthy unit has it.
    pub(crate) fn moved(&self, law: usize, mean: &[f64]) -> impl Iterator<Item = f64> {
        let healthy = &self.healthy[law];
        mean.iter()
            .zip(healthy.mean.iter().zip(&healthy.sigma))
            .map(|(m, (healthy, sigma))| ((m - healthy) / sigma).abs())
    }

    /// The answer for one failure from its atoms.
    pub(crate) fn gather(&self, index: usize, mut atoms: Vec<Atom>) -> Option<Weighed> {
        let failure = &self.failures[index];
        if !self.known.is_empty() {
            for atom in &mut atoms {
                let shift = self.known.ln_odds_shift(failure, atom.u, &[]);
                atom.ln_weight += shift;
                atom.ln_value += shift;
            }
        }
        let laws = self.model.laws() as f64;
        let ln_evidence = ln_sum(atoms.iter().map(|a| a.ln_weight)) - laws.ln();
        if !ln_evidence.is_finite() {
            return None;
        }
        let top = best_of(&atoms)?;
        let spread = spread_of(&atoms);
        Some(Weighed {
            set: vec![index],
            ln_weight: ln_evidence + failure.ln_odds,
            ln_evidence,
            best: vec![top.u],
            spread: vec![spread.max(if failure.range.is_open() { 0.02 } else { 0.0 })],
            law: top.law,
            peaks: Peaks::default(),
        })
    }

    /// Logarithm of the prior odds of a set: its members', and where one drives
    /// another's part past its rating, the odds that this made it fail.
    pub(crate) fn ln_prior(&self, set: &[usize]) -> f64 {
        set.iter()
            .map(|&index| {
                let failure = &self.failures[index];
                let worst = set
                    .iter()
                    .filter_map(|cause| self.overloads.get(cause))
                    .flatten()
                    .filter(|(part, _)| *part == failure.part)
                    .map(|(_, ratio)| *ratio)
                    .fold(0.0, f64::max);
                failure.ln_odds.max(ln_casualty(failure, worst))
            })
            .sum()
    }

    /// Logarithm of what is known by other means, under a set against the healthy unit.
    fn ln_known(&self, answer: &Weighed) -> f64 {
        let held: Vec<Held<'_>> = answer
            .set
            .iter()
            .zip(&answer.best)
            .map(|(&i, &u)| (&self.failures[i], u))
            .collect();
        let overloaded: Vec<(PartId, f64)> = answer
            .set
            .iter()
            .filter_map(|i| self.overloads.get(i))
            .flatten()
            .copied()
            .collect();
        self.known.ln_set_shift(&held, &overloaded) - self.known.ln_healthy_shift()
    }

    /// Works out which parts these answers drive past their rating.
    pub(crate) fn find_overloads(&mut self, answers: &[Weighed]) {
        let Some(situation) = casualties::running(self.model) else {
            return;
        };
        let mut scratch = Scratch::default();
        for answer in answers {
            if let ([index], [u]) = (answer.set.as_slice(), answer.best.as_slice()) {
                let held = [(&self.failures[*index], *u)];
                let starts = &self.healthy[answer.law].starts;
                let found = casualties::overloads(
                    self.model,
                    answer.law,
                    situation,
                    &held,
                    starts,
                    &mut scratch,
                );
                self.overloads.insert(*index, found);
            }
        }
    }
}

/// Spread of a size by its atoms.
fn spread_of(atoms: &[Atom]) -> f64 {
    let heaviest = atoms
        .iter()
        .map(|a| a.ln_weight)
        .fold(f64::NEG_INFINITY, f64::max);
    let (mut total, mut mean, mut square) = (0.0, 0.0, 0.0);
    for atom in atoms {
        let p = (atom.ln_weight - heaviest).exp();
        total += p;
        mean += p * atom.u;
        square += p * atom.u * atom.u;
    }
    mean /= total;
    (square / total - mean * mean).max(0.0).sqrt()
}

/// Probability that a part driven this many times past its rating has failed of
/// it, by the time the unit is on the bench, and the share of the modes in
/// which overloaded parts end (common practice, no source).
fn ln_casualty(failure: &Failure, ratio: f64) -> f64 {
    if ratio <= 1.0 {
        return f64::NEG_INFINITY;
    }
    let share = match failure.mode {
        Mode::Open | Mode::Dead => 0.5,
        Mode::High | Mode::Weak | Mode::Short => 0.25,
        _ => return f64::NEG_INFINITY,
    };
    let p = 0.5 * ((ratio - 1.0) / 2.0).min(1.0) * share;
    (p / (1.0 - p)).ln()
}

/// Logarithm of how far a shift of so many spreads counts as a failure.
pub(crate) fn ln_counts(spreads: f64) -> f64 {
    let ratio = (spreads / VISIBLE_SPREADS).powi(4);
    (ratio / (1.0 + ratio)).max(1e-12).ln()
}
