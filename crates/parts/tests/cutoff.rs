//! Near cutoff: both laws meet what sheets print there, and types that have the
//! same characteristics on paper have the same here.

use deadstage_parts::{Condition, LawForm, TubeLaw, UnitKind, tube_table};

/// The law of a type's first unit.
fn law(name: &str, form: LawForm) -> TubeLaw {
    tube_table()
        .find(name)
        .and_then(|tube| tube.units.first())
        .and_then(|unit| unit.tube_law(form))
        .unwrap_or_else(|| panic!("{name} has no law"))
}

fn plate_amps(law: &TubeLaw, plate: f64, grid: f64, screen: f64) -> f64 {
    law.currents(&[plate, grid, screen, 0.0], &Condition::default())
        .amps[0]
}

/// A plate current under a twentieth of the type's greatest is one that its
/// sheet calls "approximate, for cutoff", or that of a plate detector at rest.
const CUTOFF_SHARE: f64 = 0.05;

#[test]
fn both_laws_meet_the_cutoff_figures_of_the_sheets() {
    let mut wrong = Vec::new();
    let mut checked = 0;
    for tube in tube_table().types() {
        for unit in &tube.units {
            if !matches!(unit.kind, UnitKind::Amplifier(_)) {
                continue;
            }
            let amps = unit.points.iter().filter_map(|p| p.point.plate_amps);
            let most = amps.fold(0.0, f64::max);
            for form in LawForm::ALL {
                let fit = unit
                    .fit(form)
                    .unwrap_or_else(|why| panic!("{}: {why}", tube.name));
                let fitted = unit.points.iter().filter(|p| p.fitted);
                for (row, published) in fit.points.iter().zip(fitted) {
                    let small = |amps: &f64| *amps < CUTOFF_SHARE * most;
                    let Some(ratio) = published.point.plate_amps.filter(small).and(row.plate_amps)
                    else {
                        continue;
                    };
                    checked += 1;
                    if !(1.0 / 1.5..1.5).contains(&ratio) {
                        wrong.push(format!(
                            "{} {form:?} at {:?}: {ratio:.2}",
                            tube.name,
                            published.point.volts()
                        ));
                    }
                }
            }
        }
    }
    assert!(checked >= 80, "{checked} figures");
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// Types with one set of characteristics, each with plate volts, screen volts
/// and the grid voltage at which the sheets have them cut off (data sheets, from
/// memory: cutoff of the 12AT7 and 12AU7 medium, of the 6SN7 high, of the others
/// where the law has a thousandth of its greatest current).
const TWINS: [(&[&str], f64, f64, f64); 8] = [
    (
        &[
            "6SN7", "6J5", "6CG7", "6FQ7", "7N7", "7A4", "6F8", "12SN7", "12J5",
        ],
        250.0,
        0.0,
        -18.0,
    ),
    (&["12AU7", "6C4", "5814A"], 250.0, 0.0, -24.0),
    (&["12AT7", "6AB4", "12AZ7"], 250.0, 0.0, -12.0),
    (&["12AX7", "6AV6", "12AV6"], 250.0, 0.0, -4.5),
    (&["6AT6", "6T8", "6Q7", "12Q7"], 250.0, 0.0, -5.5),
    (&["6BF6", "6R7", "6SR7", "12SR7"], 250.0, 0.0, -22.0),
    (&["6V6", "7C5", "12V6", "6V6GTA"], 250.0, 250.0, -32.0),
    (&["6SJ7", "12SJ7"], 250.0, 100.0, -8.0),
];

/// The plate current at which a type is mostly used: that of its richest published point.
fn working_amps(name: &str) -> f64 {
    let unit = tube_table().find(name).and_then(|tube| tube.units.first());
    let points = unit.map(|unit| unit.points.as_slice()).unwrap_or_default();
    points
        .iter()
        .filter(|p| p.point.plate_volts > 200.0)
        .filter_map(|p| p.point.plate_amps)
        .fold(0.0, f64::max)
}

/// Within a tenth from zero bias to a tenth of the working current, and within a factor of two from there to cutoff.
#[test]
fn twins_draw_the_same_current() {
    for form in LawForm::ALL {
        for (names, plate, screen, cutoff) in TWINS {
            let first = law(names[0], form);
            let working = working_amps(names[0]);
            for name in &names[1..] {
                let other = law(name, form);
                let mut compared = 0;
                for step in 0..=40 {
                    let grid = cutoff * f64::from(step) / 40.0;
                    let wanted = plate_amps(&first, plate, grid, screen);
                    let ratio = plate_amps(&other, plate, grid, screen) / wanted;
                    let (low, high) = if wanted > 0.1 * working {
                        compared += 1;
                        (0.9, 1.1)
                    } else {
                        (0.5, 2.0)
                    };
                    assert!(
                        (low..high).contains(&ratio),
                        "{form:?} {name} at {grid} V: {ratio:.3} of the {}",
                        names[0]
                    );
                }
                assert!(compared > 10, "{name}: {compared} points");
            }
        }
    }
}
