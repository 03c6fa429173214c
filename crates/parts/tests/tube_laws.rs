//! Every tube of the table, in both laws: exact derivatives, no surprises
//! anywhere a fault can drive a tube, and the order of nature in between.

use deadstage_parts::{
    Condition, LawForm, PortVolts, Trait, TubeKind, TubeLaw, UnitKind, tube_table,
};
use proptest::prelude::*;

/// All different laws of the table with the names of their tubes.
fn laws() -> Vec<(String, TubeLaw)> {
    let mut out: Vec<(String, TubeLaw)> = Vec::new();
    for tube in tube_table().types() {
        for (number, unit) in tube.units.iter().enumerate() {
            if matches!(unit.kind, UnitKind::Amplifier(_)) {
                for form in LawForm::ALL {
                    let name = format!("{} unit {} {form:?}", tube.name, number + 1);
                    match unit.tube_law(form) {
                        // Many types are another one with another heater.
                        Some(law) if out.iter().any(|(_, known)| *known == law) => {}
                        Some(law) => out.push((name, law)),
                        None => panic!("{name}: no law: {:?}", unit.fit(form).err()),
                    }
                }
            }
        }
    }
    assert!(out.len() > 200);
    out
}

fn condition() -> impl Strategy<Value = Condition> {
    (
        0.01..2.0,
        -3.0..3.0,
        0.6..1.6,
        0.2..4.0,
        0.05..20.0,
        0.3..3.0,
        0.3..3.0,
        0.0..0.1,
        0.0..0.02,
    )
        .prop_map(
            |(
                perveance,
                contact_volts,
                mu,
                screen_share,
                grid_current,
                knee,
                tail,
                plate_pull,
                gas,
            )| Condition {
                perveance,
                contact_volts,
                mu,
                screen_share,
                grid_current,
                knee,
                tail,
                plate_pull,
                gas,
                ..Condition::default()
            },
        )
}

/// Voltages as a chassis has them, with some margin, and now and then far out.
fn volts() -> impl Strategy<Value = PortVolts> {
    let electrode = prop_oneof![4 => -20.0..400.0, 1 => -1.0..1.0, 1 => -5000.0..5000.0];
    let grid = prop_oneof![4 => -60.0..15.0, 1 => -1.5..0.5, 1 => -5000.0..5000.0];
    (electrode.clone(), grid.clone(), electrode, grid).prop_map(|(p, g, s, g3)| [p, g, s, g3])
}

/// Greatest difference between the stated derivative and the one found by
/// differences, over the scale of both.
fn derivative_error(law: &TubeLaw, at: &PortVolts, condition: &Condition) -> f64 {
    let here = law.currents(at, condition);
    let mut worst: f64 = 0.0;
    for port in 0..law.ports() {
        let step = 1e-4 * at[port].abs().max(0.1);
        let moved = |by: f64| {
            let mut near = *at;
            near[port] += by;
            law.currents(&near, condition).amps
        };
        let (far_below, below) = (moved(-2.0 * step), moved(-step));
        let (above, far_above) = (moved(step), moved(2.0 * step));
        for to in 0..law.ports() {
            let found =
                (8.0 * (above[to] - below[to]) - (far_above[to] - far_below[to])) / (12.0 * step);
            let stated = here.siemens[to][port];
            // What rounding of the currents alone does to the difference.
            let noise = 1e-15 * here.amps.iter().fold(0.0, |m: f64, a| m.max(a.abs())) / step;
            let scale = stated.abs().max(found.abs()) + 1e-12 + 1e3 * noise;
            worst = worst.max((found - stated).abs() / scale);
        }
    }
    worst
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(64))]

    #[test]
    fn stated_derivatives_are_those_of_the_currents(at in volts(), condition in condition()) {
        for (name, law) in laws() {
            let error = derivative_error(&law, &at, &condition);
            prop_assert!(error < 2e-3, "{name} at {at:?}: off by {error:e}");
        }
    }

    #[test]
    fn currents_are_finite_and_of_the_right_sign(at in volts(), condition in condition()) {
        for (name, law) in laws() {
            let out = law.currents(&at, &condition);
            let all = out.amps.iter().chain(out.siemens.iter().flatten());
            prop_assert!(all.clone().all(|x| x.is_finite()), "{name} at {at:?}: {out:?}");
            prop_assert!(out.amps[0] >= 0.0, "{name} at {at:?}: plate {}", out.amps[0]);
            prop_assert!(out.amps[2] >= 0.0, "{name} at {at:?}: screen {}", out.amps[2]);
            let gas = condition.gas * out.amps[0];
            prop_assert!(out.amps[1] >= -gas * (1.0 + 1e-9), "{name} at {at:?}: grid {}", out.amps[1]);
        }
    }

    #[test]
    fn plate_current_rises_with_plate_and_grid(
        plate in 0.0..450.0, grid in -40.0..0.0_f64, screen in 20.0..300.0, step in 0.05..5.0,
    ) {
        let healthy = Condition::default();
        for (name, law) in laws() {
            let at = [plate, grid, screen, 0.0];
            let here = law.currents(&at, &healthy).amps[0];
            let more_plate = law.currents(&[plate + step, grid, screen, 0.0], &healthy).amps[0];
            let more_grid =
                law.currents(&[plate, f64::min(grid + step, 0.0), screen, 0.0], &healthy).amps[0];
            let slack = 1e-12 + 1e-9 * here;
            prop_assert!(more_plate >= here - slack, "{name} at {at:?}, plate +{step}");
            // A starved plate loses to the grid, and a pentode below its knee
            // has the knee moved by the grid: the order holds above.
            let least = if law.kind() == TubeKind::Triode { 3.0 } else { 0.5 * screen };
            if plate > least {
                prop_assert!(more_grid >= here - slack, "{name} at {at:?}, grid +{step}");
            }
        }
    }
}

#[test]
fn second_derivatives_are_continuous() {
    // Slopes on a fine walk across zero and the cutoff have no jump: the
    // change of slope over a step shrinks with the step.
    for (name, law) in laws() {
        for port in 0..law.ports() {
            for base in [[120.0, -1.0, 100.0, 0.0], [5.0, 0.5, 60.0, 0.0]] {
                let jump = |steps: usize| {
                    let mut worst: f64 = 0.0;
                    let mut last: Option<f64> = None;
                    let mut greatest: f64 = 1e-12;
                    for i in 0..=steps {
                        let mut at = base;
                        at[port] = -12.0 + 24.0 * i as f64 / steps as f64;
                        let slope = law.currents(&at, &Condition::default()).siemens[0][port];
                        greatest = greatest.max(slope.abs());
                        if let Some(last) = last {
                            worst = worst.max((slope - last).abs());
                        }
                        last = Some(slope);
                    }
                    worst / greatest
                };
                let (coarse, fine) = (jump(1000), jump(4000));
                assert!(
                    fine < 0.4 * coarse + 1e-6,
                    "{name}, port {port}: slope jumps by {fine:.2e} of its greatest"
                );
            }
        }
    }
}

#[test]
fn nothing_is_undefined_far_out() {
    let corners = [-5000.0, -300.0, -1e-9, 0.0, 1e-9, 0.7, 300.0, 5000.0];
    let conditions = [
        Condition::default(),
        Condition {
            perveance: 0.0,
            ..Condition::default()
        },
        Condition {
            perveance: 1e-9,
            mu: 0.0,
            knee: 0.0,
            ..Condition::default()
        },
        Condition {
            contact_volts: 500.0,
            gas: 1.0,
            ..Condition::default()
        },
    ];
    for (name, law) in laws() {
        for plate in corners {
            for grid in corners {
                for screen in corners {
                    for grid3 in [-5000.0, 0.0, 5000.0] {
                        let at = [plate, grid, screen, grid3];
                        for condition in &conditions {
                            let out = law.currents(&at, condition);
                            let mut all = out.amps.iter().chain(out.siemens.iter().flatten());
                            assert!(all.all(|x| x.is_finite()), "{name} at {at:?}: {out:?}");
                        }
                    }
                }
            }
        }
    }
}

#[test]
fn a_dead_tube_draws_nothing() {
    let dead = Condition {
        perveance: 0.0,
        ..Condition::default()
    };
    for (name, law) in laws() {
        let out = law.currents(&[250.0, 5.0, 150.0, 0.0], &dead);
        assert!(out.amps.iter().all(|i| *i == 0.0), "{name}");
    }
}

#[test]
fn a_negative_plate_draws_nothing() {
    for (name, law) in laws() {
        let healthy = Condition::default();
        let open = law.currents(&[250.0, 0.0, 150.0, 0.0], &healthy).amps[0];
        let out = law.currents(&[-5.0, 0.0, 150.0, 0.0], &healthy).amps[0];
        assert!(out < 1e-6 * open, "{name}: {out:e} A");
    }
}

#[test]
fn a_grid_leak_alone_biases_a_tube_under_a_volt() {
    // Common practice, no source: contact bias on 10 MΩ.
    for (name, law) in laws()
        .into_iter()
        .filter(|(_, l)| l.bias_scale_volts() < 12.0)
    {
        let (mut low, mut high) = (-5.0, 1.0);
        for _ in 0..60 {
            let grid = 0.5 * (low + high);
            let current = law
                .currents(&[80.0, grid, 60.0, 0.0], &Condition::default())
                .amps[1];
            if current > -grid / 10e6 {
                high = grid
            } else {
                low = grid
            }
        }
        assert!((-1.1..=-0.4).contains(&low), "{name}: {low:.2} V");
    }
}

#[test]
fn gas_flows_out_of_the_grid_in_proportion() {
    for (name, law) in laws() {
        let at = [200.0, -2.0, 100.0, 0.0];
        let gassy = Condition {
            gas: 1e-3,
            ..Condition::default()
        };
        let clean = law.currents(&at, &Condition::default());
        let out = law.currents(&at, &gassy);
        let expected = clean.amps[1] - 1e-3 * clean.amps[0];
        assert!(
            (out.amps[1] - expected).abs() <= 1e-15 + 1e-9 * expected.abs(),
            "{name}"
        );
        assert_eq!(out.amps[0], clean.amps[0], "{name}");
    }
}

#[test]
fn a_starved_plate_leaves_its_current_to_the_screen() {
    for (name, law) in laws().into_iter().filter(|(_, l)| l.kind().has_screen()) {
        let healthy = Condition::default();
        let grid = -0.3 * law.bias_scale_volts();
        let above = law.currents(&[200.0, grid, 100.0, 0.0], &healthy);
        let starved = law.currents(&[0.0, grid, 100.0, 0.0], &healthy);
        let total = above.amps[0] + above.amps[2];
        assert!(
            starved.amps[2] > 1.5 * above.amps[2].min(total / 3.0),
            "{name}: {starved:?}"
        );
        assert!(
            starved.amps[2] < 1.05 * total,
            "{name}: more than there was"
        );
        assert!(starved.amps[0] < 0.1 * above.amps[0], "{name}");
    }
}

#[test]
fn an_unfed_screen_floats_near_its_cathode_and_nearly_stops_the_tube() {
    let healthy = Condition::default();
    for (name, law) in laws().into_iter().filter(|(_, l)| l.kind().has_screen()) {
        let usual = law.currents(&[200.0, -1.0, 100.0, 0.0], &healthy).amps[0];
        let unfed = law.currents(&[200.0, 0.0, 0.0, 0.0], &healthy);
        assert!(
            unfed.amps[0] < 0.25 * usual.max(1e-3),
            "{name}: {:e} of {usual:e}",
            unfed.amps[0]
        );
        let floating = law.currents(&[200.0, 0.0, -3.0, 0.0], &healthy).amps[2];
        assert!(
            floating < 1e-7,
            "{name}: a screen at -3 V draws {floating:e} A"
        );
    }
}

/// No sheet says what passes a screen at nothing: a few hundredths of the current or none (common practice, no
/// source). Where a sheet does say something, at the usual screen voltage, the spread must add nothing.
#[test]
fn a_plate_may_pull_a_little_past_an_unfed_screen_and_no_more_when_it_is_fed() {
    let pulling = Condition::default().moved(Trait::PlatePull, 0.04);
    for (name, law) in laws().into_iter().filter(|(_, l)| l.kind().has_screen()) {
        let usual = law.bias_scale_volts() * law.amplification_factor();
        let added = |at: &PortVolts| {
            let plate = |condition: &Condition| law.currents(at, condition).amps[0];
            plate(&pulling) - plate(&Condition::default())
        };
        let full = law
            .currents(&[250.0, 0.0, usual, 0.0], &Condition::default())
            .amps[0];
        let unfed = added(&[250.0, 0.0, 0.0, 0.0]);
        assert!(
            unfed > 0.005 * full && unfed < 0.1 * full,
            "{name}: {unfed:e} of {full:e}"
        );
        for at in [
            [250.0, 0.0, usual, 0.0],
            [2.0, 0.0, 0.0, 0.0],
            [250.0, -law.bias_scale_volts() * 3.0, 0.0, 0.0],
        ] {
            assert!(
                added(&at) < 0.002 * full,
                "{name} at {at:?}: {:e}",
                added(&at)
            );
        }
    }
}

/// The tail trait moves how far out the last current ends, and leaves that at no bias nearly as it was:
/// within a third for the softest of them, tuning eyes.
#[test]
fn a_longer_tail_passes_more_beyond_cutoff_and_the_same_at_zero_bias() {
    for (name, law) in laws() {
        let usual = law.bias_scale_volts() * law.amplification_factor();
        let plate = |grid: f64, tail: f64| {
            let condition = Condition::default().moved(Trait::Tail, tail);
            law.currents(&[usual, grid, usual, 0.0], &condition).amps[0]
        };
        let beyond = -1.5 * law.bias_scale_volts();
        assert!(
            plate(beyond, 0.6) > 1.1 * plate(beyond, 0.0)
                && plate(beyond, 0.0) > 1.1 * plate(beyond, -0.6),
            "{name}: {:e} {:e} {:e}",
            plate(beyond, -0.6),
            plate(beyond, 0.0),
            plate(beyond, 0.6)
        );
        let ratio = plate(0.0, 0.6) / plate(0.0, 0.0);
        assert!((ratio - 1.0).abs() < 0.35, "{name}: {ratio}");
    }
}

#[test]
fn the_heptodes_third_grid_controls_the_plate() {
    let heptodes: Vec<_> = laws()
        .into_iter()
        .filter(|(_, l)| l.kind() == TubeKind::Heptode)
        .collect();
    assert!(heptodes.len() >= 6);
    for (name, law) in heptodes {
        let plate = |grid3: f64| {
            law.currents(&[150.0, -1.0, 80.0, grid3], &Condition::default())
                .amps[0]
        };
        assert_eq!(law.ports(), 4, "{name}");
        assert!(plate(-15.0) < 0.05 * plate(0.0), "{name}");
    }
}

#[test]
fn each_trait_moves_what_it_says() {
    for (name, law) in laws() {
        let at = [200.0, -1.0, 100.0, 0.0];
        let healthy = Condition::default();
        let here = law.currents(&at, &healthy).amps;
        for spread in law.spreads() {
            assert!(spread.sigma > 0.0, "{name}: {spread:?}");
            let moved = law
                .currents(&at, &healthy.moved(spread.of, spread.sigma))
                .amps;
            assert!(
                moved.iter().zip(here).any(|(a, b)| (a - b).abs() > 1e-15),
                "{name}: {spread:?} moves nothing"
            );
        }
    }
}
