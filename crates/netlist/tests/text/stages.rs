//! What good files mean.

use deadstage_netlist::*;

use crate::fixtures::{PREAMPLIFIER, REST, clean, clean_sheet, names};

fn part<'s>(stage: &'s Stage, name: &str) -> &'s Part {
    let id = stage.parts_named(name).next();
    stage.part(id.unwrap_or_else(|| panic!("no part {name}")))
}

fn node(stage: &Stage, name: &str) -> NodeId {
    let at = stage.nodes.iter().position(|n| n.name == name);
    NodeId(at.unwrap_or_else(|| panic!("no node {name}")) as u32)
}

#[test]
fn reads_a_preamplifier() {
    let stage = clean(PREAMPLIFIER);
    assert_eq!(stage.title, "Phono preamplifier, left channel");
    assert_eq!(stage.notes.len(), 1);
    assert_eq!(stage.line, Some(Volts(117.0)));
    assert_eq!(stage.settings, ["receive", "transmit"]);
    assert_eq!(stage.sections, ["Supply", "First stage", "Second stage"]);
    assert_eq!(stage.nodes[0].name, "chassis");
    assert_eq!(stage.parts.len(), 14);

    let supply = part(&stage, "B1");
    assert_eq!(supply.tolerance, Some(0.05));
    assert_eq!(
        supply.kind,
        PartKind::Supply {
            volts: Volts(250.0),
            source: Some(Ohms(1200.0)),
            follows_line: true,
            from: node(&stage, "bplus"),
            to: COMMON,
        }
    );
    let r3 = part(&stage, "r3");
    assert_eq!(r3.rating_watts, Some(Watts(0.5)));
    assert_eq!(r3.section, Some(SectionId(1)));
    let sections: Vec<PartId> = stage.parts_named("V1").collect();
    assert_eq!(sections.len(), 2);
    let PartKind::Tube {
        unit, electrodes, ..
    } = &stage.part(sections[1]).kind
    else {
        panic!("V1 is a tube");
    };
    assert_eq!(*unit, Some(2));
    // `GRID2` is `grid2`: names are compared without regard to case.
    assert_eq!(electrodes[1], (Electrode::Grid, node(&stage, "grid2")));

    assert_eq!(stage.expects.len(), 4);
    assert_eq!(stage.expects[0].tolerance, Some(0.15));
    assert_eq!(
        stage.expects[1].meter,
        Some(Meter {
            input: MeterInput::OhmsPerVolt(20e3),
            fraction: 0.03,
            offset: Volts(0.0)
        })
    );
    assert_eq!(
        stage.expects[2].point.place,
        Place::Node(node(&stage, "plate2"))
    );
    assert_eq!(stage.expects[2].tolerance, Some(2.0 / 165.0));
    assert_eq!(stage.expects[2].setting, Some(SettingId(1)));
    assert_eq!(stage.expects[3].quantity, Quantity::Amps);
    assert_eq!(stage.test_points.len(), 3);
    assert_eq!(
        stage.test_points[1].point.place,
        Place::Node(node(&stage, "cathode2"))
    );
    assert_eq!(stage.test_points[1].access, Access::Awkward);
}

#[test]
fn reads_every_other_statement() {
    let stage = clean(REST);
    assert_eq!(stage.nodes[0].name, "ground");
    let at = |name: &str| node(&stage, name);

    assert_eq!(stage.transformers.len(), 1);
    assert_eq!(
        part(&stage, "T1P").kind,
        PartKind::Winding {
            ohms: Ohms(250.0),
            henries: Some(Henries(30.0)),
            transformer: Some(0),
            from: at("bplus"),
            to: at("plate"),
        }
    );
    assert_eq!(
        part(&stage, "V3").kind,
        PartKind::Rectifier {
            tube_type: "5Y3".to_owned(),
            connection: RectifierConnection::FullWave,
            winding_volts: Volts(350.0),
            winding_ohms: Ohms(60.0),
            filter: FilterInput::Capacitor,
            from: at("raw"),
            to: COMMON,
        }
    );
    let ohms = |name: &str| match part(&stage, name).kind {
        PartKind::Fuse { ohms, .. } | PartKind::Link { ohms, .. } => ohms.0,
        ref other => panic!("{other:?}"),
    };
    assert_eq!([ohms("F1"), ohms("F2"), ohms("J1")], [0.1, 0.5, 1e-3]);

    let r1 = part(&stage, "R1");
    assert_eq!(
        (r1.tolerance, r1.rating_watts),
        (Some(0.1), Some(Watts(0.5)))
    );
    assert!(matches!(
        r1.kind,
        PartKind::Resistor {
            material: ResistorMaterial::Wirewound,
            ..
        }
    ));
    let r2 = part(&stage, "R2");
    assert_eq!(
        (r2.tolerance, r2.rating_watts),
        (Some(0.05), Some(Watts(2.0)))
    );
    assert!(matches!(
        r2.kind,
        PartKind::Resistor {
            material: ResistorMaterial::Film,
            ..
        }
    ));

    let position = |name: &str| match part(&stage, name).kind {
        PartKind::Potentiometer {
            position, wiper, ..
        } => (position, wiper),
        ref other => panic!("{other:?}"),
    };
    assert_eq!(position("VR1"), (Some(0.3), at("grid")));
    assert_eq!(position("VR2"), (None, at("node5")));

    let drive = |name: &str| match part(&stage, name).kind {
        PartKind::Tube { drive, .. } => drive,
        ref other => panic!("{other:?}"),
    };
    assert_eq!(drive("V4"), Some(Drive::Peak(Volts(25.0))));
    assert_eq!(drive("V5"), Some(Drive::GridCurrent(Amps(0.002))));
    assert_eq!(
        part(&stage, "Q1").kind,
        PartKind::Transistor {
            transistor_type: "germanium pnp".to_owned(),
            emitter: COMMON,
            base: at("grid"),
            collector: at("coll"),
        }
    );

    let coil = stage.parts_named("K1").next();
    let contact = stage.parts_named("K1").nth(1);
    let rest = |id: Option<PartId>| match stage.part(id.unwrap_or(PartId(0))).kind {
        PartKind::Contact {
            relay,
            normally_open,
            ..
        } => (Some(relay), normally_open),
        ref other => panic!("{other:?}"),
    };
    assert_eq!(rest(contact), (coil, false));
    assert_eq!(rest(stage.parts_named("K1b").next()), (coil, true));

    assert_eq!(
        part(&stage, "M1").kind,
        PartKind::Meter {
            full_scale: Amps(1e-3),
            ohms: Ohms(100.0),
            scale: Some(MeterScale {
                low: 0.0,
                high: 500.0,
                unit: "mA".to_owned()
            }),
            from: at("m1"),
            to: at("m2"),
        }
    );
    assert!(matches!(
        part(&stage, "M2").kind,
        PartKind::Meter { full_scale: Amps(amps), .. } if (amps - 0.15).abs() < 1e-15
    ));
    let pentode = &stage.tube_types[0];
    assert_eq!(
        (pentode.kind, pentode.screen_amps),
        (TubeKind::Pentode, Some(Amps(0.005)))
    );
    assert_eq!(stage.tube_types[1].gm, Siemens(1.6e-3));

    assert_eq!(stage.expects[0].quantity, Quantity::Panel);
    assert_eq!(stage.expects[0].value, 95.0);
    assert_eq!(stage.expects[1].point.place, Place::Node(at("bplus")));
    // `receive` is the default setting, and the default is written as none.
    assert_eq!(stage.expects[3].setting, None);
}

#[test]
fn reads_a_sheet() {
    let stage = clean(PREAMPLIFIER);
    let sheet = clean_sheet(
        r#"
readings "As found, before any part was changed"
meter 11M 3%
line 121V
volts plate1 248V
volts V1 pin 3 0.05V
volts across R3 1.9V range 10V
meter 10M 0.8% + 0.02V
setting transmit
ohms grid1 1.02M
ohms across R3 inf
amps through R9 4.1mA
tester V1 45%
tester V1 section 2 90%
seen R9 burnt
volts plate2 > 300V
volts grid2 -3.4V with V1 pulled with C2 lifted
good C2
replaced V1 section 2
"#,
        &stage,
    );
    assert_eq!(sheet.title, "As found, before any part was changed");
    assert_eq!(sheet.readings.len(), 10);
    let first = &sheet.readings[0];
    assert_eq!((first.value, first.quantity), (248.0, Quantity::Volts));
    assert_eq!(first.meter.input, MeterInput::Fixed(Ohms(11e6)));
    assert_eq!((first.line, first.setting), (Some(Volts(121.0)), None));
    assert_eq!(sheet.readings[1].point.label, "V1 pin 3");
    assert_eq!(
        sheet.readings[1].point.place,
        Place::Node(node(&stage, "cathode1"))
    );
    assert_eq!(sheet.readings[2].range, Some(10.0));
    let grid = &sheet.readings[3];
    assert_eq!(
        (grid.meter.fraction, grid.meter.offset),
        (0.008, Volts(0.02))
    );
    assert_eq!(grid.setting, Some(SettingId(1)));
    let open = &sheet.readings[4];
    assert_eq!((open.value, open.bound), (OHMMETER_REACH, Bound::Above));
    let v1: Vec<PartId> = stage.parts_named("V1").collect();
    assert_eq!(sheet.readings[6].point.place, Place::Through(v1[0]));
    assert_eq!(sheet.readings[7].point.place, Place::Through(v1[1]));
    assert_eq!(sheet.readings[7].point.label, "V1 section 2");
    assert_eq!(
        (sheet.readings[8].value, sheet.readings[8].bound),
        (300.0, Bound::Above)
    );
    let last = &sheet.readings[9];
    assert_eq!(last.value, -3.4);
    assert_eq!((last.pulled.as_slice(), last.lifted.len()), (&v1[..1], 1));
    let kinds: Vec<RemarkKind> = sheet.remarks.iter().map(|r| r.kind).collect();
    assert_eq!(
        kinds,
        [
            RemarkKind::Seen(Look::Burnt),
            RemarkKind::Good,
            RemarkKind::Replaced
        ]
    );
    assert_eq!(sheet.remarks[2].part, v1[1]);
    assert_eq!(sheet.conditions.line, Some(Volts(121.0)));
}

#[test]
fn panel_readings_are_in_the_units_of_the_scale() {
    let stage = clean(REST);
    let sheet = clean_sheet(
        "readings \"x\"\npanel M1 95mA\npanel M1 0.095A\npanel M1 95\npanel M2 40mA\n",
        &stage,
    );
    let values: Vec<f64> = sheet.readings.iter().map(|r| r.value).collect();
    // M2 has no scale: its reading is the current through the movement, in amperes.
    assert_eq!(values, [95.0, 95.0, 95.0, 0.04]);
}

#[test]
fn a_transformer_stands_for_its_windings() {
    let stage = clean(REST);
    let sheet = clean_sheet("readings \"x\"\ngood T1\n", &stage);
    let named: Vec<&str> = sheet
        .remarks
        .iter()
        .map(|r| stage.part(r.part).name.as_str())
        .collect();
    assert_eq!(named, ["T1P", "T1S"]);
}

#[test]
fn a_plate_on_the_top_cap_is_reached_by_name_and_by_no_pin() {
    let stage = clean(
        "stage \"x\"\ntube V1 6AX9 plate=p grid=g screen=s cathode=k\nexpect V1 plate 400V\n",
    );
    assert_eq!(stage.expects[0].point.place, Place::Node(node(&stage, "p")));
    let fault = parse_point("V1 pin 0", &stage, &names()).map_err(|fault| (fault.code, fault.help));
    let help = "its electrodes are on pins 4, 5, 8".to_owned();
    assert_eq!(fault, Err(("no-such-pin", Some(help))));
}
