//! From weighed sets to what a person is told.

use std::collections::BTreeMap;

use deadstage_circuit::Scratch;
use deadstage_netlist::{Meter, PartId, PartKind, Readings, Stage};
use deadstage_parts::Mode;

use crate::advice::{Adviser, is_anything_left};
use crate::diagnose::Options;
use crate::error::Error;
use crate::explain::{Explainer, rival};
use crate::failure::{Action, Failure};
use crate::likelihood::{Weights, ln_add, ln_sum};
use crate::model::Wanted;
use crate::next::{self, Looked};
use crate::observe::Observations;
use crate::outcome::{Diagnosis, FaultName, JudgedReading, Prediction, Suspect};
use crate::outlook::failures_of;
use crate::outside::outside;
use crate::reach::{Step, other_settings, read_otherwise, special_steps};
use crate::search::Found;
use crate::sheets::present;
use crate::weigh::{Scales, Weighed};
use crate::wording;

/// Suspects that are told of in full; the rest only by name and probability.
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
    /// Steps that leave the unit as it is.
    pub(crate) steps: Vec<Step>,
    pub(crate) meter: Meter,
    /// Index of the situation that further readings are taken in.
    pub(crate) running: usize,
    pub(crate) observed: &'a Observations,
}

/// Answers by which it is judged whether a reading changes with the setting.
const LEADING: usize = 4;

/// An answer below this share has no say in which tubes to pull.
const SHARE_TO_PULL: f64 = 0.02;

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
        let mut key: Vec<(u32, u8, &'static str)> =
            present(scales.failures, weighed, &weighed.best)
                .map(|(f, _)| (f.part.0, f.section.unwrap_or(0), f.mode.name()))
                .collect();
        // One part may have failed at several times.
        key.sort_unstable();
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
    // Whose every failure has been put right is healthy now.
    let repaired = merged.remove(&Vec::new());
    let ln_healthy = repaired
        .as_ref()
        .map_or(found.ln_healthy, |c| ln_add(c.ln_weight, found.ln_healthy));
    let as_healthy = repaired
        .map(|c| c.best)
        .filter(|w| w.ln_weight > found.ln_healthy);
    let mut list: Vec<Candidate<'_>> = merged.into_values().collect();
    list.sort_by(|a, b| {
        b.ln_weight
            .total_cmp(&a.ln_weight)
            .then_with(|| a.best.set.cmp(&b.best.set))
    });
    let ln_rest = ln_sum(list.iter().map(|c| c.ln_weight).chain([ln_healthy]));
    let outside = outside(scales, ln_rest);
    let ln_unexplained = outside.ln_weight;
    let credence = scales.evidence.credence;
    let ln_total = ln_sum(
        list.iter()
            .map(|c| credence * c.ln_weight)
            .chain([credence * ln_healthy, credence * ln_unexplained]),
    );
    let share = |ln_weight: f64| (credence * ln_weight - ln_total).exp();
    for candidate in &mut list {
        candidate.probability = share(candidate.ln_weight);
    }
    let healthy = share(ln_healthy);
    let asked: Vec<(Option<&Weighed>, f64)> = list
        .iter()
        .take(next::LOOKED_AT)
        .map(|c| (Some(c.best), c.probability))
        .chain([(as_healthy, healthy)])
        .collect();
    let mut situations = reach.observed.situations.clone();
    let plain = reach.steps.len();
    let mut steps = reach.steps.clone();
    steps.extend(special_steps(
        stage,
        reach.observed,
        &mut situations,
        reach.running,
        &reach.meter,
        &parts_in_question(scales, &list),
    ));
    let setting = situations[reach.running].setting;
    let networks = scales.model.networks;
    let changed = scales.model.widened(&situations, &mut Scratch::default());
    let model = changed.as_ref().unwrap_or_else(|_| {
        // A unit that can't be solved with a tube pulled is looked at as it is.
        steps.truncate(plain);
        scales.model
    });
    let mut looked = next::look(scales, model, &steps, &reach.meter, &asked);
    let healthy_outlook = looked.pop().flatten();
    let probabilities: Vec<f64> = list.iter().map(|c| c.probability).collect();
    let group_of = next::groups(&looked, &probabilities, plain);
    let mut suspects: Vec<Suspect> = list
        .iter()
        .take(options.most)
        .enumerate()
        .map(|(rank, candidate)| suspect(stage, scales, candidate, group_of[rank]))
        .collect();
    let slips = explain(scales, &list, ln_healthy, as_healthy, &mut suspects);
    looked.push(healthy_outlook);
    let wider = if stage.settings.len() > 1
        && is_anything_left(&looked.iter().flatten().collect::<Vec<_>>(), &steps)
    {
        let further = other_settings(
            stage,
            &networks.list[0],
            reach.observed,
            &mut situations,
            reach.running,
            &reach.meter,
        );
        let wider = scales.model.widened(&situations, &mut Scratch::default());
        wider
            .ok()
            .filter(|_| !further.is_empty())
            .map(|model| (model, further))
    } else {
        None
    };
    let model = match wider.as_ref() {
        Some((wider, further)) => {
            let leading: Vec<_> = asked
                .iter()
                .take(LEADING)
                .map(|(answer, _)| (answer.map_or(0, |w| w.law), failures_of(scales, *answer)))
                .collect();
            let further = read_otherwise(wider, reach.running, further.clone(), &leading);
            let seen = next::look(scales, wider, &further, &reach.meter, &asked);
            for (own, more) in looked.iter_mut().zip(seen) {
                // What can't be looked at in every setting is not planned for.
                *own = own.take().zip(more).map(|(mut own, more)| {
                    own.outlook.steps.extend(more.outlook.steps);
                    own
                });
            }
            steps.extend(further);
            wider
        }
        None => model,
    };
    let leading: Vec<&Looked<'_>> = looked.iter().flatten().collect();
    let name = |answer: Option<&Weighed>| {
        answer.map_or_else(Vec::new, |w| {
            present(scales.failures, w, &w.best)
                .map(|(failure, u)| fault_name(stage, failure, u))
                .collect()
        })
    };
    let worth = next::worth(&leading, &steps);
    let unexplained = share(ln_unexplained);
    let adviser = Adviser {
        stage,
        scales,
        model,
        steps: &steps,
        meter: &reach.meter,
        running: reach.running,
        setting,
        name: &name,
    };
    let advice = adviser.advise(&leading, &worth, unexplained, &outside.near, options.plan);
    let next = next::proposals(
        &leading,
        &steps,
        &advice.order,
        &worth,
        stage,
        setting,
        &name,
    );
    let rest = list.iter().skip(options.most).map(|c| c.probability).sum();
    let readings = judged(scales, &slips);
    let highest_volts = highest_met(&readings, &suspects, highest_volts);
    Ok(Diagnosis {
        stage: stage.title.clone(),
        sheet: sheets.last().map(|s| s.title.clone()).unwrap_or_default(),
        readings,
        suspects,
        healthy,
        unexplained,
        unexplained_near: outside.near,
        rest,
        next,
        invisible: invisible
            .iter()
            .map(|(part, mode)| format!("{} {mode}", stage.part(*part).name))
            .collect(),
        search: said_of(&found.weighed),
        stop: advice.stop,
        plan: advice.plan,
        highest_volts,
    })
}

/// The highest voltage that a healthy unit has, that was read, or that a suspect gives
/// where it was read: a supply whose load is gone stands above what its print says.
/// A slip counts as well: the caution may err on that side.
fn highest_met(readings: &[JudgedReading], suspects: &[Suspect], healthy: f64) -> f64 {
    let read = readings.iter().map(|r| (r, r.read));
    // What a suspect predicts stands in the order of the readings.
    let given = suspects
        .iter()
        .flat_map(|s| readings.iter().zip(s.predicts.iter().map(|p| p.value)));
    read.chain(given)
        .filter(|(r, _)| r.kind == "volts")
        .map(|(_, volts)| volts.abs())
        .fold(healthy, f64::max)
}

/// How far the search went.
fn said_of(weighed: &[usize]) -> String {
    const OF: [(&str, &str); 4] = [
        ("single failure", "single failures"),
        ("pair", "pairs"),
        ("set of three", "sets of three"),
        ("set of four", "sets of four"),
    ];
    let list: Vec<String> = weighed
        .iter()
        .zip(OF)
        .filter(|(count, _)| **count > 0)
        .map(|(count, (one, several))| {
            format!("{count} {}", if *count == 1 { one } else { several })
        })
        .collect();
    format!(
        "{} were weighed; larger sets were made only of likely smaller ones.",
        list.join(", ")
    )
}

/// Parts of the leading answers, likeliest first, without repeats.
fn parts_in_question(scales: &Scales<'_>, list: &[Candidate<'_>]) -> Vec<PartId> {
    let mut parts = Vec::new();
    for candidate in list
        .iter()
        .filter(|c| c.probability > SHARE_TO_PULL)
        .take(8)
    {
        for (failure, _) in present(scales.failures, candidate.best, &candidate.best.best) {
            let part = failure.part;
            if !parts.contains(&part) {
                parts.push(part);
            }
        }
    }
    parts
}

/// Fills in what is told of the leading suspects; gives the probability of
/// each reading being a slip under the first or, where that is likelier, a
/// healthy unit, with what was wrong `before` it was repaired.
fn explain(
    scales: &Scales<'_>,
    list: &[Candidate<'_>],
    ln_healthy: f64,
    before: Option<&Weighed>,
    suspects: &mut [Suspect],
) -> Vec<f64> {
    let mut scratch = Scratch::default();
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
        _ => explainer.slips(before, &mut scratch),
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
                repairs_since: o.ago,
                times: o.times,
            }
        })
        .collect()
}

fn suspect(stage: &Stage, scales: &Scales<'_>, candidate: &Candidate<'_>, group: usize) -> Suspect {
    let best = candidate.best;
    let faults = present(scales.failures, best, &best.best)
        .map(|(failure, u)| fault_name(stage, failure, u))
        .collect();
    let held = failures_of(scales, Some(best));
    let mut starts = scales.healthy[best.law].starts.clone();
    let predicts = scales
        .model
        .forecast(
            best.law,
            &held,
            scales.observations,
            Wanted::Means,
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
        Action::Ohms(_)
        | Action::Series(_)
        | Action::Filament(..)
        | Action::Shunt(..)
        | Action::Pin(..) => (size, "Ω"),
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
        phrase: failure.phrase(stage),
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

#[cfg(test)]
mod tests {
    use super::said_of;

    #[test]
    fn what_was_weighed_is_counted_in_words() {
        let said = said_of(&[74, 1, 0, 2]);
        assert!(
            said.starts_with("74 single failures, 1 pair, 2 sets of four were"),
            "{said}"
        );
    }
}
