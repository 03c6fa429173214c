//! Advice on small units: when to go on, what with, and when to stop.

use crate::outcome::{Diagnosis, PlanNode, PlanThen};
use crate::test_bench::{OUTPUT, TRIODE, sheet, stage};
use crate::{Options, diagnose};

fn answer(text: &str, lines: &str) -> Diagnosis {
    let stage = stage(text);
    let options = Options {
        plan: true,
        ..Options::default()
    };
    diagnose(&stage, &[sheet(&stage, lines)], &options).expect("the stage solves")
}

/// The cathode at its volts, the plate at B+: little else than an open load or a dead tube reads otherwise.
const CATHODE_OPEN: &str =
    "volts plate 249V\nvolts cathode 2.7V\nvolts bplus 250V\nvolts grid 0V\nohms across R2 > 20M";

/// Excess current: the grid's, the cathode's or the tube's fault.
const TOO_HOT: &str = "volts cathode 20V\nvolts plate 240V";

fn check(node: &PlanNode, depth: usize) {
    assert!(depth <= super::DEPTH);
    let total: f64 = node.held.iter().map(|h| h.probability).sum();
    assert!(total <= 1.0 + 1e-9 && total > 0.5, "{total}");
    assert!(
        node.held
            .windows(2)
            .all(|w| w[0].probability >= w[1].probability)
    );
    match &node.then {
        PlanThen::Open => {}
        PlanThen::Act { said, right } => {
            assert!(
                said.ends_with('.') && *right > 0.0 && *right <= 1.0,
                "{said}"
            );
        }
        PlanThen::Measure { step, branches } => {
            assert!(step.effort > 0.0 && branches.len() > 1, "{step:?}");
            let sum: f64 = branches.iter().map(|b| b.probability).sum();
            assert!((sum - 1.0).abs() < 1e-6, "{sum}");
            assert_eq!(branches.first().and_then(|b| b.from), None);
            assert_eq!(branches.last().and_then(|b| b.to), None);
            for pair in branches.windows(2) {
                assert_eq!(pair[0].to, pair[1].from, "the ranges join");
                assert!(pair[0].from.is_none_or(|from| Some(from) < pair[0].to));
            }
            for branch in branches {
                check(&branch.node, depth + 1);
            }
        }
    }
}

fn first_step(found: &Diagnosis) -> (&str, &str, Option<&str>) {
    let root = &found.plan.as_ref().expect("a plan was asked for").root;
    match &root.then {
        PlanThen::Measure { step, .. } => (step.kind, step.point.as_str(), step.with.as_deref()),
        other => panic!("nothing to measure: {other:?}"),
    }
}

#[test]
fn where_one_part_is_sure_it_is_to_be_replaced() {
    let found = answer(TRIODE, CATHODE_OPEN);
    assert_eq!(
        found.stop.as_deref(),
        Some("Stop: replace R2 and measure again.")
    );
    let root = &found.plan.as_ref().expect("a plan was asked for").root;
    assert!(
        matches!(&root.then, PlanThen::Act { right, .. } if *right > 0.9),
        "{root:?}"
    );
}

#[test]
fn where_several_are_in_question_a_plan_leads_on() {
    let found = answer(OUTPUT, TOO_HOT);
    assert_eq!(found.stop, None);
    let plan = found.plan.as_ref().expect("a plan was asked for");
    check(&plan.root, 0);
    // All but the doubt that it is something outside the netlist, which a plan can't measure.
    let most = 1.0 - found.unexplained;
    assert!(
        plan.covers > 0.9 * most && plan.covers <= most + 1e-9,
        "{} of {most}",
        plan.covers
    );
    assert!(plan.effort >= 1.0 && plan.in_vain > 0.0, "{plan:?}");
    // The grid tells a leak or gas from a cathode resistor; it is also the first of the proposals.
    assert_eq!(first_step(&found), ("volts", "grid", None));
    let next = &found.next[0];
    assert_eq!((next.kind, next.point.as_str()), ("volts", "grid"));
    assert!(next.bits > 0.5, "{}", next.bits);
    // A plan costs nothing of the answer.
    let without = diagnose(
        &stage(OUTPUT),
        &[sheet(&stage(OUTPUT), TOO_HOT)],
        &Options::default(),
    )
    .expect("the stage solves");
    assert_eq!(without.plan, None);
    assert_eq!(without.next, found.next);
}

#[test]
fn a_place_hard_to_get_at_comes_later() {
    let points = "testpoint plate\ntestpoint cathode\ntestpoint bplus\ntestpoint driver\n";
    let rank = |access: &str| {
        let found = answer(
            &format!("{OUTPUT}{points}testpoint grid{access}\n"),
            TOO_HOT,
        );
        let at = found
            .next
            .iter()
            .position(|p| p.kind == "volts" && p.point == "grid" && p.with.is_none());
        at.unwrap_or(usize::MAX)
    };
    assert_eq!(rank(""), 0);
    assert!(rank(" hazard") > 0);
}

/// The driver is fed in one setting only: with it off, what a leak brings to the grid goes.
#[test]
fn another_setting_is_proposed_where_this_one_leaves_two_together() {
    let switched = OUTPUT.replace(
        "capacitor C1 20n 400V paper from driver to grid",
        "settings play standby\nswitch S1 from driver to drive closed in play\nresistor R9 1M from drive to chassis\ncapacitor C1 20n 400V paper from drive to grid",
    );
    let points = "testpoint grid\ntestpoint cathode\ntestpoint plate\n";
    let lines = "setting play\nvolts grid 2.6V\nvolts cathode 14.2V\nvolts plate 246V";
    let found = answer(&format!("{switched}{points}"), lines);
    let names: Vec<_> = found
        .suspects
        .iter()
        .take(2)
        .map(|s| s.faults[0].part.as_str())
        .collect();
    assert!(names.contains(&"C1") && names.contains(&"V1"), "{names:?}");
    let elsewhere: Vec<_> = found
        .next
        .iter()
        .filter(|p| p.setting.as_deref() == Some("standby"))
        .collect();
    let grid = elsewhere.iter().find(|p| p.point == "grid");
    assert!(
        grid.is_some_and(|p| p.kind == "volts" && p.bits > 0.1),
        "{:#?}",
        found.next
    );
    // Less trouble than pulling the tube, which tells the same.
    assert_eq!(found.next[0].setting.as_deref(), Some("standby"));
}

#[test]
fn a_healthy_unit_with_everything_read_is_let_go_and_one_hardly_read_is_not() {
    let all = "volts plate 166V\nvolts cathode 1.26V\nvolts bplus 250V\nvolts grid 0V\nohms across R2 1.5k\nohms across R3 100k\nohms across R1 1M\nvolts out 0V\nohms across R4 470k";
    let found = answer(TRIODE, all);
    assert!(found.healthy > 0.9, "{}", found.healthy);
    assert!(
        found
            .stop
            .as_deref()
            .is_some_and(|s| s.contains("nothing here speaks of a failure")),
        "{:?}",
        found.stop
    );
    let found = answer(TRIODE, "volts bplus 250V");
    assert_eq!(found.stop, None);
    assert!(!found.next.is_empty());
}

#[test]
fn what_no_part_explains_sends_one_to_the_wiring() {
    let found = answer(
        TRIODE,
        "volts bplus 250V\nvolts plate 30V\nvolts cathode 1.26V\nvolts grid 7V\nvolts out 60V\nohms across R3 100k\nohms across R2 1.5k",
    );
    assert!(found.unexplained > super::OUTSIDE, "{}", found.unexplained);
    assert!(
        found
            .stop
            .as_deref()
            .is_some_and(|s| s.contains("wiring") && s.contains("print")),
        "{:?}",
        found.stop
    );
}
