//! The fitted laws against the published points, and the published equations
//! against their worked example.

use deadstage_parts::tube::KorenTriode;
use deadstage_parts::{
    Condition, Confidence, LawForm, OperatingPoint, TubeKind, TubeLaw, UnitKind, fit_points,
    tube_table,
};

/// Ratios outside the band, as text.
fn outside(worst: &mut Vec<String>, what: &str, ratio: Option<f64>, band: f64) {
    if let Some(ratio) = ratio
        && !((1.0 - band)..=(1.0 + band)).contains(&ratio)
    {
        worst.push(format!("{what}: {ratio:.3} of the published"));
    }
}

#[test]
fn every_type_meets_its_data_sheet() {
    let mut misses = Vec::new();
    for tube in tube_table().types() {
        for unit in &tube.units {
            let UnitKind::Amplifier(kind) = unit.kind else {
                continue;
            };
            let fit = match unit.fit(LawForm::TwoPitch) {
                Ok(fit) => fit,
                Err(error) => panic!("{}: {error}", tube.name),
            };
            let fitted = unit.points.iter().filter(|p| p.fitted);
            let largest = fit.points.iter().zip(fitted.clone());
            let most = largest
                .filter_map(|(_, p)| p.point.plate_amps)
                .fold(0.0_f64, f64::max);
            for (point, published) in fit.points.iter().zip(fitted) {
                // Cutoff figures are "about", and a row of low confidence is no test.
                let cutoff = published.point.plate_amps.is_none_or(|i| i < 0.02 * most);
                if cutoff || published.confidence == Confidence::Low {
                    continue;
                }
                let at = format!("{} at {:?}", tube.name, published.point.volts());
                if kind == TubeKind::Triode {
                    outside(
                        &mut misses,
                        &format!("{at}: plate current"),
                        point.plate_amps,
                        0.10,
                    );
                    outside(
                        &mut misses,
                        &format!("{at}: transconductance"),
                        point.gm,
                        0.15,
                    );
                    outside(&mut misses, &format!("{at}: mu"), point.mu, 0.10);
                } else {
                    outside(
                        &mut misses,
                        &format!("{at}: plate current"),
                        point.plate_amps,
                        0.12,
                    );
                    outside(
                        &mut misses,
                        &format!("{at}: screen current"),
                        point.screen_amps,
                        0.25,
                    );
                    outside(
                        &mut misses,
                        &format!("{at}: transconductance"),
                        point.gm,
                        0.20,
                    );
                }
            }
        }
    }
    assert!(misses.is_empty(), "{}", misses.join("\n"));
}

/// "About" figures of cutoff: a current, or what is left of the
/// transconductance of a remote-cutoff grid.
#[test]
fn tubes_cut_off_where_their_sheets_say() {
    let mut checked = 0;
    for tube in tube_table().types() {
        for unit in &tube.units {
            let Ok(fit) = unit.fit(LawForm::TwoPitch) else {
                continue;
            };
            let fitted = unit.points.iter().filter(|p| p.fitted);
            for (row, published) in fit.points.iter().zip(fitted) {
                let current = published.point.plate_amps.filter(|amps| *amps < 100e-6);
                let gm = published.point.gm.filter(|gm| *gm <= 100e-6);
                let ratio = current.and(row.plate_amps).or(gm.and(row.gm));
                if let Some(ratio) = ratio {
                    checked += 1;
                    assert!((0.5..2.0).contains(&ratio), "{}: {ratio:.2}", tube.name);
                }
            }
        }
    }
    assert!(checked >= 20, "{checked} cutoff points");
}

#[test]
fn both_laws_agree_where_they_are_fitted() {
    for tube in tube_table().types() {
        for unit in &tube.units {
            let UnitKind::Amplifier(_) = unit.kind else {
                continue;
            };
            let fit = match unit.fit(LawForm::Koren) {
                Ok(fit) => fit,
                Err(error) => panic!("{}: {error}", tube.name),
            };
            let most = unit
                .points
                .iter()
                .filter_map(|p| p.point.plate_amps)
                .fold(0.0, f64::max);
            for (point, published) in fit
                .points
                .iter()
                .zip(unit.points.iter().filter(|p| p.fitted))
            {
                if published.point.plate_amps.is_some_and(|i| i > 0.1 * most)
                    && let Some(ratio) = point.plate_amps
                {
                    assert!(
                        (0.8..1.25).contains(&ratio),
                        "{} at {:?}: {ratio:.3}",
                        tube.name,
                        published.point.volts()
                    );
                }
            }
        }
    }
}

/// D. A. Steck, *Analog and Digital Electronics*, chapter 6 "Vacuum Tubes",
/// equations 6.37 to 6.42: a cathode-biased 12AX7 with the published equation.
#[test]
fn the_published_equation_gives_its_worked_example() {
    let law = TubeLaw::koren_triode(KorenTriode {
        mu: 100.0,
        x: 1.4,
        kg1: 1060.0,
        kp: 600.0,
        kvb: 300.0,
        contact: 0.0,
    });
    let out = law.currents(&[221.0, -1.61, 0.0, 0.0], &Condition::default());
    assert!((out.amps[0] * 1e3 - 1.07).abs() < 0.01, "{} A", out.amps[0]);
    assert!(
        (out.siemens[0][1] * 1e6 - 1880.0).abs() < 20.0,
        "gm {}",
        out.siemens[0][1]
    );
    // The book's plate resistance, 53.3 kΩ, is mu over gm (its gain of -65 goes
    // with that); the slope of the equation itself is a little steeper.
    let ohms = 100.0 / out.siemens[0][1];
    assert!((ohms * 1e-3 - 53.3).abs() < 0.6, "mu/gm {ohms}");
    let slope = 1e-3 / out.siemens[0][0];
    assert!((46.0..53.3).contains(&slope), "rp {slope} kΩ");
}

/// The plate current that a load line and a cathode resistor settle at.
fn triode_stage(law: &TubeLaw, supply: f64, load: f64, cathode: f64) -> f64 {
    let (mut low, mut high) = (0.0, supply / (load + cathode));
    for _ in 0..80 {
        let amps = 0.5 * (low + high);
        let at = [supply - amps * (load + cathode), -amps * cathode, 0.0, 0.0];
        if law.currents(&at, &Condition::default()).amps[0] > amps {
            low = amps
        } else {
            high = amps
        }
    }
    0.5 * (low + high)
}

fn law(name: &str, form: LawForm) -> TubeLaw {
    tube_table()
        .find(name)
        .and_then(|tube| tube.units.first())
        .and_then(|unit| unit.tube_law(form))
        .unwrap_or_else(|| panic!("{name} has no law"))
}

/// ECC83 resistance-coupled amplifier table, Mullard/Philips data sheets: one
/// row read (250 V, 100 k, 1.5 k: 0.86 mA), the others from memory, high confidence.
#[test]
fn resistance_coupled_12ax7_draws_the_tabulated_current() {
    let rows = [
        (250.0, 100e3, 1500.0, 0.86),
        (200.0, 47e3, 1500.0, 0.86),
        (250.0, 47e3, 1200.0, 1.18),
        (300.0, 47e3, 1000.0, 1.55),
        (200.0, 100e3, 1800.0, 0.65),
        (300.0, 100e3, 1200.0, 1.11),
        (350.0, 100e3, 1000.0, 1.40),
        (250.0, 220e3, 2700.0, 0.48),
        (300.0, 220e3, 2200.0, 0.63),
        (350.0, 220e3, 1500.0, 0.85),
    ];
    for form in LawForm::ALL {
        for (supply, load, cathode, milliamps) in rows {
            let found = triode_stage(&law("12AX7", form), supply, load, cathode) * 1e3;
            let ratio = found / milliamps;
            assert!(
                (0.90..1.10).contains(&ratio),
                "{form:?} {supply} V {load}: {found:.3} mA"
            );
        }
    }
}

/// M. Robinson's reading of the 6SL7 average plate characteristics, points
/// well above cutoff: plate volts, grid volts, milliamperes.
#[test]
fn the_6sl7_lies_on_its_plate_curves() {
    let points = [
        (97.0, 0.0, 2.0),
        (180.0, 0.0, 4.0),
        (163.0, -1.0, 2.0),
        (250.0, -1.0, 4.0),
        (185.0, -2.0, 1.0),
        (235.0, -2.0, 2.0),
        (322.0, -2.0, 4.0),
        (255.0, -3.0, 1.0),
        (350.0, -3.0, 3.0),
        (320.0, -4.0, 1.0),
        (423.0, -4.0, 3.0),
        (390.0, -5.0, 1.0),
    ];
    for form in LawForm::ALL {
        for (plate, grid, milliamps) in points {
            let found = law("6SL7", form)
                .currents(&[plate, grid, 0.0, 0.0], &Condition::default())
                .amps[0]
                * 1e3;
            let off = (found - milliamps).abs();
            assert!(
                off < 0.12 * milliamps + 0.12,
                "{form:?} {plate} V, {grid} V: {found:.2} mA, published {milliamps}"
            );
        }
    }
}

/// Triode-connected operation, data sheets, from memory, medium confidence:
/// a check of the law away from the points it is fitted to.
#[test]
fn pentodes_work_as_triodes() {
    let rows = [
        ("6L6", 250.0, -20.0, 40.0, 0.25),
        ("6AU6", 250.0, -4.0, 12.2, 0.30),
        ("6V6", 250.0, -12.5, 49.5, 0.15),
    ];
    for (name, volts, grid, milliamps, band) in rows {
        let out = law(name, LawForm::TwoPitch)
            .currents(&[volts, grid, volts, 0.0], &Condition::default());
        let found = (out.amps[0] + out.amps[2]) * 1e3;
        assert!(
            (found / milliamps - 1.0).abs() < band,
            "{name}: {found:.1} mA of {milliamps}"
        );
    }
}

#[test]
fn a_type_of_ones_own_is_fitted_from_one_point() {
    let point = OperatingPoint {
        plate_volts: 180.0,
        grid_volts: -6.5,
        plate_amps: Some(0.008),
        gm: Some(1.9e-3),
        mu: Some(17.0),
        ..OperatingPoint::default()
    };
    for form in LawForm::ALL {
        match fit_points(TubeKind::Triode, &[point], form) {
            Ok(fit) => {
                let row = fit.points[0];
                for ratio in [row.plate_amps, row.gm, row.mu] {
                    assert!(
                        ratio.is_some_and(|r| (r - 1.0).abs() < 0.08),
                        "{form:?}: {row:?}"
                    );
                }
            }
            Err(error) => panic!("{error}"),
        }
        // Too little, or nonsense, is said so.
        let bare = OperatingPoint {
            gm: None,
            mu: None,
            ..point
        };
        assert!(fit_points(TubeKind::Triode, &[bare], form).is_err());
        let wrong = OperatingPoint {
            gm: Some(-1e-3),
            ..point
        };
        assert!(fit_points(TubeKind::Triode, &[wrong], form).is_err());
        assert!(fit_points(TubeKind::Pentode, &[point], form).is_err());
    }
}

#[test]
fn fits_are_the_same_every_time() {
    for tube in tube_table().types() {
        for unit in &tube.units {
            let UnitKind::Amplifier(kind) = unit.kind else {
                continue;
            };
            let points: Vec<_> = unit
                .points
                .iter()
                .filter(|p| p.fitted)
                .map(|p| p.point)
                .collect();
            for form in LawForm::ALL {
                assert_eq!(
                    fit_points(kind, &points, form).map(|f| f.law),
                    unit.fit(form).map(|f| f.law),
                    "{}",
                    tube.name
                );
            }
        }
    }
}
