//! Parts past their ratings, in the words of the system that the rating is by.

use super::{ChartOptions, charted, stage};

/// What is said of the stage, but for its ripple.
fn said(lines: &str) -> Vec<String> {
    let mut remarks = charted(&stage(lines), &ChartOptions::default()).remarks;
    remarks.retain(|remark| !remark.starts_with("Ripple"));
    remarks
}

/// A beam tube between supplies.
fn beam(tube: &str, plate: &str, bias: &str) -> String {
    said(&format!(
        "supply B1 {plate} from bplus to chassis\n\
         supply B2 250V from screen to chassis\n\
         supply B3 {bias} from chassis to grid\n\
         tube V1 {tube} plate=bplus grid=grid screen=screen cathode=chassis\n"
    ))
    .join("\n")
}

#[test]
fn a_later_version_is_held_to_its_own_rating() {
    // 6L6: 19 W, by design centers. 6L6GC: 30 W (data book of 1973, read).
    let original = beam("6L6", "400V", "17V");
    assert!(
        original.contains("over its design-center rating of 19 W"),
        "{original}"
    );
    assert_eq!(beam("6L6GC", "400V", "17V"), "");
}

#[test]
fn intermittent_service_is_told_from_continuous_service() {
    // 807: 25 W continuous, 30 W intermittent (data sheet, from memory, high).
    assert_eq!(beam("807", "600V", "24V"), "");
    let amateur = beam("807", "600V", "20V");
    assert!(
        amateur
            .contains("more than the 25 W of continuous service, within the 30 W of intermittent"),
        "{amateur}"
    );
    let beyond = beam("807", "600V", "17V");
    assert!(
        beyond.contains(
            "over its absolute rating of 25 W for continuous and 30 W for intermittent service"
        ),
        "{beyond}"
    );
}

#[test]
fn sections_of_a_bottle_are_held_to_what_they_bear_together() {
    // 6CG7: 3.5 W a plate, 5 W both (data sheet, from memory, medium).
    let pair = |grids: [&str; 2]| {
        let [first, second] = grids;
        said(&format!(
            "supply B1 250V from bplus to chassis\n\
             supply B2 7V from chassis to bias\n\
             supply B3 60V from chassis to off\n\
             resistor R1 1M from off to chassis\n\
             tube V1 6CG7 section 1 plate=bplus grid={first} cathode=chassis\n\
             tube V1 6CG7 section 2 plate=bplus grid={second} cathode=chassis\n"
        ))
    };
    let both = pair(["bias", "bias"]);
    assert_eq!(both.len(), 1, "{both:?}");
    assert!(
        both[0].starts_with("V1: its plates turn ")
            && both[0].ends_with("over the 5 W that they bear together."),
        "{both:?}"
    );
    assert_eq!(pair(["bias", "off"]), [""; 0]);
}

#[test]
fn a_rectifier_is_held_to_its_current_its_peaks_and_its_inverse_volts() {
    let supply = |tube: &str, winding: &str, ohms: &str, load: &str| {
        said(&format!(
            "rectifier V1 {tube} full-wave {winding} winding {ohms} input capacitor from raw to chassis\n\
             capacitor C1 40u 900V oil from raw to chassis\n\
             resistor R1 {load} 200W wirewound from raw to chassis\n"
        ))
        .join("\n")
    };
    // 5Y3: 1400 V inverse, 125 mA, 400 mA peak (data sheet, from memory, high).
    assert_eq!(supply("5Y3", "350V", "150", "5k"), "");
    // Twice the peak of 550 V.
    let stressed = supply("5Y3", "550V", "150", "20k");
    assert!(
        stressed.contains("stands off 1.56 kV of inverse voltage, over its rating of 1.4 kV"),
        "{stressed}"
    );
    let overdrawn = supply("5Y3", "350V", "150", "2k");
    assert!(
        overdrawn.contains("the most for its type is 125 mA"),
        "{overdrawn}"
    );
    let peaks = supply("5AR4", "350V", "1", "2k");
    assert!(
        peaks.contains("passes peaks of") && peaks.contains("before the reservoir"),
        "{peaks}"
    );
}

/// 35W4: 100 mA, and 60 mA with a panel lamp and no resistor beside it (data sheet, from memory, high).
#[test]
fn a_line_rectifier_with_a_lamp_bears_less() {
    let line = |load: &str| {
        said(&format!(
            "rectifier V1 35W4 half-wave 117V winding 100 input capacitor from raw to chassis\n\
             capacitor C1 40u 200V electrolytic from raw to chassis\n\
             resistor R1 {load} 20W wirewound from raw to chassis\n"
        ))
        .join("\n")
    };
    assert!(
        line("1.7k").contains("over the 60 mA with a lamp"),
        "{}",
        line("1.7k")
    );
    assert_eq!(line("5k"), "");
}
