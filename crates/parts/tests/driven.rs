//! Tubes under a large signal.

use deadstage_parts::{Condition, DrivenTube, LawForm, TubeLaw, tube_table};

fn law(name: &str, form: LawForm) -> TubeLaw {
    tube_table()
        .find(name)
        .and_then(|tube| tube.units.first())
        .and_then(|unit| unit.tube_law(form))
        .unwrap_or_else(|| panic!("{name} has no law"))
}

#[test]
fn without_a_signal_it_is_the_law_itself() {
    for form in LawForm::ALL {
        let law = law("6146", form);
        let at = [400.0, -25.0, 160.0, 0.0];
        let plain = law.currents(&at, &Condition::default());
        let driven = DrivenTube::with_swing(law, 0.0, 0.0).currents(&at, &Condition::default());
        for i in 0..3 {
            assert!((driven.amps[i] - plain.amps[i]).abs() <= 1e-12 + 1e-9 * plain.amps[i].abs());
            for j in 0..3 {
                let (a, b) = (driven.siemens[i][j], plain.siemens[i][j]);
                assert!((a - b).abs() <= 1e-12 + 1e-9 * b.abs(), "{form:?} {i} {j}");
            }
        }
    }
}

/// 6146, class C telegraphy, data sheet, from memory, medium confidence:
/// 600 V, 150 V, -58 V: plate 112 mA, screen 9 mA, grid 2.8 mA, and a peak grid
/// signal of some 73 V. The law is fitted to one static point of low
/// confidence, so only the size of things is asked for.
#[test]
fn a_class_c_stage_draws_about_what_its_sheet_says() {
    for form in LawForm::ALL {
        let at = [600.0, -58.0, 150.0, 0.0];
        let stage = DrivenTube::for_grid_current(law("6146", form), &at, 2.8e-3);
        assert!(
            (65.0..85.0).contains(&stage.peak_volts()),
            "{} V",
            stage.peak_volts()
        );
        let amps = stage.currents(&at, &Condition::default()).amps;
        assert!((amps[1] - 2.8e-3).abs() < 1e-5, "{form:?} grid {}", amps[1]);
        assert!(
            (0.6..1.4).contains(&(amps[0] / 0.112)),
            "{form:?} plate {}",
            amps[0]
        );
        assert!(
            (0.6..1.5).contains(&(amps[2] / 0.009)),
            "{form:?} screen {}",
            amps[2]
        );
    }
}

#[test]
fn its_derivatives_are_those_of_its_currents() {
    for form in LawForm::ALL {
        for name in ["6146", "5763", "811A"] {
            let stage = DrivenTube::tuned(law(name, form), 60.0);
            for at in [
                [500.0, -45.0, 150.0, 0.0],
                [120.0, -20.0, 40.0, 0.0],
                [0.0, -5.0, 200.0, 0.0],
            ] {
                let here = stage.currents(&at, &Condition::default());
                for port in 0..stage.ports() {
                    let step = 1e-4;
                    let moved = |by: f64| {
                        let mut near = at;
                        near[port] += by;
                        stage.currents(&near, &Condition::default()).amps
                    };
                    let (below, above) = (moved(-step), moved(step));
                    for to in 0..stage.ports() {
                        let found = (above[to] - below[to]) / (2.0 * step);
                        let stated = here.siemens[to][port];
                        assert!(
                            (found - stated).abs() < 1e-9 + 1e-3 * stated.abs(),
                            "{name} {form:?} at {at:?}: {found:e} and {stated:e}"
                        );
                    }
                }
            }
        }
    }
}

/// A grid leak rectifies the drive: the bias it settles at follows the peak,
/// less the little by which the grid is driven positive.
#[test]
fn a_grid_leak_makes_its_own_bias_from_the_drive() {
    for form in LawForm::ALL {
        let stage = DrivenTube::tuned(law("6146", form), 72.0);
        let leak = 27e3;
        let (mut low, mut high) = (-100.0, 0.0);
        for _ in 0..60 {
            let grid = 0.5 * (low + high);
            let amps = stage
                .currents(&[600.0, grid, 150.0, 0.0], &Condition::default())
                .amps[1];
            if amps > -grid / leak {
                high = grid
            } else {
                low = grid
            }
        }
        assert!((-71.0..-50.0).contains(&low), "{form:?}: {low:.1} V");
        // And without drive there is no bias worth the name.
        let still = DrivenTube::tuned(law("6146", form), 0.0);
        let amps = still
            .currents(&[600.0, -2.0, 150.0, 0.0], &Condition::default())
            .amps[1];
        assert!(amps < 2.0 / leak, "{form:?}: {amps:e}");
    }
}
