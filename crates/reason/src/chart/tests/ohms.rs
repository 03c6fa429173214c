//! Resistance charts of small stages.

use deadstage_netlist::SettingId;

use super::{near, stage};
use crate::chart::{ChartOptions, ohms_chart};
use crate::outcome::OhmsRow;

fn row<'c>(rows: &'c [OhmsRow], name: &str) -> &'c OhmsRow {
    let found = rows.iter().find(|row| row.point == name);
    found.unwrap_or_else(|| panic!("no row {name}"))
}

#[test]
fn resistances_are_those_of_the_paths_with_the_power_off() {
    let stage = stage(
        "settings on off
supply    B1 100V from top to chassis
resistor  R1 10k 10% from top to middle
resistor  R2 10k 10% from middle to chassis
resistor  R3 30k 10% from middle to out
switch    S1 from out to chassis closed in off
capacitor C1 100p mica from middle to far
capacitor C2 100p mica from far to chassis",
    );
    let chart = |setting| {
        let options = ChartOptions {
            setting: Some(SettingId(setting)),
            ..ChartOptions::default()
        };
        ohms_chart(&stage, &options).unwrap_or_else(|error| panic!("{error}"))
    };
    let on = chart(0);
    let middle = row(&on.rows, "middle");
    near(middle.ohms, 10e3, 1.0);
    // Two standard deviations of the logarithm: 2 × 0.1/√3.
    near(middle.low, 10e3 * (-0.2 / 3f64.sqrt()).exp(), 2.0);
    near(middle.high, 10e3 * (0.2 / 3f64.sqrt()).exp(), 2.0);
    near(row(&on.rows, "top").ohms, 20e3, 2.0);
    near(row(&on.rows, "across R1").ohms, 10e3, 1.0);
    assert_eq!(row(&on.rows, "far").ohms, f64::INFINITY);
    near(row(&on.rows, "across S1").ohms, 40e3, 4.0);
    let off = chart(1);
    assert_eq!(off.setting, "off");
    near(row(&off.rows, "middle").ohms, 7500.0, 1.0);
    near(row(&off.rows, "across S1").ohms, 0.02, 0.01);
}

#[test]
fn a_wiper_near_its_end_stays_on_the_track() {
    let stage = stage(
        "supply        B1 10V from top to chassis
resistor      R1 1k from top to slider
potentiometer P1 10k 1% at 1% from slider to chassis wiper slider",
    );
    // From the short of the first hundredth, 9.9 kΩ are left; with the wiper
    // two standard deviations on, at a twentieth, 9.5 kΩ.
    let chart = ohms_chart(&stage, &ChartOptions::default());
    let chart = chart.unwrap_or_else(|error| panic!("{error}"));
    let slider = row(&chart.rows, "slider");
    near(slider.ohms, 9.9e3, 3.0);
    assert!((9.47e3..9.52e3).contains(&slider.low), "{}", slider.low);
    assert!((9.99e3..10.2e3).contains(&slider.high), "{}", slider.high);
}

#[test]
fn a_resistor_beyond_the_reach_of_a_pocket_meter_is_still_a_path() {
    let stage = stage(
        "supply   B1 100V from top to chassis
resistor R1 47M from top to far
resistor R2 33M from far to chassis",
    );
    let chart = ohms_chart(&stage, &ChartOptions::default());
    let chart = chart.unwrap_or_else(|error| panic!("{error}"));
    near(row(&chart.rows, "far").ohms, 33e6, 1e5);
}

#[test]
fn junctions_in_a_path_and_leakage_are_remarked() {
    let stage = stage(
        "supply    B1 100V from top to chassis
resistor  R1 10k from top to middle
diode     D1 silicon from middle to low
resistor  R2 1k from low to chassis
resistor  R3 47k from middle to chassis
capacitor C1 40u 450V electrolytic from top to chassis
resistor  R4 1k from bottom to apart
diode     D2 silicon from apart to bottom
resistor  R5 1k from bottom to chassis",
    );
    let chart = ohms_chart(&stage, &ChartOptions::default());
    let chart = chart.unwrap_or_else(|error| panic!("{error}"));
    let said: Vec<&String> = chart.remarks.iter().collect();
    let diode = said.iter().find(|said| said.contains(": D1.")).copied();
    let diode = diode.unwrap_or_else(|| panic!("{said:?}"));
    for row in ["middle", "top", "across R3"] {
        assert!(diode.contains(row), "{row}: {diode}");
    }
    assert!(!diode.contains("across R2"), "{diode}");
    let other = said.iter().find(|said| said.contains(": D2.")).copied();
    let other = other.unwrap_or_else(|| panic!("{said:?}"));
    assert!(
        other.contains("apart") && other.contains("across R4"),
        "{other}"
    );
}

#[test]
fn a_filter_capacitor_alone_reads_its_leakage() {
    let stage = stage(
        "supply    B1 300V from top to chassis
capacitor C1 40u 450V electrolytic from top to chassis",
    );
    let chart = ohms_chart(&stage, &ChartOptions::default());
    let chart = chart.unwrap_or_else(|error| panic!("{error}"));
    let top = row(&chart.rows, "top");
    assert!(top.ohms > 100e3 && top.ohms < 20e6, "{}", top.ohms);
    assert!(top.low < top.ohms && top.high > top.ohms);
    assert!(
        chart.remarks[0].starts_with("Only the leakage of capacitors is read at top"),
        "{:?}",
        chart.remarks
    );
}
