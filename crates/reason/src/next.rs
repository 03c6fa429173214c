//! Groups of answers that nothing in reach can part, what every further reading is worth, and how it is proposed.

use deadstage_circuit::Scratch;
use deadstage_netlist::{Meter, Stage, engineering};
use rayon::prelude::*;

use crate::model::{Model, Wanted};
use crate::observe::{Observation, Scale};
use crate::outcome::{FaultName, Proposal};
use crate::outlook::{Outlook, bits, failures_of, is_told_apart, outlook};
use crate::reach::{Step, meter_sigma};
use crate::weigh::{Scales, Weighed};
use crate::wording;

/// Answers that are looked at closely.
pub(crate) const LOOKED_AT: usize = 16;

/// Less than this an answer's share is not looked at.
const LEAST_SHARE: f64 = 1e-3;

/// Steps that are looked at closely in a unit of many readings, at most ...
const MOST_STEPS: usize = 80;

/// ... and those on which no two answers differ by so many of the meter's spreads are not.
const LEAST_TOLD: f64 = 0.3;

/// Proposals below this are not worth the walk to the bench, bits.
const LEAST_BITS: f64 = 0.01;

/// Proposals made.
const MOST_PROPOSALS: usize = 8;

/// One answer with its share and its outlook.
pub(crate) struct Looked<'a> {
    /// `None` is the healthy unit.
    pub(crate) answer: Option<&'a Weighed>,
    pub(crate) probability: f64,
    pub(crate) outlook: Outlook,
}

/// Looks at the leading answers, healthy among them.
pub(crate) fn look<'a>(
    scales: &Scales<'_>,
    model: &Model<'_>,
    steps: &[Step],
    meter: &Meter,
    answers: &[(Option<&'a Weighed>, f64)],
) -> Vec<Option<Looked<'a>>> {
    let all: Vec<&Step> = steps.iter().collect();
    let telling = scales
        .model
        .joint
        .map(|_| telling(scales, model, steps, meter, answers));
    let steps: Vec<&Step> = match &telling {
        Some(telling) => telling.steps.iter().map(|&index| all[index]).collect(),
        None => all,
    };
    answers
        .par_iter()
        .map_init(Scratch::default, |scratch, &(answer, probability)| {
            if probability < LEAST_SHARE {
                return None;
            }
            let mut outlook = outlook(scales, model, &steps, meter, answer, scratch)?;
            if let Some(telling) = &telling {
                outlook = telling.with(outlook);
            }
            Some(Looked {
                answer,
                probability,
                outlook,
            })
        })
        .collect()
}

/// Of many steps, those of which the answers may forecast different readings.
struct Telling {
    /// Their indices,
    steps: Vec<usize>,
    /// and what every step reads under any of the answers, where they are as one.
    alike: Outlook,
}

impl Telling {
    /// An outlook on the steps that tell, with what the others read.
    fn with(&self, of_telling: Outlook) -> Outlook {
        let mut all = self.alike.clone();
        for (&index, step) in self.steps.iter().zip(of_telling.steps) {
            all.steps[index] = step;
        }
        all
    }
}

/// The steps whose forecasts by the answers differ by something that a meter would show, as many as are looked at closely.
fn telling(
    scales: &Scales<'_>,
    model: &Model<'_>,
    steps: &[Step],
    meter: &Meter,
    answers: &[(Option<&Weighed>, f64)],
) -> Telling {
    let bare: Vec<Observation> = steps.iter().map(|step| step.observation.bare()).collect();
    let means: Vec<Vec<f64>> = answers
        .par_iter()
        .map_init(Scratch::default, |scratch, &(answer, probability)| {
            if probability < LEAST_SHARE {
                return None;
            }
            let law = answer.map_or(0, |w| w.law);
            let held = failures_of(scales, answer);
            let starts = &mut Vec::new();
            let found = model.forecast(law, &held, &bare, Wanted::Means, starts, scratch);
            Some(found.ok()?.mean)
        })
        .flatten()
        .collect();
    let mut found: Vec<(f64, usize)> = Vec::new();
    let mut alike = Outlook {
        steps: Vec::with_capacity(steps.len()),
    };
    for (index, step) in steps.iter().enumerate() {
        let ends = means.iter().map(|mean| mean[index]);
        let (low, high) = ends.fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), mean| {
            (low.min(mean), high.max(mean))
        });
        let middle = if means.is_empty() {
            0.0
        } else {
            0.5 * (low + high)
        };
        let sigma = meter_sigma(step, meter, middle).max(f64::MIN_POSITIVE);
        let apart = (high - low) / sigma;
        // What a tester reads has nothing to do with voltages.
        if apart > LEAST_TOLD || step.observation.kind == "tester" {
            found.push((apart, index));
        }
        alike.steps.push((middle, sigma));
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.cmp(&b.1)));
    found.truncate(MOST_STEPS);
    let mut steps: Vec<usize> = found.into_iter().map(|(_, index)| index).collect();
    steps.sort_unstable();
    Telling { steps, alike }
}

/// A group number for each suspect: suspects that no step parts share one.
/// Group 1 has the greatest total.
pub(crate) fn groups(
    suspects: &[Option<Looked<'_>>],
    probabilities: &[f64],
    plain: usize,
) -> Vec<usize> {
    let mut leaders: Vec<usize> = Vec::new();
    let mut member_of = vec![0; probabilities.len()];
    for (index, member) in member_of.iter_mut().enumerate() {
        let own = suspects.get(index).and_then(Option::as_ref);
        let found = own.and_then(|own| {
            leaders.iter().position(|&leader| {
                suspects
                    .get(leader)
                    .and_then(Option::as_ref)
                    .is_some_and(|other| !is_told_apart(&own.outlook, &other.outlook, plain))
            })
        });
        *member = found.unwrap_or_else(|| {
            leaders.push(index);
            leaders.len() - 1
        });
    }
    let mut totals = vec![0.0; leaders.len()];
    for (index, &group) in member_of.iter().enumerate() {
        totals[group] += probabilities[index];
    }
    let mut order: Vec<usize> = (0..leaders.len()).collect();
    order.sort_by(|&a, &b| totals[b].total_cmp(&totals[a]).then(a.cmp(&b)));
    let mut number = vec![0; leaders.len()];
    for (rank, &group) in order.iter().enumerate() {
        number[group] = rank + 1;
    }
    member_of.into_iter().map(|group| number[group]).collect()
}

/// What one step is worth by itself.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Worth {
    pub(crate) index: usize,
    /// Expected information about which failure it is, bits.
    pub(crate) bits: f64,
}

/// The steps that tell something, by expected information for their trouble.
pub(crate) fn worth(looked: &[&Looked<'_>], steps: &[Step]) -> Vec<Worth> {
    let total: f64 = looked.iter().map(|l| l.probability).sum();
    if total <= 0.0 {
        return Vec::new();
    }
    let mut list: Vec<(f64, Worth)> = steps
        .iter()
        .enumerate()
        .map(|(index, step)| {
            let forecasts: Vec<(f64, f64, f64)> = looked
                .iter()
                .map(|l| {
                    let (mean, sigma) = l.outlook.steps[index];
                    (l.probability / total, mean, sigma)
                })
                .collect();
            let bits = bits(&forecasts) * total;
            (bits / step.effort(), Worth { index, bits })
        })
        .filter(|(_, worth)| worth.bits > LEAST_BITS)
        .collect();
    list.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.1.index.cmp(&b.1.index)));
    list.into_iter().map(|(_, worth)| worth).collect()
}

/// The measurements worth making, in this `order` of steps.
pub(crate) fn proposals(
    looked: &[&Looked<'_>],
    steps: &[Step],
    order: &[usize],
    worth: &[Worth],
    stage: &Stage,
    current_setting: Option<deadstage_netlist::SettingId>,
    name: &dyn Fn(Option<&Weighed>) -> Vec<FaultName>,
) -> Vec<Proposal> {
    order
        .iter()
        .filter_map(|&index| {
            let own = worth.iter().find(|w| w.index == index)?;
            let step = &steps[index];
            Some(Proposal {
                point: step.observation.label.clone(),
                kind: step.observation.kind,
                with: step.with.clone(),
                setting: step
                    .setting
                    .filter(|_| step.setting != current_setting)
                    .and_then(|s| stage.settings.get(s.0 as usize).cloned()),
                bits: own.bits,
                why: what_to_expect(looked, stage, step, index, name),
            })
        })
        .take(MOST_PROPOSALS)
        .collect()
}

/// Spreads between two readings that a technician is told to tell apart ...
const APART: f64 = 2.0;

/// ... and where none are so far from the likeliest, those of the one that stands beside it,
/// for a single figure tells nothing.
const LEAST_APART: f64 = 0.5;

/// Readings given as examples.
const MOST_EXAMPLES: usize = 3;

/// "if R3 is open about 0 V; if V1 is weak about 210 V".
fn what_to_expect(
    looked: &[&Looked<'_>],
    stage: &Stage,
    step: &Step,
    index: usize,
    name: &dyn Fn(Option<&Weighed>) -> Vec<FaultName>,
) -> String {
    let mut order: Vec<&Looked<'_>> = looked.to_vec();
    order.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let apart = |a: &Looked<'_>, b: &Looked<'_>| {
        let ((m, s), (mean, sigma)) = (a.outlook.steps[index], b.outlook.steps[index]);
        (m - mean).abs() / s.hypot(sigma)
    };
    let mut examples: Vec<&Looked<'_>> = Vec::new();
    for least in [APART, LEAST_APART] {
        // One example for each distinguishable reading is enough.
        for &l in &order {
            if examples.len() < MOST_EXAMPLES && examples.iter().all(|e| apart(e, l) >= least) {
                examples.push(l);
            }
        }
        if examples.len() > 1 {
            break;
        }
    }
    let said = examples.iter().map(|l| {
        let faults = name(l.answer);
        let subject = if faults.is_empty() {
            "nothing has failed".to_owned()
        } else {
            let list: Vec<String> = faults
                .iter()
                .map(|f| format!("{} is {}", f.part, phrase(f.mode)))
                .collect();
            list.join(" and ")
        };
        let (mean, _) = l.outlook.steps[index];
        format!("if {subject} about {}", shown(stage, step, mean))
    });
    said.collect::<Vec<_>>().join("; ")
}

/// A mode as it follows "is".
pub(crate) fn phrase(mode: &str) -> String {
    match mode {
        "short" => "shorted".to_owned(),
        "heater-cathode leak" => "leaking from heater to cathode".to_owned(),
        "grid-cathode short" => "shorted from grid to cathode".to_owned(),
        "poor contact" => "making poor contact".to_owned(),
        other => other.to_owned(),
    }
}

/// A forecast in the units of its step.
fn shown(stage: &Stage, step: &Step, compared: f64) -> String {
    match (step.observation.scale, step.observation.kind) {
        (Scale::Log, _) if compared >= 19e6f64.ln() => "no reading (beyond 20 MΩ)".to_owned(),
        (Scale::Log, _) => engineering(compared.exp(), "Ω"),
        (_, "volts") => engineering(round(compared), "V"),
        (_, "amps") => engineering(compared, "A"),
        (_, "tester") => format!("{:.0} %", compared.max(0.0)),
        _ => wording::compared(stage, &step.observation, compared),
    }
}

/// Millivolts are no one's concern in a forecast.
fn round(volts: f64) -> f64 {
    if volts.abs() < 0.005 { 0.0 } else { volts }
}
