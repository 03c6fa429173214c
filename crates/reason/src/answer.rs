//! From weighed sets to what a person is told.

use std::collections::BTreeMap;

use deadstage_netlist::{Meter, PartId, PartKind, Readings, SettingId, Stage};
use deadstage_parts::Mode;

use crate::diagnose::Options;
use crate::error::Error;
use crate::explain::{Explainer, rival};
use crate::failure::{Action, Failure};
use crate::likelihood::{Weights, ln_add, ln_sum};
use crate::next::{self, Looked};
use crate::outcome::{Diagnosis, FaultName, JudgedReading, Prediction, Suspect};
use crate::reach::Step;
use crate::search::Found;
use crate::weigh::{Scales, Weighed};
use crate::wording;

/// Prior odds that something is wrong that is not in the netlist.
const UNEXPLAINED_ODDS: f64 = 0.02;

/// Of such a thing, the probability that it moves any one reading.
const UNEXPLAINED_MOVES: f64 = 0.35;

/// Suspects that are explained; the rest are only listed.
const EXPLAINED: usize = 8;

/// One answer: weighed sets that a person would call by the same names.
pub(crate) struct Candidate<'a> {
    pub(crate) ln_weight: f64,
    /// The likeliest of them.
    pub(crate) best: &'a Weighed,
    pub(crate) probability: f64,
}

/// What can still be measured.
pub(crate) struct Reach<'a> {
    pub(crate) steps: &'a [Step],
    pub(crate) meter: Meter,
    pub(crate) setting: Option<SettingId>,
}

#[allow(clippy::too_many_arguments, reason = "everything an answer is made of")]
pub(crate) fn compose(
    stage: &Stage,
    sheets: &[Readings],
    options: &Options,
    scales: &Scales<'_>,
    found: &Found,
    invisible: &[(PartId, &'static str)],
    reach: &Reach<'_>,
    highest_volts: f64,
) -> Result<Diagnosis, Error> {
    let mut merged: BTreeMap<Vec<(u32, u8, &'static str)>, Candidate<'_>> = BTreeMap::new();
    for weighed in &found.sets {
        let key: Vec<(u32, u8, &'static str)> = weighed
            .set
            .iter()
            .map(|&i| {
                let f = &scales.failures[i];
                (f.part.0, f.section.unwrap_or(0), f.mode.name())
            })
            .collect();
        merged
            .entry(key)
            .and_modify(|c| {
                c.ln_weight = ln_add(c.ln_weight, weighed.ln_weight);
                if weighed.ln_weight > c.best.ln_weight {
                    c.best = weighed;
                }
            })
            .or_insert(Candidate {
                ln_weight: weighed.ln_weight,
                best: weighed,
                probability: 0.0,
            });
    }
    let mut list: Vec<Candidate<'_>> = merged.into_values().collect();
    list.sort_by(|a, b| {
        b.ln_weight
            .total_cmp(&a.ln_weight)
            .then_with(|| a.best.set.cmp(&b.best.set))
    });
    let ln_unexplained = UNEXPLAINED_ODDS.ln() + ln_displaced(scales);
    let ln_total = ln_sum(
        list.iter()
            .map(|c| c.ln_weight)
            .chain([found.ln_healthy, ln_unexplained]),
    );
    for candidate in &mut list {
        candidate.probability = (candidate.ln_weight - ln_total).exp();
    }
    let healthy = (found.ln_healthy - ln_total).exp();
    let asked: Vec<(Option<&Weighed>, f64)> = list
        .iter()
        .take(next::LOOKED_AT)
        .map(|c| (Some(c.best), c.probability))
        .chain([(None, healthy)])
        .collect();
    let mut looked = next::look(scales, scales.model, reach.steps, &reach.meter, &asked);
    let healthy_outlook = looked.pop().flatten();
    let probabilities: Vec<f64> = list.iter().map(|c| c.probability).collect();
    let group_of = next::groups(&looked, &probabilities);
    let mut suspects: Vec<Suspect> = list
        .iter()
        .take(options.most)
        .enumerate()
        .map(|(rank, candidate)| suspect(stage, scales, candidate, group_of[rank]))
        .collect();
    let slips = explain(scales, &list, found.ln_healthy, &mut suspects);
    let leading: Vec<&Looked<'_>> = looked.iter().flatten().chain(&healthy_outlook).collect();
    let name = |answer: Option<&Weighed>| {
        answer.map_or_else(Vec::new, |w| {
            w.set
                .iter()
                .zip(&w.best)
                .map(|(&i, &u)| fault_name(stage, &scales.failures[i], u))
                .collect()
        })
    };
    let next = next::proposals(&leading, reach.steps, &stage.settings, reach.setting, &name);
    let rest = list.iter().skip(options.most).map(|c| c.probability).sum();
    Ok(Diagnosis {
        stage: stage.title.clone(),
        sheet: sheets.last().map(|s| s.title.clone()).unwrap_or_default(),
        readings: judged(scales, &slips),
        suspects,
        healthy,
        unexplained: (ln_unexplained - ln_total).exp(),
        unexplained_near: Vec::new(),
        rest,
        next,
        invisible: invisible
            .iter()
            .map(|(part, mode)| format!("{} {mode}", stage.part(*part).name))
            .collect(),
        search: format!("sets weighed by size: {:?}", found.weighed),
        stop: None,
        highest_volts,
    })
}

/// Evidence of something outside the netlist: any readings may be anywhere,
/// the others are a healthy unit's.
fn ln_displaced(scales: &Scales<'_>) -> f64 {
    let mut best = f64::NEG_INFINITY;
    for healthy in &scales.healthy {
        let Some(weights) = Weights::new(&healthy.forecast, scales.evidence, &[]) else {
            continue;
        };
        best = ln_add(
            best,
            weights.ln_displaced(&healthy.forecast.mean, scales.evidence, UNEXPLAINED_MOVES),
        );
    }
    best - (scales.healthy.len() as f64).ln()
}

/// Fills in what is told of the leading suspects; gives the probability of
/// each reading being a slip under the first, none where a healthy unit is likelier.
fn explain(
    scales: &Scales<'_>,
    list: &[Candidate<'_>],
    ln_healthy: f64,
    suspects: &mut [Suspect],
) -> Vec<f64> {
    let mut scratch = deadstage_circuit::Scratch::default();
    let explainer = Explainer::new(scales, &mut scratch);
    let sets: Vec<&Weighed> = list.iter().map(|c| c.best).collect();
    for (rank, suspect) in suspects.iter_mut().take(EXPLAINED).enumerate() {
        let told = explainer.explain(sets[rank], rival(&sets, rank), &mut scratch);
        suspect.why = told.why;
        suspect.confirm = told.confirm;
        suspect.casualties = told.casualties;
    }
    match list.first() {
        Some(top) if top.ln_weight > ln_healthy => explainer.slips(Some(top.best), &mut scratch),
        _ => explainer.slips(None, &mut scratch),
    }
}

/// What each reading should have been; `slips` by reading, zero where it is short.
pub(crate) fn judged(scales: &Scales<'_>, slips: &[f64]) -> Vec<JudgedReading> {
    let healthy = &scales.healthy[0];
    let weights = Weights::new(&healthy.forecast, scales.evidence, &[]);
    scales
        .observations
        .iter()
        .enumerate()
        .map(|(index, o)| {
            let sigma = weights.as_ref().map_or(o.sigma, |w| w.sigma[index]);
            let mean = healthy.forecast.mean[index];
            let (value, sigma) = match o.scale {
                crate::observe::Scale::Plain => (mean, sigma),
                crate::observe::Scale::Log => (mean.exp(), mean.exp() * sigma),
            };
            JudgedReading {
                point: o.label.clone(),
                kind: o.kind,
                with: wording::with(
                    scales.model.stage,
                    scales.model.bases[0][o.situation].situation(),
                ),
                read: o.read,
                bound: o.bound,
                unit: wording::unit_of(scales.model.stage, o).to_owned(),
                healthy: value,
                healthy_sigma: sigma,
                slip: slips.get(index).copied().unwrap_or(0.0),
                range_assumed: o.range_assumed,
            }
        })
        .collect()
}

fn suspect(stage: &Stage, scales: &Scales<'_>, candidate: &Candidate<'_>, group: usize) -> Suspect {
    let best = candidate.best;
    let faults = best
        .set
        .iter()
        .zip(&best.best)
        .map(|(&i, &u)| fault_name(stage, &scales.failures[i], u))
        .collect();
    let held: Vec<_> = best
        .set
        .iter()
        .zip(&best.best)
        .map(|(&i, &u)| (&scales.failures[i], u))
        .collect();
    let mut starts = scales.healthy[best.law].starts.clone();
    let predicts = scales
        .model
        .forecast(
            best.law,
            &held,
            scales.observations,
            0,
            &mut starts,
            &mut Default::default(),
        )
        .map(|forecast| {
            forecast
                .mean
                .iter()
                .zip(scales.observations)
                .map(|(m, o)| Prediction {
                    point: o.label.clone(),
                    value: match o.scale {
                        crate::observe::Scale::Plain => *m,
                        crate::observe::Scale::Log => m.exp(),
                    },
                })
                .collect()
        })
        .unwrap_or_default();
    Suspect {
        faults,
        probability: candidate.probability,
        group,
        predicts,
        why: String::new(),
        confirm: String::new(),
        casualties: Vec::new(),
    }
}

/// A failure as shown, its size in SI units.
pub(crate) fn fault_name(stage: &Stage, failure: &Failure, u: f64) -> FaultName {
    let part = stage.part(failure.part);
    let size = failure.range.is_open().then(|| failure.range.value(u));
    let (value, unit) = match failure.action {
        // How open is open says nothing to anyone.
        _ if failure.mode == Mode::Open => (None, ""),
        Action::Absent(_) | Action::FixedPerveance(..) => (None, ""),
        Action::Ohms(_) | Action::Series(_) | Action::Shunt(..) | Action::Pin(..) => (size, "Ω"),
        Action::Ratio(_) | Action::SourceRatio(_) => match nominal(&part.kind) {
            Some((print, unit)) => (size.map(|ratio| ratio * print), unit),
            None => (size, ""),
        },
        _ => (size, ""),
    };
    FaultName {
        part: part.name.clone(),
        section: failure.section,
        mode: failure.mode.name(),
        value,
        unit: if value.is_some() { unit } else { "" },
    }
}

/// What the print says a part is, in its SI unit.
fn nominal(kind: &PartKind) -> Option<(f64, &'static str)> {
    match kind {
        PartKind::Resistor { ohms, .. }
        | PartKind::Potentiometer { ohms, .. }
        | PartKind::Choke { ohms, .. }
        | PartKind::Winding { ohms, .. }
        | PartKind::Lamp { ohms, .. }
        | PartKind::Fuse { ohms, .. }
        | PartKind::Link { ohms, .. }
        | PartKind::Thermistor { ohms, .. }
        | PartKind::Relay { ohms, .. }
        | PartKind::Meter { ohms, .. } => Some((ohms.0, "Ω")),
        PartKind::Supply { volts, .. } => Some((volts.0, "V")),
        _ => None,
    }
}
