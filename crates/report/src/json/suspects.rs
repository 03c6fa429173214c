//! `deadstage.suspects/1`.

use super::document;
use super::plan::{self, PlanEntry};
use crate::numbers::{probability, rounded};
use deadstage_netlist::Bound;
use deadstage_reason::{Diagnosis, FaultName, JudgedReading, Proposal, Suspect};
use serde::Serialize;

#[derive(Serialize)]
struct Document<'a> {
    schema: &'static str,
    stage: &'a str,
    sheet: &'a str,
    readings: Vec<Reading<'a>>,
    suspects: Vec<SuspectEntry<'a>>,
    healthy: f64,
    unexplained: f64,
    unexplained_near: &'a [String],
    rest: f64,
    next: Vec<Next<'a>>,
    invisible: &'a [String],
    search: &'a str,
    stop: Option<&'a str>,
    #[serde(skip_serializing_if = "Option::is_none")]
    plan: Option<PlanEntry<'a>>,
    highest_volts: Option<f64>,
}

#[derive(Serialize)]
struct Reading<'a> {
    point: &'a str,
    kind: &'static str,
    with: Option<&'a str>,
    read: Option<f64>,
    bound: Option<&'static str>,
    unit: &'a str,
    healthy: Option<f64>,
    healthy_sigma: Option<f64>,
    slip: f64,
    range_assumed: Option<f64>,
    /// There only on what was read before a repair.
    #[serde(skip_serializing_if = "Option::is_none")]
    repairs_since: Option<usize>,
    /// There only where it was taken more than once: what is read is the mean.
    #[serde(skip_serializing_if = "Option::is_none")]
    times: Option<usize>,
}

#[derive(Serialize)]
struct SuspectEntry<'a> {
    faults: Vec<Fault<'a>>,
    probability: f64,
    group: usize,
    predicts: Vec<Predicted<'a>>,
    why: &'a str,
    confirm: &'a str,
    casualties: &'a [String],
}

#[derive(Serialize)]
pub(super) struct Fault<'a> {
    part: &'a str,
    #[serde(skip_serializing_if = "Option::is_none")]
    section: Option<u8>,
    mode: &'static str,
    value: Option<f64>,
}

#[derive(Serialize)]
struct Predicted<'a> {
    point: &'a str,
    value: Option<f64>,
}

#[derive(Serialize)]
struct Next<'a> {
    kind: &'static str,
    point: &'a str,
    with: Option<&'a str>,
    setting: Option<&'a str>,
    bits: Option<f64>,
    why: &'a str,
}

/// The answer to a sheet of readings, every number in its SI unit.
///
/// The probabilities of `suspects`, `healthy`, `unexplained` and `rest` add
/// to one, to nine decimals each.
///
/// # Errors
/// If the document cannot be written as JSON.
pub fn suspects(diagnosis: &Diagnosis) -> Result<String, serde_json::Error> {
    document(&Document {
        schema: "deadstage.suspects/1",
        stage: &diagnosis.stage,
        sheet: &diagnosis.sheet,
        readings: diagnosis.readings.iter().map(reading).collect(),
        suspects: diagnosis.suspects.iter().map(suspect).collect(),
        healthy: probability(diagnosis.healthy),
        unexplained: probability(diagnosis.unexplained),
        unexplained_near: &diagnosis.unexplained_near,
        rest: probability(diagnosis.rest),
        next: diagnosis.next.iter().map(next).collect(),
        invisible: &diagnosis.invisible,
        search: &diagnosis.search,
        stop: diagnosis.stop.as_deref(),
        plan: diagnosis.plan.as_ref().map(plan::entry),
        highest_volts: rounded(diagnosis.highest_volts),
    })
}

fn reading(reading: &JudgedReading) -> Reading<'_> {
    Reading {
        point: &reading.point,
        kind: reading.kind,
        with: reading.with.as_deref(),
        read: rounded(reading.read),
        bound: match reading.bound {
            Bound::Exact => None,
            Bound::Above => Some("above"),
            Bound::Below => Some("below"),
        },
        unit: &reading.unit,
        healthy: rounded(reading.healthy),
        healthy_sigma: rounded(reading.healthy_sigma),
        slip: probability(reading.slip),
        range_assumed: reading.range_assumed.and_then(rounded),
        repairs_since: (reading.repairs_since > 0).then_some(reading.repairs_since),
        times: (reading.times > 1).then_some(reading.times),
    }
}

fn suspect(suspect: &Suspect) -> SuspectEntry<'_> {
    SuspectEntry {
        faults: suspect.faults.iter().map(fault).collect(),
        probability: probability(suspect.probability),
        group: suspect.group,
        predicts: suspect
            .predicts
            .iter()
            .map(|prediction| Predicted {
                point: &prediction.point,
                value: rounded(prediction.value),
            })
            .collect(),
        why: &suspect.why,
        confirm: &suspect.confirm,
        casualties: &suspect.casualties,
    }
}

pub(super) fn fault(fault: &FaultName) -> Fault<'_> {
    Fault {
        part: &fault.part,
        section: fault.section,
        mode: fault.mode,
        value: fault.value.and_then(rounded),
    }
}

fn next(proposal: &Proposal) -> Next<'_> {
    Next {
        kind: proposal.kind,
        point: &proposal.point,
        with: proposal.with.as_deref(),
        setting: proposal.setting.as_deref(),
        bits: rounded(proposal.bits),
        why: &proposal.why,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;
    use serde_json::{Value, json};

    fn sample() -> Result<Value, serde_json::Error> {
        serde_json::from_str(&suspects(&samples::diagnosis())?)
    }

    #[test]
    fn the_documented_keys_are_there() -> Result<(), serde_json::Error> {
        let found = sample()?;
        assert_eq!(found["schema"], "deadstage.suspects/1");
        assert_eq!(found["stage"], "Phono preamplifier");
        for key in ["healthy", "unexplained", "rest"] {
            assert!(found[key].is_number(), "{key}");
        }
        assert_eq!(
            found["suspects"][0]["faults"],
            json!([{"part": "R2", "mode": "open", "value": null}])
        );
        for key in [
            "probability",
            "group",
            "predicts",
            "why",
            "confirm",
            "casualties",
        ] {
            assert!(!found["suspects"][0][key].is_null(), "{key}");
        }
        assert_eq!(
            found["next"][0],
            json!({"kind": "ohms", "point": "across R2", "with": null, "setting": null,
                   "bits": 0.812_345_7,
                   "why": "If R2 is open no reading, if V1 is dead about 1.5 kΩ."})
        );
        for key in ["point", "kind", "read", "healthy", "healthy_sigma"] {
            assert!(!found["readings"][0][key].is_null(), "{key}");
        }
        Ok(())
    }

    #[test]
    fn probabilities_add_to_one() -> Result<(), serde_json::Error> {
        let found = sample()?;
        let number = |value: &Value| value.as_f64().unwrap_or(f64::NAN);
        let listed: f64 = found["suspects"]
            .as_array()
            .into_iter()
            .flatten()
            .map(|suspect| number(&suspect["probability"]))
            .sum();
        let sum = listed
            + number(&found["healthy"])
            + number(&found["unexplained"])
            + number(&found["rest"]);
        assert!((sum - 1.0).abs() < 1e-6, "{sum}");
        Ok(())
    }

    #[test]
    fn a_plan_is_there_only_if_it_was_made() -> Result<(), serde_json::Error> {
        assert!(sample()?.get("plan").is_none());
        let mut planned = samples::diagnosis();
        planned.plan = Some(samples::plan());
        let found: Value = serde_json::from_str(&suspects(&planned)?)?;
        let plan = &found["plan"];
        assert_eq!(plan["expected_effort"], 2.8);
        assert_eq!(plan["effort"], 2.0);
        assert_eq!(plan["then"], "measure");
        assert_eq!(plan["point"], "across R2");
        assert_eq!(plan["held"][0]["faults"][0]["part"], "R2");
        let low = &plan["branches"][0];
        assert_eq!(low["from"], Value::Null);
        assert_eq!(low["to"], 12_000.0);
        assert_eq!(low["then"], "act");
        assert_eq!(low["act"], "replace V1 and measure again.");
        assert_eq!(plan["branches"][1]["branches"][1]["then"], "ask");
        Ok(())
    }

    #[test]
    fn a_section_is_named_only_where_one_has_failed() -> Result<(), serde_json::Error> {
        let mut sample = samples::diagnosis();
        sample.suspects[0].faults[0].section = Some(2);
        let found: Value = serde_json::from_str(&suspects(&sample)?)?;
        assert_eq!(found["suspects"][0]["faults"][0]["section"], 2);
        assert!(found["suspects"][1]["faults"][0].get("section").is_none());
        Ok(())
    }
}
