//! The key `plan` of `deadstage.suspects/1`, there only if a plan was asked for.

use super::suspects::{Fault, fault};
use crate::numbers::{probability, rounded};
use deadstage_reason::{Plan, PlanNode, PlanThen};
use serde::Serialize;

#[derive(Serialize)]
pub(super) struct PlanEntry<'a> {
    covers: f64,
    expected_effort: Option<f64>,
    expected_in_vain: Option<f64>,
    #[serde(flatten)]
    root: Node<'a>,
}

#[derive(Serialize)]
struct Node<'a> {
    held: Vec<Held<'a>>,
    #[serde(flatten)]
    then: Then<'a>,
}

#[derive(Serialize)]
struct Held<'a> {
    faults: Vec<Fault<'a>>,
    probability: f64,
}

#[derive(Serialize)]
#[serde(tag = "then", rename_all = "lowercase")]
enum Then<'a> {
    Act {
        act: &'a str,
        right: f64,
    },
    Measure {
        kind: &'static str,
        point: &'a str,
        with: Option<&'a str>,
        setting: Option<&'a str>,
        unit: &'a str,
        effort: Option<f64>,
        branches: Vec<Branch<'a>>,
    },
    Ask,
}

#[derive(Serialize)]
struct Branch<'a> {
    from: Option<f64>,
    to: Option<f64>,
    probability: f64,
    #[serde(flatten)]
    node: Node<'a>,
}

/// The plan as it is written.
pub(super) fn entry(plan: &Plan) -> PlanEntry<'_> {
    PlanEntry {
        covers: probability(plan.covers),
        expected_effort: rounded(plan.effort),
        expected_in_vain: rounded(plan.in_vain),
        root: node(&plan.root),
    }
}

fn node(node: &PlanNode) -> Node<'_> {
    Node {
        held: node
            .held
            .iter()
            .map(|answer| Held {
                faults: answer.faults.iter().map(fault).collect(),
                probability: probability(answer.probability),
            })
            .collect(),
        then: match &node.then {
            PlanThen::Open => Then::Ask,
            PlanThen::Act { said, right } => Then::Act {
                act: said,
                right: probability(*right),
            },
            PlanThen::Measure { step, branches } => Then::Measure {
                kind: step.kind,
                point: &step.point,
                with: step.with.as_deref(),
                setting: step.setting.as_deref(),
                unit: &step.unit,
                effort: rounded(step.effort),
                branches: branches
                    .iter()
                    .map(|branch| Branch {
                        from: branch.from.and_then(rounded),
                        to: branch.to.and_then(rounded),
                        probability: probability(branch.probability),
                        node: self::node(&branch.node),
                    })
                    .collect(),
            },
        },
    }
}
