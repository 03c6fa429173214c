//! Printing and reading back gives the same, for stages and sheets at random.

use deadstage_netlist::*;
use proptest::prelude::*;

use crate::fixtures::{PREAMPLIFIER, REST, clean, clean_sheet, config, names, parse};

/// What a part is drawn from: a kind, numbers with all their digits, nodes, choices.
type Seed = (u8, [f64; 4], [usize; 6], u32);

fn seeds() -> impl Strategy<Value = Vec<Seed>> {
    let number = 1.0f64..9.99;
    let seed = (
        any::<u8>(),
        prop::array::uniform4(number),
        prop::array::uniform6(0usize..40),
        any::<u32>(),
    );
    prop::collection::vec(seed, 0..40)
}

fn title() -> impl Strategy<Value = String> {
    "[a-zA-Z \"\\\\#=é°Ω\n-]{0,12}"
}

/// Two nodes that differ.
fn two(nodes: &[usize; 6]) -> (NodeId, NodeId) {
    let (a, b) = (nodes[0] as u32, nodes[1] as u32);
    (NodeId(a), NodeId(if a == b { (b + 1) % 40 } else { b }))
}

fn pick<T: Clone>(from: &[T], bits: u32) -> T {
    from[bits as usize % from.len()].clone()
}

fn kind(seed: &Seed) -> PartKind {
    let (what, x, nodes, bits) = seed;
    let (from, to) = two(nodes);
    let third = NodeId(nodes[2] as u32);
    let yes = |bit: u32| bits >> bit & 1 == 1;
    // Powers of ten that stay within what each kind can be.
    let ohms = Ohms(x[0] * 10f64.powi((bits >> 4 & 7) as i32 - 1));
    match what % 20 {
        0 => PartKind::Supply {
            volts: Volts(x[0] * 100.0),
            source: yes(0).then_some(ohms),
            follows_line: yes(1),
            from,
            to,
        },
        1 => {
            use RectifierConnection::{Bridge, Doubler, FullWave, HalfWave};
            let (connection, filter) = pick(
                &[
                    (FullWave, FilterInput::Capacitor),
                    (FullWave, FilterInput::Choke),
                    (HalfWave, FilterInput::Capacitor),
                    (HalfWave, FilterInput::Choke),
                    (Bridge, FilterInput::Capacitor),
                    (Bridge, FilterInput::Choke),
                    (Doubler, FilterInput::Capacitor),
                ],
                bits >> 3,
            );
            PartKind::Rectifier {
                tube_type: pick(&["5Y3", "silicon", "selenium"], *bits).to_owned(),
                connection,
                winding_volts: Volts(x[1] * 100.0),
                winding_ohms: Ohms(x[0]),
                filter,
                from,
                to,
            }
        }
        2 => PartKind::Potentiometer {
            ohms,
            position: yes(0).then_some(x[1] / 10.0),
            from,
            to,
            wiper: third,
        },
        3 | 4 => PartKind::Capacitor {
            farads: Farads(x[0] * 10f64.powi(-((bits >> 4 & 7) as i32) - 4)),
            dielectric: pick(
                &[
                    Dielectric::Paper,
                    Dielectric::Mica,
                    Dielectric::Ceramic,
                    Dielectric::Film,
                    Dielectric::Electrolytic,
                    Dielectric::Oil,
                ],
                *bits,
            ),
            from,
            to,
        },
        5 => PartKind::Choke {
            ohms: Ohms(x[0] * 100.0),
            henries: yes(0).then_some(Henries(x[1])),
            from,
            to,
        },
        6 => PartKind::Winding {
            ohms: Ohms(x[0] * 100.0),
            henries: yes(0).then_some(Henries(x[1] * 0.01)),
            transformer: pick(&[None, Some(0), Some(1)], bits >> 1),
            from,
            to,
        },
        7 => PartKind::Diode {
            diode_type: pick(&["silicon", "germanium", "selenium", "5Y3"], *bits).to_owned(),
            from,
            to,
        },
        8 => PartKind::Regulator {
            tube_type: "0A2".to_owned(),
            from,
            to,
        },
        9 => PartKind::Transistor {
            transistor_type: pick(&["germanium pnp", "silicon npn", "X-1"], *bits).to_owned(),
            emitter: from,
            base: to,
            collector: third,
        },
        10 => PartKind::Lamp {
            ohms,
            cold: pick(&[None, Some(Ohms(x[1]))], bits >> 2),
            from,
            to,
        },
        11 => PartKind::Fuse {
            ohms: Ohms(x[0]),
            from,
            to,
        },
        12 => PartKind::Link {
            ohms: Ohms(x[0] * 1e-3),
            from,
            to,
        },
        13 => PartKind::Thermistor {
            ohms,
            cold: pick(&[None, Some(Ohms(x[1] * 10.0))], bits >> 2),
            from,
            to,
        },
        14 => PartKind::Switch {
            closed_in: pick(
                &[
                    vec![SettingId(0)],
                    vec![SettingId(2), SettingId(1)],
                    vec![SettingId(1)],
                ],
                *bits,
            ),
            from,
            to,
        },
        15 => PartKind::Meter {
            full_scale: Amps(x[1] * 1e-3),
            ohms: Ohms(x[0] * 10.0),
            scale: yes(0).then(|| MeterScale {
                low: if yes(1) { -x[2] } else { 0.0 },
                high: x[3] * 100.0,
                unit: pick(&["mA", "V", "dB", "", "%"], bits >> 2).to_owned(),
            }),
            from,
            to,
        },
        16 | 17 => tube(seed),
        _ => PartKind::Resistor {
            ohms,
            material: pick(
                &[
                    ResistorMaterial::Composition,
                    ResistorMaterial::Film,
                    ResistorMaterial::Wirewound,
                ],
                *bits,
            ),
            from,
            to,
        },
    }
}

fn tube(seed: &Seed) -> PartKind {
    use Electrode::{Cathode, Grid, Plate, Screen, Suppressor};
    let (_, x, nodes, bits) = seed;
    let (tube_type, wired, unit) = pick(
        &[
            ("12AX7", vec![Plate, Grid, Cathode], Some(2)),
            ("12ax7", vec![Cathode, Plate, Grid], Some(1)),
            ("6C4", vec![Grid, Plate, Cathode], None),
            ("6SJ7", vec![Plate, Screen, Grid, Cathode], None),
            (
                "OWN-5",
                vec![Plate, Screen, Suppressor, Grid, Cathode],
                None,
            ),
        ],
        *bits,
    );
    let (first, second) = two(nodes);
    let nodes = [first, second]
        .into_iter()
        .chain(nodes[2..].iter().map(|&n| NodeId(n as u32)));
    PartKind::Tube {
        tube_type: tube_type.to_owned(),
        unit,
        electrodes: wired.into_iter().zip(nodes).collect(),
        drive: pick(
            &[
                None,
                None,
                Some(Drive::Peak(Volts(x[0] * 10.0))),
                Some(Drive::GridCurrent(Amps(x[0] * 1e-3))),
            ],
            bits >> 8,
        ),
    }
}

fn map_nodes(kind: &mut PartKind, mut to_new: impl FnMut(NodeId) -> NodeId) {
    match kind {
        PartKind::Potentiometer {
            from, to, wiper, ..
        } => {
            for node in [from, to, wiper] {
                *node = to_new(*node);
            }
        }
        PartKind::Tube { electrodes, .. } => {
            for (_, node) in electrodes {
                *node = to_new(*node);
            }
        }
        PartKind::Transistor {
            emitter,
            base,
            collector,
            ..
        } => {
            for node in [emitter, base, collector] {
                *node = to_new(*node);
            }
        }
        PartKind::Supply { from, to, .. }
        | PartKind::Rectifier { from, to, .. }
        | PartKind::Resistor { from, to, .. }
        | PartKind::Capacitor { from, to, .. }
        | PartKind::Choke { from, to, .. }
        | PartKind::Winding { from, to, .. }
        | PartKind::Diode { from, to, .. }
        | PartKind::Regulator { from, to, .. }
        | PartKind::Lamp { from, to, .. }
        | PartKind::Fuse { from, to, .. }
        | PartKind::Link { from, to, .. }
        | PartKind::Thermistor { from, to, .. }
        | PartKind::Switch { from, to, .. }
        | PartKind::Relay { from, to, .. }
        | PartKind::Contact { from, to, .. }
        | PartKind::Meter { from, to, .. } => {
            *from = to_new(*from);
            *to = to_new(*to);
        }
    }
}

/// Which properties the statement of a kind can carry.
fn carries(kind: &PartKind) -> (bool, bool, bool) {
    match kind {
        PartKind::Tube { .. } | PartKind::Transistor { .. } => (false, false, false),
        PartKind::Rectifier { .. } | PartKind::Meter { .. } => (true, false, false),
        PartKind::Supply { .. } => (true, true, false),
        PartKind::Capacitor { .. } | PartKind::Diode { .. } | PartKind::Regulator { .. } => {
            (true, false, true)
        }
        PartKind::Switch { .. } | PartKind::Contact { .. } => (false, false, true),
        _ => (true, true, true),
    }
}

fn stage(seeds: &[Seed], title: &str, note: Option<String>) -> Stage {
    let own = |name: &str, kind, screen: bool| TubeTypeDefinition {
        name: name.to_owned(),
        kind,
        mu: 19.5,
        plate_volts: Volts(250.0),
        grid_volts: Volts(-8.125),
        plate_amps: Amps(0.0321),
        gm: Siemens(0.0041),
        screen_volts: screen.then_some(Volts(250.5)),
        screen_amps: screen.then_some(Amps(0.005)),
        span: Span::default(),
    };
    let transformer = |name: &str| Transformer {
        name: name.to_owned(),
        span: Span::default(),
    };
    let mut stage = Stage {
        title: title.to_owned(),
        notes: note.into_iter().collect(),
        line: seeds.first().map(|seed| Volts(seed.1[0] * 20.0)),
        settings: ["receive", "transmit", "tune"].map(str::to_owned).to_vec(),
        sections: ["Supply", "quoted \"S\"", "empty", "Audio"]
            .map(str::to_owned)
            .to_vec(),
        nodes: vec![Node {
            name: "Earth".to_owned(),
            span: Span::default(),
        }],
        transformers: vec![transformer("T1"), transformer("T.2")],
        tube_types: vec![
            own("OWN-5", TubeKind::BeamTetrode, true),
            own("own3", TubeKind::Triode, false),
        ],
        ..Stage::default()
    };
    // Nodes are numbered as they are met, so draw by name and number afterwards.
    let mut met: Vec<Option<NodeId>> = vec![None; 40];
    met[0] = Some(COMMON);
    for (at, seed) in seeds.iter().enumerate() {
        let mut kind = kind(seed);
        map_nodes(&mut kind, |old| {
            let place = &mut met[old.0 as usize];
            *place.get_or_insert_with(|| {
                let id = NodeId(stage.nodes.len() as u32);
                let name = format!(
                    "{}{}",
                    pick(&["grid", "B+", "k_", "x.y-", "é"], old.0),
                    old.0
                );
                stage.nodes.push(Node {
                    name,
                    span: Span::default(),
                });
                id
            })
        });
        let (_, x, _, bits) = seed;
        let (tolerance, watts, volts) = carries(&kind);
        stage.parts.push(Part {
            name: format!("{}{at}", pick(&["R", "V", "left.C", "é_"], *bits)),
            kind,
            tolerance: (tolerance && bits >> 10 & 1 == 1).then_some(x[2] / 10.0),
            rating_watts: (watts && bits >> 11 & 1 == 1).then_some(Watts(x[3])),
            rating_volts: (volts && bits >> 12 & 1 == 1).then_some(Volts(x[3] * 100.0)),
            section: pick(
                &[
                    None,
                    Some(SectionId(0)),
                    Some(SectionId(1)),
                    Some(SectionId(3)),
                ],
                bits >> 13,
            ),
            span: Span::default(),
        });
    }
    add_relay(&mut stage);
    add_points(&mut stage, seeds);
    stage
}

fn add_relay(stage: &mut Stage) {
    let Some(node) = stage.nodes.len().checked_sub(1).filter(|&n| n > 0) else {
        return;
    };
    let (from, to) = (NodeId(node as u32), COMMON);
    let relay = PartId(stage.parts.len() as u32 + 1);
    let contact = |normally_open| PartKind::Contact {
        relay,
        normally_open,
        from,
        to,
    };
    let coil = PartKind::Relay {
        ohms: Ohms(4.9e3),
        pulls_in: Amps(0.0081),
        from,
        to,
    };
    for (name, kind) in [("K1b", contact(true)), ("K1", coil), ("k1", contact(false))] {
        stage.parts.push(Part {
            name: name.to_owned(),
            kind,
            tolerance: None,
            rating_watts: None,
            rating_volts: None,
            section: None,
            span: Span::default(),
        });
    }
}

fn add_points(stage: &mut Stage, seeds: &[Seed]) {
    let mut points = Vec::new();
    for (id, node) in (0..).map(NodeId).zip(&stage.nodes) {
        points.push((Quantity::Volts, node.name.clone(), Place::Node(id)));
    }
    for (id, part) in (0..).map(PartId).zip(&stage.parts) {
        let first = stage.parts_named(&part.name).next() == Some(id);
        if part.kind.ends().is_some() && first {
            points.push((
                Quantity::Volts,
                format!("across {}", part.name),
                Place::Across(id),
            ));
            points.push((
                Quantity::Amps,
                format!("through {}", part.name),
                Place::Through(id),
            ));
        }
        if let PartKind::Tube { electrodes, .. } = &part.kind {
            let node = electrodes
                .iter()
                .find(|(e, _)| *e == Electrode::Plate)
                .map(|e| e.1);
            points.extend(node.map(|n| {
                (
                    Quantity::Volts,
                    format!("{} plate", part.name),
                    Place::Node(n),
                )
            }));
        }
        if let PartKind::Meter { .. } = &part.kind {
            points.push((Quantity::Panel, part.name.clone(), Place::Through(id)));
        }
    }
    for ((quantity, label, place), seed) in points.into_iter().zip(seeds) {
        let (_, x, _, bits) = seed;
        let point = Point { label, place };
        let scale = match place {
            Place::Through(id) => match &stage.part(id).kind {
                PartKind::Meter { scale, .. } => scale.clone(),
                _ => None,
            },
            _ => None,
        };
        let value = match (quantity, scale) {
            (Quantity::Panel, Some(scale)) => scale.high / x[1].max(1.0),
            (Quantity::Volts, _) => (x[1] - 5.0) * 30.0,
            _ => x[1] * 1e-3,
        };
        if quantity == Quantity::Volts || bits & 1 == 1 {
            stage.test_points.push(TestPoint {
                point: point.clone(),
                access: pick(&[Access::Easy, Access::Awkward, Access::Hazard], bits >> 1),
            });
        }
        stage.expects.push(Expect {
            point,
            value,
            quantity,
            tolerance: (bits >> 3 & 1 == 1).then_some(x[2] / 20.0),
            setting: pick(&[None, Some(SettingId(1)), Some(SettingId(2))], bits >> 4),
            meter: pick(&[None, Some(meter(x, *bits))], bits >> 6),
            span: Span::default(),
        });
    }
}

fn meter(x: &[f64; 4], bits: u32) -> Meter {
    Meter {
        input: pick(
            &[
                MeterInput::Ideal,
                MeterInput::OhmsPerVolt(x[0] * 1e4),
                MeterInput::Fixed(Ohms(x[0] * 1e7)),
            ],
            bits >> 7,
        ),
        fraction: pick(&[0.0, x[1] / 100.0], bits >> 9),
        offset: Volts(pick(&[0.0, x[2] / 100.0], bits >> 10)),
    }
}

fn sheet(stage: &Stage, seeds: &[Seed]) -> Readings {
    let mut readings = Readings {
        title: "As \"found\"".to_owned(),
        ..Readings::default()
    };
    let mut line = None;
    for (expect, seed) in stage.expects.iter().zip(seeds.iter().rev()) {
        let (_, x, _, bits) = seed;
        if bits >> 2 & 3 == 0 {
            line = Some(Volts(x[3] * 20.0));
        }
        let ohms = expect.quantity == Quantity::Volts && bits & 1 == 1;
        let lifted = stage.parts_named("K1").next();
        let tube = (0u32..).map(PartId).zip(&stage.parts).find(|(_, part)| {
            matches!(
                part.kind,
                PartKind::Tube { .. } | PartKind::Regulator { .. }
            )
        });
        readings.conditions = Conditions {
            meter: meter(x, *bits),
            setting: expect.setting,
            line,
        };
        readings.readings.push(Reading {
            quantity: if ohms {
                Quantity::Ohms
            } else {
                expect.quantity
            },
            point: expect.point.clone(),
            value: if ohms {
                expect.value.abs() * 1e4
            } else {
                expect.value
            },
            bound: pick(&[Bound::Exact, Bound::Above, Bound::Below], bits >> 5),
            meter: readings.conditions.meter,
            range: (expect.quantity != Quantity::Panel && bits >> 7 & 1 == 1)
                .then_some(x[3] * 100.0),
            setting: expect.setting,
            line,
            pulled: tube
                .filter(|_| bits >> 8 & 1 == 1)
                .map(|(id, _)| id)
                .into_iter()
                .collect(),
            lifted: lifted.filter(|_| bits >> 9 & 1 == 1).into_iter().collect(),
            bench: (!ohms && expect.quantity == Quantity::Panel && bits >> 10 & 1 == 1)
                .then_some(Amps(0.001 + x[1].abs().min(50.0))),
            span: Span::default(),
        });
        if let Some((part, _)) = tube {
            readings.remarks.push(Remark {
                part,
                kind: pick(
                    &[
                        RemarkKind::Good,
                        RemarkKind::Replaced,
                        RemarkKind::Seen(Look::Arcing),
                    ],
                    bits >> 11,
                ),
                span: Span::default(),
            });
            readings.readings.push(Reading {
                quantity: Quantity::Tester,
                point: Point {
                    label: stage.part(part).name.clone(),
                    place: Place::Through(part),
                },
                value: x[0] * 10.0,
                range: None,
                bench: None,
                ..readings.readings[readings.readings.len() - 1].clone()
            });
        }
    }
    readings
}

proptest! {
    #![proptest_config(config(200))]

    #[test]
    fn a_printed_stage_reads_back(seeds in seeds(), title in title(), note in prop::option::of(title())) {
        let stage = stage(&seeds, &title, note);
        let printed = print_stage(&stage);
        let parsed = parse(&printed);
        prop_assert!(!parsed.has_errors(), "{printed}\n{:?}", parsed.diagnostics);
        prop_assert_eq!(&parsed.value, &stage, "{}", printed);

        let sheet = sheet(&stage, &seeds);
        let printed = print_readings(&sheet, &stage);
        let parsed = parse_readings("r", &printed, &stage, &names());
        prop_assert!(parsed.diagnostics.is_empty(), "{printed}\n{:?}", parsed.diagnostics);
        prop_assert_eq!(&parsed.value, &sheet, "{}", printed);
    }
}

#[test]
fn the_written_stages_read_back() {
    for text in [PREAMPLIFIER, REST] {
        let stage = clean(text);
        let printed = print_stage(&stage);
        assert_eq!(clean(&printed), stage, "{printed}");
    }
}

#[test]
fn a_meter_typed_in_any_way_is_the_same_meter() {
    let expected = Meter {
        input: MeterInput::Fixed(Ohms(10e6)),
        fraction: 0.008,
        offset: Volts(0.02),
    };
    for text in [
        "10M 0.8% + 0.02V",
        "10M 0.8%+0.02V",
        "10M 0.8% +20mV",
        " 10M 0.8%+ 0.02 ",
    ] {
        assert_eq!(parse_meter(text), Ok(expected), "{text}");
    }
    assert_eq!(parse_meter("ideal"), Ok(Meter::IDEAL));
    let pointer = parse_meter("20k/V").map(|meter| meter.input);
    assert_eq!(pointer, Ok(MeterInput::OhmsPerVolt(20e3)));
    for bad in [
        "", "#", "10M 3% x", "10M\n3%", "20k/A", "x/V", "200 k/V", "10M 300%",
    ] {
        assert!(parse_meter(bad).is_err(), "{bad}");
    }
}

#[test]
fn a_reading_typed_on_a_command_line_is_taken_under_the_conditions_in_force() {
    let stage = clean(PREAMPLIFIER);
    let conditions = Conditions {
        line: Some(Volts(121.0)),
        ..Conditions::default()
    };
    let one = |text: &str| parse_reading_argument(text, &stage, &names(), &conditions);
    let sheet = clean_sheet(
        "readings \"x\"\nline 121V\nvolts V1 pin 3 0.05V range 2.5V\n",
        &stage,
    );
    assert_eq!(
        one("V1 pin 3=0.05V range 2.5V").as_ref(),
        Ok(&sheet.readings[0])
    );
    assert_eq!(one("plate1 = 248").map(|r| r.value), Ok(248.0));
    assert_eq!(one("plate1=>300V").map(|r| r.bound), Ok(Bound::Above));
    assert_eq!(
        one("across R3=1.9").map(|r| r.point.label),
        Ok("across R3".to_owned())
    );
    for bad in ["plate1", "plate1=", "=5", "plate9=5V", "plate1=5V=6V", ""] {
        assert!(one(bad).is_err(), "{bad}");
    }
    assert_eq!(parse_volts("-12.4V"), Ok(Volts(-12.4)));
    assert!(parse_volts("12A").is_err());
    let point = parse_point("V1 section 2 plate", &stage, &names()).map(|p| p.label);
    assert_eq!(point.as_deref(), Ok("V1 section 2 plate"));
}
