//! The tube table: found by any of its names, and put together soundly.

use std::collections::BTreeMap;

use deadstage_parts::{Confidence, Device, Electrode, LawForm, Pin, UnitKind, tube_table};

#[test]
fn the_table_holds_what_a_chassis_of_the_time_holds() {
    let table = tube_table();
    assert!(table.types().len() >= 120, "{} types", table.types().len());
    for name in [
        "12AX7", "12AU7", "6SN7", "6SL7", "6AU6", "6BA6", "6SJ7", "6SK7", "6V6", "6L6", "6AQ5",
        "5763", "6146", "EF86", "EL84", "6BE6", "6SA7", "6SQ7", "6AV6", "6J7", "6K7", "6F6", "6K6",
        "50C5", "35L6", "807", "1625", "2E26", "832A", "811A", "5Y3", "5U4", "5V4", "5R4", "5AR4",
        "6X4", "6X5", "35W4", "80", "83", "866A", "0A2", "0B2", "0A3", "0D3", "6E5", "1R5", "1T4",
        "3S4", "6AL5", "6H6",
    ] {
        assert!(table.find(name).is_some(), "{name}");
    }
}

#[test]
fn a_type_is_found_by_any_of_its_names() {
    let name = |asked: &str| tube_table().find(asked).map(|tube| tube.name.as_str());
    for (asked, found) in [
        ("12ax7", "12AX7"),
        ("ECC83", "12AX7"),
        ("6V6-GT", "6V6"),
        ("6SN7GT", "6SN7"),
        // A version with ratings of its own is a row of its own.
        ("6SN7GTA", "6SN7GTB"),
        ("6sk7 gt", "6SK7"),
        ("5Y3GT", "5Y3"),
        ("OA2", "0A2"),
        ("VR150/30", "0D3"),
        ("OD3", "0D3"),
        ("6BQ5", "EL84"),
        ("6CA7", "EL34"),
    ] {
        assert_eq!(name(asked), Some(found), "{asked}");
    }
    for unknown in ["", "GT", "12AX", "45L", "nothing"] {
        assert_eq!(name(unknown), None, "{unknown}");
    }
}

/// A name of letters that the table does not know is the plain type's, and says so.
#[test]
fn an_unknown_version_is_found_with_a_doubt() {
    let doubt = |asked: &str| {
        let named = tube_table().look_up(asked)?;
        Some((named.tube.name.as_str(), named.doubt().is_some()))
    };
    assert_eq!(doubt("6V6GT/G"), Some(("6V6", false)));
    assert_eq!(doubt("6V6WXT"), Some(("6V6", true)));
    assert_eq!(doubt("12AX7XY"), Some(("12AX7", true)));
}

#[test]
fn types_stand_in_the_order_of_a_manual() {
    let names: Vec<_> = tube_table()
        .types()
        .iter()
        .map(|tube| tube.name.as_str())
        .collect();
    let place = |name: &str| names.iter().position(|n| *n == name);
    assert!(place("1R5") < place("5Y3"));
    assert!(place("6AU6") < place("6V6"));
    assert!(place("6V6") < place("12AX7"));
    assert!(place("807") < place("EF86"));
}

/// A pin belongs to one electrode, but for cathodes, screens and shields that
/// units of one bottle share, and filament ends, which are the cathode.
#[test]
fn no_pin_has_two_uses() {
    for tube in tube_table().types() {
        let mut uses: BTreeMap<Pin, Electrode> = BTreeMap::new();
        for unit in &tube.units {
            for (electrode, pins) in &unit.pins {
                assert!(!pins.is_empty(), "{} {electrode:?}", tube.name);
                for pin in pins {
                    let shared = matches!(electrode, Electrode::Cathode | Electrode::Screen);
                    if let Some(other) = uses.insert(*pin, *electrode) {
                        assert!(
                            shared && other == *electrode,
                            "{}: pin {pin} is {electrode:?} and {other:?}",
                            tube.name
                        );
                    }
                    if let Pin::Number(number) = pin {
                        assert!(
                            (1..=tube.base.pins()).contains(number),
                            "{}: pin {number}",
                            tube.name
                        );
                    }
                }
            }
        }
        for pin in tube.heater.iter().flat_map(|heater| &heater.pins) {
            assert!(
                matches!(pin, Pin::Number(number) if *number <= tube.base.pins()),
                "{}: heater on {pin}",
                tube.name
            );
            let other = uses.get(pin);
            assert!(
                other.is_none_or(|electrode| *electrode == Electrode::Cathode),
                "{}: pin {pin} is heater and {other:?}",
                tube.name
            );
        }
    }
}

#[test]
fn every_unit_has_the_electrodes_of_its_kind_and_a_law() {
    for tube in tube_table().types() {
        for (number, unit) in tube.units.iter().enumerate() {
            let has = |electrode| unit.pins.contains_key(&electrode);
            let name = format!("{} unit {}", tube.name, number + 1);
            assert!(has(Electrode::Plate) && has(Electrode::Cathode), "{name}");
            if let UnitKind::Amplifier(kind) = unit.kind {
                assert!(has(Electrode::Grid), "{name}");
                assert_eq!(has(Electrode::Screen), kind.has_screen(), "{name}");
                assert!(!unit.points.is_empty(), "{name}");
            }
            for form in LawForm::ALL {
                let law = tube.law(number, form);
                assert!(law.is_some(), "{name} {form:?}");
                let right = match (unit.kind, law) {
                    (UnitKind::Amplifier(_), Some(Device::Tube(law))) => law.form() == form,
                    (UnitKind::Regulator, Some(Device::Regulator(_))) => true,
                    (
                        UnitKind::Diode | UnitKind::Rectifier | UnitKind::GasRectifier,
                        Some(Device::Diode(_)),
                    ) => true,
                    _ => false,
                };
                assert!(right, "{name}");
            }
        }
        assert!(tube.law(tube.units.len(), LawForm::TwoPitch).is_none());
    }
}

/// Ratings hold at the published points, or one of the two is mistyped.
#[test]
fn published_points_lie_within_the_ratings() {
    let mut over = Vec::new();
    for tube in tube_table()
        .types()
        .iter()
        .filter(|t| t.confidence != Confidence::Low)
    {
        for unit in &tube.units {
            // Characteristics that the sheets print for a moment's measurement are marked so.
            for published in unit.points.iter().filter(|p| !p.momentary) {
                let point = published.point;
                let mut within = |value: Option<f64>, limit: Option<f64>, what: &str| {
                    if let (Some(value), Some(limit)) = (value, limit)
                        && value > 1.08 * limit
                    {
                        over.push(format!("{}: {what} {value} over {limit}", tube.name));
                    }
                };
                let ratings = unit.ratings;
                within(Some(point.plate_volts), ratings.plate_volts, "plate volts");
                within(
                    point.plate_amps.map(|i| i * point.plate_volts),
                    ratings.plate_watts,
                    "plate watts",
                );
                within(
                    Some(point.screen_volts),
                    ratings.screen_volts,
                    "screen volts",
                );
                within(
                    point.screen_amps.map(|i| i * point.screen_volts),
                    ratings.screen_watts,
                    "screen watts",
                );
            }
        }
    }
    assert!(over.is_empty(), "{}", over.join("\n"));
}

/// Published drops and voltages (rectifier and regulator sheets, as marked in
/// the table) come out of the laws made from them.
#[test]
fn rectifier_and_regulator_figures_are_those_of_the_sheets() {
    let drop = |name: &str| {
        tube_table()
            .find(name)
            .and_then(|t| t.units.first())
            .and_then(|u| u.diode_perveance())
    };
    for (name, perveance) in [
        ("5U4G", 7.71e-4),
        ("5Y3GT", 3.54e-4),
        ("6X5", 6.78e-4),
        ("GZ34", 3.21e-3),
    ] {
        assert!(
            drop(name).is_some_and(|k| (k / perveance - 1.0).abs() < 0.01),
            "{name}: {:?}",
            drop(name)
        );
    }
    let glow = |name: &str| {
        tube_table()
            .find(name)
            .and_then(|t| t.units.first())
            .and_then(|u| u.glow)
    };
    for (name, volts) in [
        ("0A2", 150.0),
        ("0B2", 108.0),
        ("0A3", 75.0),
        ("0B3", 90.0),
        ("0C3", 105.0),
        ("0D3", 150.0),
    ] {
        assert!(
            glow(name).is_some_and(|g| g.volts == volts && g.strike_volts > 1.15 * volts),
            "{name}"
        );
    }
}
