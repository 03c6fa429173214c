//! A panel meter calibrated on the bench, as evidence.

use crate::diagnose::{Options, diagnose};
use crate::outcome::Diagnosis;
use crate::test_bench::{blamed, sheet, stage};

const METERED: &str = r#"stage "metered"
supply   B1 300V source 100 from bplus to chassis
resistor R1 4k 10W wirewound from bplus to m1
meter    M1 1mA 100 scale "0-100 mA" from m1 to out
resistor R2 1.01 1% wirewound from m1 to out
resistor R3 1k 5W wirewound from out to chassis
"#;

/// The circuit carries 58.8 mA, and the meter shows 41.
const LOW: &str = "volts bplus 294V\nvolts out 58.4V\npanel M1 41mA\n";

fn answer(lines: &str) -> Diagnosis {
    let stage = stage(METERED);
    let sheet = sheet(&stage, &format!("{LOW}{lines}"));
    diagnose(&stage, &[sheet], &Options::default()).expect("the stage solves")
}

/// What a known current shows says whether the meter is at fault at all, and
/// what it drops across the pair says whether movement or shunt is.
#[test]
fn a_bench_current_parts_meter_shunt_and_circuit() {
    let bare = answer("");
    let (m1, r2) = (blamed(&bare, "M1"), blamed(&bare, "R2"));
    assert!(m1 > 0.2 && r2 > 0.05, "M1 {m1}, R2 {r2}");

    let right = answer("panel M1 80mA bench 80mA\n");
    let cleared = blamed(&right, "M1") + blamed(&right, "R2");
    assert!(cleared < 0.05 && right.healthy > 0.5, "{cleared}");

    // 1.01 Ω of shunt drops 80 mV, one of 0.71 Ω 56 mV.
    let wrong = "panel M1 56.5mA bench 80mA\n";
    let movement = answer(&format!("{wrong}volts across M1 0.080V bench 80mA\n"));
    let shunt = answer(&format!("{wrong}volts across M1 0.0563V bench 80mA\n"));
    assert!(blamed(&movement, "M1") > 0.95);
    assert!(blamed(&shunt, "R2") > 0.95, "R2 {}", blamed(&shunt, "R2"));
    let found = shunt.suspects[0].faults[0].value.expect("it has a value");
    assert!((0.65..0.77).contains(&found), "{found} Ω");
}
