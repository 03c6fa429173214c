//! No tube that is run as its sheet says is called over its rating: every
//! published way to run an amplifying tube, drawn as a stage, and the stages
//! that ship.

use deadstage_circuit::tube_names;
use deadstage_netlist::{Electrode, Stage, parse_stage};
use deadstage_parts::table::PublishedPoint;
use deadstage_parts::{TubeType, UnitKind, tube_table};
use deadstage_reason::check;
use deadstage_tests::trials::stages;

/// Least heat at the plate, watts, of what counts as an output stage.
const OUTPUT_WATTS: f64 = 1.0;

fn read(text: &str) -> Stage {
    let parsed = parse_stage("drawn", text, &tube_names(), &mut |_, path| {
        Err(format!("no {path} here"))
    });
    let errors: Vec<&str> = parsed.errors().map(|d| d.message.as_str()).collect();
    assert!(errors.is_empty(), "{errors:?}\n{text}");
    parsed.value
}

/// Everything that is said of a part past its rating, in any setting.
fn overloads(stage: &Stage) -> Vec<String> {
    let found = check(stage).unwrap_or_else(|errors| panic!("{errors:?}"));
    found
        .settings
        .into_iter()
        .inspect(|setting| assert_eq!(setting.unsolved, None))
        .flat_map(|setting| setting.overloads)
        .collect()
}

/// Both ways to bias one published point: a supply at the grid, and a resistor at the cathode.
fn drawn(tube: &TubeType, section: usize, published: &PublishedPoint) -> Vec<String> {
    let point = published.point;
    let names = tube_names();
    let electrodes = names
        .find(&tube.name)
        .and_then(|t| t.units.get(section).cloned())
        .unwrap_or_default();
    let tube_line = |cathode: &str| {
        let mut line = format!("tube V1 {} section {}", tube.name, section + 1);
        let mut wired: Vec<Electrode> = Vec::new();
        for (electrode, _) in &electrodes {
            let node = match electrode {
                Electrode::Plate => "plate=plate",
                Electrode::Grid => "grid=grid",
                Electrode::Screen => "screen=screen",
                Electrode::Suppressor => "suppressor=chassis",
                Electrode::Grid3 => "grid3=grid3",
                Electrode::Target => "target=plate",
                Electrode::Cathode => "cathode=",
            };
            if !wired.contains(electrode) {
                wired.push(*electrode);
                line += &format!(" {node}");
                if *electrode == Electrode::Cathode {
                    line += cathode;
                }
            }
        }
        line
    };
    let bias = -point.grid_volts;
    // A third grid stands where the sheet has it against the cathode.
    let has_third = electrodes.iter().any(|(e, _)| *e == Electrode::Grid3);
    let third_grid = |above: f64| {
        let volts = point.grid3_volts + above;
        match has_third {
            true if volts < 0.0 => format!("supply B4 {}V from chassis to grid3\n", -volts),
            true if volts > 0.0 => format!("supply B4 {volts}V from grid3 to chassis\n"),
            true => "link W2 0.01 from grid3 to chassis\n".to_owned(),
            false => String::new(),
        }
    };
    let supplies = |above: f64| {
        let screen = point.screen_volts + above;
        let feed = if point.screen_volts > 0.0 {
            format!("supply B2 {screen}V from screen to chassis\n")
        } else {
            String::new()
        };
        format!(
            "stage \"Drawn\"\nsupply B1 {}V from bplus to chassis\n{feed}winding T1 1 from bplus to plate\n",
            point.plate_volts + above
        )
    };
    let mut stages = Vec::new();
    let fixed = if bias > 0.0 {
        format!("supply B3 {bias}V from chassis to grid\n")
    } else {
        "link W1 0.01 from grid to chassis\n".to_owned()
    };
    stages.push(supplies(0.0) + &fixed + &third_grid(0.0) + &tube_line("chassis"));
    let cathode_amps = point
        .plate_amps
        .map(|i| i + point.screen_amps.unwrap_or(0.0));
    if let Some(amps) = cathode_amps.filter(|amps| bias > 0.5 && *amps > 1e-4) {
        stages.push(
            supplies(bias)
                + &format!(
                    "resistor R1 470k from grid to chassis\nresistor R2 {} 50W from cathode to chassis\n",
                    bias / amps
                )
                + &third_grid(bias)
                + &tube_line("cathode"),
        );
    }
    stages
}

#[test]
fn no_tube_run_as_its_sheet_says_is_over_its_rating() {
    let mut said = Vec::new();
    let (mut drawn_stages, mut output_stages) = (0, 0);
    for tube in tube_table().types() {
        for (section, unit) in tube.units.iter().enumerate() {
            if !matches!(unit.kind, UnitKind::Amplifier(_)) {
                continue;
            }
            // Characteristics that no tube bears for long are no way to run one.
            for published in unit.points.iter().filter(|p| !p.momentary) {
                let watts = published.point.plate_amps.unwrap_or(0.0) * published.point.plate_volts;
                for text in drawn(tube, section, published) {
                    drawn_stages += 1;
                    output_stages += usize::from(watts > OUTPUT_WATTS);
                    for overload in overloads(&read(&text)) {
                        said.push(format!("{}: {overload}", tube.name));
                    }
                }
            }
        }
    }
    assert!(output_stages > 200, "{output_stages} of {drawn_stages}");
    assert!(
        said.is_empty(),
        "{} of {drawn_stages}:\n{}",
        said.len(),
        said.join("\n")
    );
}

#[test]
fn no_shipped_stage_is_over_a_rating() {
    for (name, stage) in stages::shipped(stages::ANY).unwrap_or_else(|why| panic!("{why}")) {
        let said = overloads(&stage);
        assert!(said.is_empty(), "{name}: {said:?}");
    }
}
