use deadstage_circuit::Network;
use deadstage_netlist::Look;
use deadstage_parts::{LawForm, PartClass};

use super::looks::{BASES, LOOKS};
use super::*;
use crate::test_bench::{OUTPUT, PENTODE, failures, sheet, stage};

/// One stage with what is known of it, to ask about its failures.
struct Case {
    stage: Stage,
    remarks: Vec<(Remark, usize)>,
    failures: Vec<Failure>,
}

impl Case {
    fn new(text: &str, lines: &str) -> Self {
        let stage = stage(text);
        let network = Network::compile(&stage, LawForm::default()).expect("it has a meaning");
        let remarks = sheet(&stage, lines).remarks;
        Self {
            remarks: remarks.into_iter().map(|remark| (remark, 0)).collect(),
            failures: failures(&stage, &network),
            stage,
        }
    }

    fn known<'a>(&'a self, testers: &'a [(PartId, f64, usize)]) -> Known<'a> {
        Known {
            stage: &self.stage,
            remarks: &self.remarks,
            testers,
        }
    }

    fn id(&self, part: &str) -> PartId {
        self.stage
            .parts_named(part)
            .next()
            .expect("the part is there")
    }

    fn failure(&self, part: &str, mode: Mode) -> &Failure {
        self.failures
            .iter()
            .find(|f| f.part == self.id(part) && f.mode == mode)
            .expect("it fails so")
    }

    /// Factor on the odds of a failure by the remarks.
    fn factor(&self, part: &str, mode: Mode, overloaded: &[(PartId, f64)]) -> f64 {
        self.known(&[])
            .ln_odds_shift(self.failure(part, mode), 0.0, overloaded)
            .exp()
    }

    /// Factor on the odds of a failure by a tester's reading of V1.
    fn tested(&self, per_cent: f64, mode: Mode, u: f64) -> f64 {
        let testers = [(self.id("V1"), per_cent, 0)];
        self.known(&testers)
            .ln_odds_shift(self.failure("V1", mode), u, &[])
            .exp()
    }
}

#[test]
fn a_tester_tells_weak_and_dead_from_good_and_nothing_of_gas() {
    let case = Case::new(PENTODE, "");
    // At 45 % a tube of 45 % is likely and a good one is 3.7 spreads off.
    assert!(case.tested(45.0, Mode::Weak, 0.45) > 50.0);
    assert!(case.tested(100.0, Mode::Weak, 0.45) < 0.02);
    assert!(case.tested(45.0, Mode::Weak, 0.45) > case.tested(45.0, Mode::Weak, 0.1));
    assert!(case.tested(0.0, Mode::Dead, 0.0) > 100.0);
    assert!(case.tested(90.0, Mode::Dead, 0.0) < 0.02);
    for mode in [Mode::Gassy, Mode::PoorContact, Mode::HeaterCathodeLeak] {
        assert_eq!(case.tested(45.0, mode, -6.0), 1.0, "{mode:?}");
    }
    // However low it reads, a wrong setting of the tester stays possible.
    assert!(case.tested(0.0, Mode::Dead, 0.0) < 1000.0);
}

#[test]
fn a_tester_says_nothing_of_other_parts() {
    let case = Case::new(PENTODE, "");
    let testers = [(case.id("V1"), 45.0, 0)];
    let shift = case
        .known(&testers)
        .ln_odds_shift(case.failure("R4", Mode::High), 1.0, &[]);
    assert_eq!(shift, 0.0);
    // Of the healthy unit it speaks all the same.
    let good = [(case.id("V1"), 100.0, 0)];
    let healthy = |testers| case.known(testers).ln_healthy_shift();
    assert!(healthy(&testers) < healthy(&good) - 3.0);
}

#[test]
fn a_burnt_look_points_at_the_part_and_at_whatever_overloads_it() {
    let case = Case::new(PENTODE, "seen R4 burnt\n");
    assert!((case.factor("R4", Mode::Open, &[]) - 30.0).abs() < 1e-9);
    assert!(case.factor("R4", Mode::High, &[]) > 10.0);
    assert_eq!(case.factor("R3", Mode::Open, &[]), 1.0);
    assert_eq!(case.factor("C1", Mode::Short, &[]), 1.0);
    // A bypass short that puts 2.2 times its rating into R4 explains the look by itself.
    let harmed = [(case.id("R4"), 2.23)];
    let cause = case.factor("C1", Mode::Short, &harmed);
    assert!((40.0..55.0).contains(&cause), "{cause}");
    // Cause and casualty together explain it better than either, yet not by both factors.
    let both = case.known(&[]).ln_set_shift(
        &[
            (case.failure("C1", Mode::Short), 0.0),
            (case.failure("R4", Mode::Open), 0.0),
        ],
        &harmed,
    ) - case.known(&[]).ln_healthy_shift();
    assert!(both > cause.ln() && both < cause.ln() + 1.0, "{both}");
}

#[test]
fn a_bare_overload_does_no_harm_and_harm_grows_with_it() {
    let case = Case::new(PENTODE, "seen R4 burnt\n");
    let at = |ratio| case.factor("C1", Mode::Short, &[(case.id("R4"), ratio)]);
    assert_eq!(at(1.0), 1.0);
    assert!(at(1.2) < at(2.0) && at(2.0) < at(6.0));
    assert!(at(1e6) < 62.0);
}

#[test]
fn leaking_cracked_hot_and_arcing_each_point_their_own_way() {
    let look = |line: &str, part: &str, mode| Case::new(OUTPUT, line).factor(part, mode, &[]);
    assert!(look("seen C2 leaking\n", "C2", Mode::Leaky) > 10.0);
    assert_eq!(look("seen C2 leaking\n", "C1", Mode::Leaky), 1.0);
    assert!(look("seen C1 cracked\n", "C1", Mode::Leaky) > 20.0);
    assert!(look("seen V1 cracked\n", "V1", Mode::Gassy) > 20.0);
    // An open resistor is cold: a hot one is not open.
    assert!(look("seen R2 hot\n", "R2", Mode::Open) < 0.1);
    assert!(look("seen C2 hot\n", "C2", Mode::Leaky) > 10.0);
    assert!(look("seen V1 arcing\n", "V1", Mode::Gassy) > 20.0);
}

#[test]
fn a_part_proved_good_is_out_of_suspicion() {
    let case = Case::new(OUTPUT, "good C1\n");
    assert!((case.factor("C1", Mode::Leaky, &[]) - 1e-4).abs() < 1e-9);
    assert_eq!(case.factor("C2", Mode::Leaky, &[]), 1.0);
    assert_eq!(case.known(&[]).ln_healthy_shift(), 0.0);
}

#[test]
fn every_figure_is_a_probability_and_every_look_has_its_line() {
    for look in [
        Look::Burnt,
        Look::Cracked,
        Look::Leaking,
        Look::Hot,
        Look::Arcing,
    ] {
        assert_eq!(BASES.iter().filter(|b| b.look == look).count(), 1);
        for class in PartClass::ALL {
            for mode in Mode::ALL {
                for ratio in [0.0, 1.5, 1e9] {
                    let p = looks_so(look, class, std::iter::once(mode), ratio);
                    assert!(p > 0.0 && p < 1.0, "{look:?} {mode:?}");
                }
            }
        }
    }
    for row in &LOOKS {
        assert!(!row.reason.is_empty());
    }
}
