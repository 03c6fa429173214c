use std::fmt::Write as _;

use deadstage_netlist::Readings;

use crate::diagnose::{Options, diagnose};
use crate::outcome::Diagnosis;
use crate::test_bench::{TRIODE, sheet, stage};

/// A triode whose cathode resistor has gone high, as three readings show it.
const SHEET: &str = "volts plate 215V\nvolts cathode 1.9V\nvolts bplus 250V\n";

fn answer_to(sheets: &[Readings]) -> Diagnosis {
    diagnose(&stage(TRIODE), sheets, &Options::default()).expect("it solves")
}

fn answer(lines: &str) -> Diagnosis {
    answer_to(&[sheet(&stage(TRIODE), lines)])
}

/// Furthest that the probability of any answer has moved from one to the other.
fn moved(one: &Diagnosis, other: &Diagnosis) -> f64 {
    assert_eq!(one.suspects.len(), other.suspects.len());
    let pairs = one.suspects.iter().zip(&other.suspects);
    pairs
        .map(|(a, b)| (a.probability - b.probability).abs())
        .chain([
            (one.healthy - other.healthy).abs(),
            (one.unexplained - other.unexplained).abs(),
        ])
        .fold(0.0, f64::max)
}

#[test]
fn a_number_read_again_as_it_was_says_nothing_new() {
    let once = answer(SHEET);
    let again = answer(&SHEET.repeat(7));
    assert_eq!(moved(&once, &again), 0.0);
    assert_eq!(again.readings.len(), 3);
    assert!(again.readings.iter().all(|reading| reading.times == 7));
    // So it is on two sheets with no repair between them.
    let stage = stage(TRIODE);
    let two = answer_to(&[sheet(&stage, SHEET), sheet(&stage, SHEET)]);
    assert_eq!(moved(&once, &two), 0.0);
}

#[test]
fn what_wanders_from_one_time_to_the_next_is_known_less_well() {
    let read = |lines: &str| {
        let found = answer(&format!("volts cathode 1.9V\nvolts bplus 250V\n{lines}"));
        let plate = found.readings.iter().find(|r| r.point == "plate");
        let plate = plate.expect("it was read").clone();
        (plate, found)
    };
    let (steady, _) = read("volts plate 215V\n");
    let (wandering, _) = read("volts plate 205V\nvolts plate 215V\nvolts plate 225V\n");
    assert_eq!((wandering.read, wandering.times), (215.0, 3));
    // The meter's 3 % is 3.7 V (a limit), and the three scatter by 10 V.
    let added = wandering.healthy_sigma.powi(2) - steady.healthy_sigma.powi(2);
    assert!((added.sqrt() - 10.0).abs() < 1e-6, "{}", added.sqrt());
    // The order in which they were taken tells nothing.
    let (_, one) = read("volts plate 205V\nvolts plate 215V\nvolts plate 225V\n");
    let (_, other) = read("volts plate 225V\nvolts plate 205V\nvolts plate 215V\n");
    assert_eq!(moved(&one, &other), 0.0);
}

#[test]
fn a_slip_is_found_out_by_reading_again() {
    let found = answer(
        "volts cathode 1.2V\nvolts bplus 250V\nvolts plate 17V\nvolts plate 165V\nvolts plate 166V\n",
    );
    let plates: Vec<_> = found
        .readings
        .iter()
        .filter(|reading| reading.point == "plate")
        .collect();
    assert_eq!(
        plates.iter().map(|r| (r.read, r.times)).collect::<Vec<_>>(),
        [(17.0, 1), (165.5, 2)]
    );
    assert!(plates[0].slip > 0.9 && plates[1].slip < 0.1, "{plates:?}");
    assert!(found.healthy > 0.7, "{}", found.healthy);
}

#[test]
fn numbers_all_over_the_scale_are_one_reading_of_no_worth() {
    let mut lines = "volts cathode 1.2V\nvolts bplus 250V\n".to_owned();
    for k in 0..12 {
        let _ = writeln!(lines, "volts plate {}V", 20 * k + 1);
    }
    let found = answer(&lines);
    let plate = found.readings.iter().find(|r| r.point == "plate");
    let plate = plate.expect("it was read");
    assert_eq!((plate.read, plate.times), (111.0, 12));
    assert!(plate.healthy_sigma > 70.0, "{}", plate.healthy_sigma);
}

#[test]
fn other_conditions_are_another_reading() {
    let found = answer(
        "volts plate 160V\nmeter 20k/V 3%\nvolts plate 155V range 250V\nvolts plate 158V range 500V\n\
         volts plate > 100V\nvolts plate > 120V\nvolts plate < 300V\n",
    );
    let taken: Vec<(f64, usize)> = found.readings.iter().map(|r| (r.read, r.times)).collect();
    // Of several bounds the tightest holds.
    assert_eq!(
        taken,
        [(160.0, 1), (155.0, 1), (158.0, 1), (120.0, 2), (300.0, 1)]
    );
}

#[test]
fn a_hundred_thousand_readings_of_three_points_cost_what_three_do() {
    let stage = stage(TRIODE);
    let mut many = sheet(&stage, SHEET);
    let three = many.readings.clone();
    let wander = |k: usize, volts: f64| volts * (1.0 + 1e-3 * (k as f64).sin());
    many.readings = (0..100_000)
        .map(|k| {
            let mut reading = three[k % 3].clone();
            reading.value = wander(k, reading.value);
            reading
        })
        .collect();
    let began = std::time::Instant::now();
    let found = answer_to(&[many]);
    let took = began.elapsed();
    // A tenth of a second on one core of a small machine left alone, optimised.
    assert!(took < std::time::Duration::from_secs(5), "{took:?}");
    let times: Vec<usize> = found.readings.iter().map(|r| r.times).collect();
    assert_eq!(times, [33_334, 33_333, 33_333]);
    assert!(moved(&found, &answer(SHEET)) < 0.01);
}
