//! A stage and a sheet as text that reads back to the same.
//!
//! What is printed is flat: includes are laid in, `defaults` are stated on
//! each part, points that a part gives are written out.

use std::fmt::Write as _;

use crate::devices::electrode_word;
use crate::lex::quote;
use crate::meter;
use crate::passive::{DIELECTRICS, MATERIALS};
use crate::readings::{Bound, Conditions, Reading, Readings, RemarkKind};
use crate::sheet::{look_word, tester_label};
use crate::stage::{
    Access, Drive, Expect, MeterScale, NodeId, Part, PartId, PartKind, Place, Point, Quantity,
    Stage, TubeKind, TubeTypeDefinition,
};
use crate::supplies::{CONNECTIONS, INPUTS};
use crate::value::{self, Dimension, print as amount, print_percent};

/// The stage as a stage file, includes laid in. Reading it gives the same stage.
pub fn print_stage(stage: &Stage) -> String {
    let mut out = String::new();
    let mut line = |text: String| {
        out.push_str(&text);
        out.push('\n');
    };
    line(format!("stage {}", quote(&stage.title)));
    for note in &stage.notes {
        line(format!("notes {}", quote(note)));
    }
    if let Some(common) = stage.nodes.first() {
        line(format!("common {}", common.name));
    }
    if let Some(volts) = stage.line {
        line(format!("line {}", amount(volts.0, Dimension::Volts)));
    }
    if !stage.settings.is_empty() {
        line(format!("settings {}", stage.settings.join(" ")));
    }
    for definition in &stage.tube_types {
        line(tube_type(definition));
    }
    for transformer in &stage.transformers {
        line(format!("transformer {}", transformer.name));
    }
    let mut section = None;
    // Sections are numbered as they are first met, those without a part too.
    let mut met = 0;
    for part in &stage.parts {
        if part.section != section {
            let number = part.section.map_or(0, |id| id.0 as usize);
            for title in stage.sections.iter().take(number).skip(met) {
                line(format!("section {}", quote(title)));
            }
            met = met.max(number + usize::from(part.section.is_some()));
            let title = part.section.and_then(|_| stage.sections.get(number));
            line(format!(
                "section {}",
                quote(title.map_or("", String::as_str))
            ));
            section = part.section;
        }
        line(part_line(stage, part));
    }
    for title in stage.sections.iter().skip(met) {
        line(format!("section {}", quote(title)));
    }
    for expect in &stage.expects {
        line(expect_line(stage, expect));
    }
    for test_point in &stage.test_points {
        let access = match test_point.access {
            Access::Easy => "",
            Access::Awkward => " awkward",
            Access::Hazard => " hazard",
        };
        line(format!(
            "testpoint {}{access}",
            placed(stage, &test_point.point)
        ));
    }
    out
}

fn word_for<T: PartialEq>(words: &[(&'static str, T)], meaning: &T) -> &'static str {
    words
        .iter()
        .find(|(_, known)| known == meaning)
        .map_or("", |(word, _)| word)
}

fn tube_type(definition: &TubeTypeDefinition) -> String {
    let kind = match definition.kind {
        TubeKind::Triode => "triode",
        TubeKind::Pentode => "pentode",
        TubeKind::BeamTetrode => "beam",
    };
    let mut text = format!(
        "tubetype {} {kind} mu {} plate {} grid {} current {} gm {}",
        definition.name,
        amount(definition.mu, Dimension::Plain),
        amount(definition.plate_volts.0, Dimension::Volts),
        amount(definition.grid_volts.0, Dimension::Volts),
        amount(definition.plate_amps.0, Dimension::Amps),
        amount(definition.gm.0, Dimension::Siemens),
    );
    if let (Some(volts), Some(amps)) = (definition.screen_volts, definition.screen_amps) {
        let _ = write!(
            text,
            " screen {} {}",
            amount(volts.0, Dimension::Volts),
            amount(amps.0, Dimension::Amps)
        );
    }
    text
}

fn node_name(stage: &Stage, id: NodeId) -> &str {
    stage
        .nodes
        .get(id.0 as usize)
        .map_or("?", |node| &node.name)
}

fn part_name(stage: &Stage, id: PartId) -> &str {
    stage
        .parts
        .get(id.0 as usize)
        .map_or("?", |part| &part.name)
}

fn part_line(stage: &Stage, part: &Part) -> String {
    let node = |id: NodeId| node_name(stage, id);
    let ohms = |ohms: crate::units::Ohms| amount(ohms.0, Dimension::Ohms);
    let warmed = |hot, cold: Option<crate::units::Ohms>| match cold {
        Some(cold) => format!("{} cold {}", ohms(hot), ohms(cold)),
        None => ohms(hot),
    };
    let (keyword, properties) = match &part.kind {
        PartKind::Supply {
            volts,
            source,
            follows_line,
            ..
        } => {
            let mut text = amount(volts.0, Dimension::Volts);
            if let Some(source) = source {
                text += &format!(" source {}", ohms(*source));
            }
            if *follows_line {
                text += " follows line";
            }
            ("supply", text)
        }
        PartKind::Rectifier {
            tube_type,
            connection,
            winding_volts,
            winding_ohms,
            filter,
            ..
        } => (
            "rectifier",
            format!(
                "{tube_type} {} {} winding {} input {}",
                word_for(&CONNECTIONS, connection),
                amount(winding_volts.0, Dimension::Volts),
                ohms(*winding_ohms),
                word_for(&INPUTS, filter)
            ),
        ),
        PartKind::Resistor {
            ohms: r, material, ..
        } => (
            "resistor",
            format!("{} {}", ohms(*r), word_for(&MATERIALS, material)),
        ),
        PartKind::Potentiometer {
            ohms: r,
            position,
            from,
            to,
            wiper,
        } => {
            let at = position.map_or("?".to_owned(), print_percent);
            let text = format!(
                "{} at {at} from {} to {} wiper {}",
                ohms(*r),
                node(*from),
                node(*to),
                node(*wiper)
            );
            ("potentiometer", text)
        }
        PartKind::Capacitor {
            farads, dielectric, ..
        } => (
            "capacitor",
            format!(
                "{} {}",
                amount(farads.0, Dimension::Farads),
                word_for(&DIELECTRICS, dielectric)
            ),
        ),
        PartKind::Choke {
            ohms: r, henries, ..
        } => ("choke", coil(ohms(*r), *henries)),
        PartKind::Winding {
            ohms: r,
            henries,
            transformer,
            ..
        } => {
            let mut text = coil(ohms(*r), *henries);
            let of = transformer.and_then(|index| stage.transformers.get(index as usize));
            if let Some(of) = of {
                text += &format!(" of {}", of.name);
            }
            ("winding", text)
        }
        PartKind::Tube {
            tube_type,
            unit,
            electrodes,
            drive,
        } => {
            let mut text = tube_type.clone();
            if let Some(unit) = unit {
                text += &format!(" section {unit}");
            }
            for &(electrode, id) in electrodes {
                text += &format!(" {}={}", electrode_word(electrode), node(id));
            }
            match drive {
                Some(Drive::Peak(volts)) => {
                    text += &format!(" drive {} peak", amount(volts.0, Dimension::Volts));
                }
                Some(Drive::GridCurrent(amps)) => {
                    text += &format!(" drive {} grid", amount(amps.0, Dimension::Amps));
                }
                None => {}
            }
            ("tube", text)
        }
        PartKind::Diode { diode_type, .. } => ("diode", diode_type.clone()),
        PartKind::Regulator { tube_type, .. } => ("regulator", tube_type.clone()),
        PartKind::Transistor {
            transistor_type,
            emitter,
            base,
            collector,
        } => (
            "transistor",
            format!(
                "{transistor_type} emitter={} base={} collector={}",
                node(*emitter),
                node(*base),
                node(*collector)
            ),
        ),
        PartKind::Lamp { ohms: r, cold, .. } => ("lamp", warmed(*r, *cold)),
        PartKind::Fuse { ohms: r, .. } => ("fuse", ohms(*r)),
        PartKind::Link { ohms: r, .. } => ("link", ohms(*r)),
        PartKind::Thermistor { ohms: r, cold, .. } => ("thermistor", warmed(*r, *cold)),
        PartKind::Switch { .. } => ("switch", String::new()),
        PartKind::Relay {
            ohms: r, pulls_in, ..
        } => (
            "relay",
            format!(
                "{} pulls-in {}",
                ohms(*r),
                amount(pulls_in.0, Dimension::Amps)
            ),
        ),
        PartKind::Contact {
            relay,
            normally_open,
            ..
        } => {
            let rest = if *normally_open { "open" } else { "closed" };
            let coil = part_name(stage, *relay);
            let text = format!("of {coil} normally {rest}");
            ("contact", text)
        }
        PartKind::Meter {
            full_scale,
            ohms: r,
            scale,
            ..
        } => {
            let mut text = format!("{} {}", amount(full_scale.0, Dimension::Amps), ohms(*r));
            if let Some(scale) = scale {
                text += &format!(" scale {}", quote(&scale_text(scale)));
            }
            ("meter", text)
        }
    };
    let mut text = format!("{keyword} {}", part.name);
    if !properties.is_empty() {
        text += &format!(" {properties}");
    }
    if let Some(tolerance) = part.tolerance {
        text += &format!(" {}", print_percent(tolerance));
    }
    if let Some(watts) = part.rating_watts {
        text += &format!(" {}", amount(watts.0, Dimension::Watts));
    }
    if let Some(volts) = part.rating_volts {
        text += &format!(" {}", amount(volts.0, Dimension::Volts));
    }
    if let Some((from, to)) = part.kind.ends() {
        text += &format!(" from {} to {}", node(from), node(to));
    }
    // The list of settings takes all words that follow it, so it comes last.
    if let PartKind::Switch { closed_in, .. } = &part.kind {
        let settings: Vec<&str> = closed_in
            .iter()
            .map(|id| setting_name(stage, *id))
            .collect();
        text += &format!(" closed in {}", settings.join(" "));
    }
    text
}

fn coil(mut ohms: String, henries: Option<crate::units::Henries>) -> String {
    if let Some(henries) = henries {
        ohms += &format!(" {}", amount(henries.0, Dimension::Henries));
    }
    ohms
}

fn scale_text(scale: &MeterScale) -> String {
    let space = if scale.unit.is_empty() { "" } else { " " };
    format!("{} to {}{space}{}", scale.low, scale.high, scale.unit)
}

fn setting_name(stage: &Stage, id: crate::stage::SettingId) -> &str {
    stage
        .settings
        .get(id.0 as usize)
        .map_or("?", String::as_str)
}

/// A point as a statement of the stage file names it.
fn placed(stage: &Stage, point: &Point) -> String {
    match point.place {
        Place::Through(id) if is_meter(stage, id) && point.label == part_name(stage, id) => {
            format!("panel {}", point.label)
        }
        Place::Through(id) => format!("through {}", part_name(stage, id)),
        Place::Node(_) | Place::Across(_) => point.label.clone(),
    }
}

fn is_meter(stage: &Stage, id: PartId) -> bool {
    let part = stage.parts.get(id.0 as usize);
    part.is_some_and(|part| matches!(part.kind, PartKind::Meter { .. }))
}

/// Characters of a plain number; a longer one is written with its power of ten.
const MOST_PLAIN: usize = 24;

/// A number without a unit, to its last digit.
fn bare(value: f64) -> String {
    let plain = value.to_string();
    if plain.len() > MOST_PLAIN {
        format!("{value:e}")
    } else {
        plain
    }
}

/// A number of a print or sheet, with the unit it is in.
fn quantity(stage: &Stage, quantity: Quantity, place: Place, value: f64) -> String {
    match quantity {
        Quantity::Volts => amount(value, Dimension::Volts),
        Quantity::Ohms => amount(value, Dimension::Ohms),
        Quantity::Amps => amount(value, Dimension::Amps),
        Quantity::Tester => format!("{}%", bare(value)),
        Quantity::Panel => {
            let scaled = match place {
                Place::Through(id) => stage.parts.get(id.0 as usize),
                _ => None,
            };
            match scaled.map(|part| &part.kind) {
                Some(PartKind::Meter { scale: Some(_), .. }) => bare(value),
                _ => amount(value, Dimension::Amps),
            }
        }
    }
}

fn expect_line(stage: &Stage, expect: &Expect) -> String {
    let mut text = format!(
        "expect {} {}",
        placed(stage, &expect.point),
        quantity(stage, expect.quantity, expect.point.place, expect.value)
    );
    if let Some(tolerance) = expect.tolerance {
        text += &format!(" {}", print_percent(tolerance));
    }
    if let Some(setting) = expect.setting {
        text += &format!(" in {}", setting_name(stage, setting));
    }
    if let Some(with) = &expect.meter {
        text += &format!(" with {}", meter::print(with));
    }
    text
}

/// The sheet as a readings file for `stage`. Reading it gives the same
/// readings, provided that the mains voltage, once recorded, stays recorded:
/// a sheet has no way to take it back.
pub fn print_readings(readings: &Readings, stage: &Stage) -> String {
    let mut out = format!("readings {}\n", quote(&readings.title));
    for note in &readings.notes {
        let _ = writeln!(out, "notes {}", quote(note));
    }
    for remark in &readings.remarks {
        let name = tester_label(stage, remark.part);
        let _ = match remark.kind {
            RemarkKind::Seen(look) => writeln!(out, "seen {name} {}", look_word(look)),
            RemarkKind::Good => writeln!(out, "good {name}"),
            RemarkKind::Replaced => writeln!(out, "replaced {name}"),
        };
    }
    let mut now = Conditions::default();
    for reading in &readings.readings {
        let then = Conditions {
            meter: reading.meter,
            setting: reading.setting,
            line: reading.line,
        };
        change(&mut out, stage, &mut now, then);
        out.push_str(&reading_line(stage, reading));
        out.push('\n');
    }
    change(&mut out, stage, &mut now, readings.conditions);
    out
}

/// The lines that bring about the conditions `then`.
fn change(out: &mut String, stage: &Stage, now: &mut Conditions, then: Conditions) {
    if now.meter != then.meter {
        let _ = writeln!(out, "meter {}", meter::print(&then.meter));
    }
    if now.line != then.line
        && let Some(volts) = then.line
    {
        let _ = writeln!(out, "line {}", amount(volts.0, Dimension::Volts));
    }
    if now.setting != then.setting {
        let name = match then.setting {
            Some(id) => setting_name(stage, id),
            None => stage.settings.first().map_or("?", String::as_str),
        };
        let _ = writeln!(out, "setting {name}");
    }
    *now = then;
}

fn reading_line(stage: &Stage, reading: &Reading) -> String {
    let point = &reading.point;
    let through = match point.place {
        Place::Through(id) => Some(id),
        _ => None,
    };
    let what = match (reading.quantity, through) {
        (Quantity::Volts, _) => format!("volts {}", point.label),
        (Quantity::Ohms, _) => format!("ohms {}", point.label),
        (Quantity::Amps, Some(id)) => format!("amps through {}", part_name(stage, id)),
        (Quantity::Panel, Some(id)) => format!("panel {}", part_name(stage, id)),
        (Quantity::Tester, Some(id)) => format!("tester {}", tester_label(stage, id)),
        (Quantity::Amps, None) => format!("amps {}", point.label),
        (Quantity::Panel, None) => format!("panel {}", point.label),
        (Quantity::Tester, None) => format!("tester {}", point.label),
    };
    let bound = match reading.bound {
        Bound::Exact => "",
        Bound::Above => "> ",
        Bound::Below => "< ",
    };
    let value = quantity(stage, reading.quantity, point.place, reading.value);
    let mut text = format!("{what} {bound}{value}");
    if let Some(range) = reading.range {
        let dimension = match reading.quantity {
            Quantity::Ohms => Dimension::Ohms,
            Quantity::Amps => Dimension::Amps,
            _ => Dimension::Volts,
        };
        text += &format!(" range {}", value::print(range, dimension));
    }
    if let Some(bench) = reading.bench {
        text += &format!(" bench {}", value::print(bench.0, Dimension::Amps));
    }
    for id in &reading.pulled {
        text += &format!(" with {} pulled", part_name(stage, *id));
    }
    for id in &reading.lifted {
        text += &format!(" with {} lifted", part_name(stage, *id));
    }
    text
}
