//! The tube table and the data of one type.

use crate::curves::PlateCurves;
use crate::layout::{Columns, Page};
use crate::{numbers, words};
use deadstage_parts::table::PublishedPoint;
use deadstage_parts::tube::Fit;
use deadstage_parts::{LawForm, TubeType, Unit, UnitKind};

/// One line a type.
pub fn tube_list(types: &[TubeType]) -> String {
    let mut page = Page::default();
    let mut columns = Columns::new(&["type", "kind", "heater", "also"]);
    for tube in types {
        columns.row(
            [
                tube.name.clone(),
                kinds(tube),
                heater(tube).unwrap_or_default(),
                tube.aliases.join(", "),
            ],
            None,
        );
    }
    page.table(columns);
    page.gap();
    page.paragraph(
        "",
        "One type's data, pins and curves: the same command with its name.",
    );
    page.finish()
}

/// Data, pins and plate curves of one type.
pub fn tube(tube: &TubeType) -> String {
    let mut page = Page::default();
    page.paragraph("", &format!("{}, {}", tube.name, kinds(tube)));
    if !tube.aliases.is_empty() {
        page.hung("Also: ", "  ", &words::listed(&tube.aliases));
    }
    if let Some(heater) = heater(tube) {
        page.line(&format!("Heater: {heater}"));
    }
    pins(&mut page, tube);
    let alike = tube.units.len() > 1
        && tube.units.iter().all(|unit| {
            tube.units
                .first()
                .is_some_and(|first| unit.kind == first.kind && unit.points == first.points)
        });
    let shown = if alike { 1 } else { tube.units.len() };
    for (index, unit) in tube.units.iter().take(shown).enumerate() {
        let heading = match (tube.units.len(), alike) {
            (1, _) => None,
            (_, true) => Some("Each section".to_owned()),
            (_, false) => Some(format!("Section {}, {}", index + 1, unit.kind)),
        };
        if let Some(heading) = heading {
            page.heading(&heading);
        }
        ratings(&mut page, unit);
        points(&mut page, unit);
        curves(&mut page, unit);
    }
    page.gap();
    page.hung(
        "Source: ",
        "  ",
        &format!("{}. The row as a whole: {}.", tube.source, tube.confidence),
    );
    if let Some(note) = &tube.note {
        page.hung("Note: ", "  ", note);
    }
    page.finish()
}

/// What kinds of unit a bottle has, each named once: `triode`, `diode, triode`.
pub(crate) fn kinds(tube: &TubeType) -> String {
    let mut kinds: Vec<(UnitKind, usize)> = Vec::new();
    for unit in &tube.units {
        match kinds.iter_mut().find(|(kind, _)| *kind == unit.kind) {
            Some((_, count)) => *count += 1,
            None => kinds.push((unit.kind, 1)),
        }
    }
    let said: Vec<String> = kinds
        .iter()
        .map(|(kind, count)| match count {
            1 => kind.to_string(),
            2 => format!("double {kind}"),
            count => format!("{count} × {kind}"),
        })
        .collect();
    said.join(" and ")
}

fn heater(tube: &TubeType) -> Option<String> {
    tube.heater.as_ref().map(|heater| {
        format!(
            "{} {}",
            numbers::volts(heater.volts),
            numbers::amps(heater.amps)
        )
    })
}

fn pins(page: &mut Page, tube: &TubeType) {
    page.heading("Pins");
    let mut columns = Columns::new(&["", ""]);
    for (index, unit) in tube.units.iter().enumerate() {
        let said: Vec<String> = unit
            .pins
            .iter()
            .map(|(electrode, pins)| {
                let pins: Vec<String> = pins.iter().map(ToString::to_string).collect();
                format!("{} {}", electrode.name(), pins.join(" and "))
            })
            .collect();
        let who = if tube.units.len() > 1 {
            format!("section {}", index + 1)
        } else {
            unit.kind.to_string()
        };
        columns.row([who, said.join(", ")], None);
    }
    if let Some(heater) = &tube.heater {
        let pins: Vec<String> = heater.pins.iter().map(ToString::to_string).collect();
        if !pins.is_empty() {
            columns.row(["heater".to_owned(), pins.join(", ")], None);
        }
    }
    page.table(columns);
}

fn ratings(page: &mut Page, unit: &Unit) {
    let rated = &unit.ratings;
    let rows: Vec<(&str, String)> = [
        ("plate dissipation", rated.plate_watts.map(numbers::watts)),
        ("plate voltage", rated.plate_volts.map(numbers::volts)),
        ("screen dissipation", rated.screen_watts.map(numbers::watts)),
        ("screen voltage", rated.screen_volts.map(numbers::volts)),
        ("cathode current", rated.cathode_amps.map(numbers::amps)),
        (
            "heater to cathode",
            rated.heater_cathode_volts.map(numbers::volts),
        ),
        (
            "peak inverse voltage",
            rated.inverse_volts.map(numbers::volts),
        ),
        ("DC output current", rated.dc_amps.map(numbers::amps)),
        ("peak plate current", rated.peak_amps.map(numbers::amps)),
    ]
    .into_iter()
    .filter_map(|(what, value)| value.map(|value| (what, value)))
    .collect();
    if rows.is_empty() {
        return;
    }
    page.heading("Greatest ratings");
    let mut columns = Columns::new(&["", ">"]);
    for (what, value) in rows {
        columns.row([what.to_owned(), value], None);
    }
    page.table(columns);
}

fn points(page: &mut Page, unit: &Unit) {
    if let Some(drop) = &unit.drop {
        page.heading("Published");
        page.line(&format!(
            "  drop {} at {}",
            numbers::volts(drop.volts),
            numbers::amps(drop.amps)
        ));
    }
    if let Some(glow) = &unit.glow {
        page.heading("Published");
        page.line(&format!(
            "  maintains {} from {} to {}; strikes at {}",
            numbers::volts(glow.volts),
            numbers::amps(glow.least_amps),
            numbers::amps(glow.most_amps),
            numbers::volts(glow.strike_volts)
        ));
    }
    if unit.points.is_empty() {
        return;
    }
    page.heading("Published points");
    let screened = unit.points.iter().any(|p| p.point.screen_volts != 0.0);
    let mut headings = vec![">plate", ">grid", ">current", ">gm", ">mu", ">plate Ω"];
    if screened {
        headings.extend([">screen", ">screen current"]);
    }
    headings.push("");
    let mut columns = Columns::new(&headings);
    for published in &unit.points {
        columns.row(point_cells(published, screened), None);
    }
    page.table(columns);
    for (form, what) in [
        (LawForm::TwoPitch, "Law fitted to them"),
        (LawForm::Koren, "Second law"),
    ] {
        if let Ok(fit) = unit.fit(form) {
            page.hung("  ", "    ", &format!("{what}: {}.", fit_errors(fit)));
        }
    }
}

/// How far a law is off at worst, in words.
fn fit_errors(fit: &Fit) -> String {
    let worst = fit.worst_errors();
    let said: Vec<String> = [
        ("plate current", worst.plate_amps),
        ("screen current", worst.screen_amps),
        ("gm", worst.gm),
        ("mu", worst.mu),
        ("plate resistance", worst.plate_ohms),
    ]
    .into_iter()
    .filter_map(|(what, error)| Some(format!("{what} within {}", numbers::per_cent(error?))))
    .collect();
    if said.is_empty() {
        "no figure of theirs to compare".to_owned()
    } else {
        words::listed(&said)
    }
}

fn point_cells(published: &PublishedPoint, screened: bool) -> Vec<String> {
    let point = &published.point;
    let told = |value: Option<f64>, say: fn(f64) -> String| value.map(say).unwrap_or_default();
    let mut cells = vec![
        numbers::volts(point.plate_volts),
        numbers::volts(point.grid_volts),
        told(point.plate_amps, numbers::amps),
        told(point.gm, |gm| format!("{:.0} µS", gm * 1e6)),
        told(point.mu, |mu| numbers::in_unit(mu, "")),
        told(point.plate_ohms, numbers::ohms),
    ];
    if screened {
        cells.push(numbers::volts(point.screen_volts));
        cells.push(told(point.screen_amps, numbers::amps));
    }
    cells.push(published.confidence.to_string());
    cells
}

fn curves(page: &mut Page, unit: &Unit) {
    let Some(curves) = PlateCurves::of(unit) else {
        return;
    };
    let screen = curves
        .screen_volts()
        .map(|volts| format!(", screen {}", numbers::volts(volts)))
        .unwrap_or_default();
    page.heading(&format!(
        "Plate current by plate voltage, grid voltage at each curve{screen}; computed from the points"
    ));
    for line in curves.lines() {
        page.line(&line);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;
    use deadstage_parts::tube_table;

    #[test]
    fn the_data_of_a_double_triode_are_told_once() {
        let found = tube_table().find("12AX7");
        let text = found
            .map(tube)
            .map(|text| samples::plain(&text))
            .unwrap_or_default();
        assert!(text.starts_with("12AX7, double triode\n"), "{text}");
        for words in [
            "section 1  plate 1, grid 2, cathode 3",
            "section 2  plate 6, grid 7, cathode 8",
            "Each section",
            "1600 µS",
            "Plate current by plate voltage",
            "Law fitted to them: plate current within",
            "Second law: plate current within",
        ] {
            assert!(text.contains(words), "{words} is missing in\n{text}");
        }
        assert_eq!(text.matches("Published points").count(), 1);
        assert!(
            text.lines().all(|line| line.chars().count() <= 100),
            "{text}"
        );
    }

    #[test]
    fn every_type_is_listed_and_told_within_the_width() {
        let table = tube_table();
        let list = samples::plain(&tube_list(table.types()));
        for one in table.types() {
            assert!(
                list.lines()
                    .any(|line| line.trim_start().starts_with(&one.name)),
                "{}",
                one.name
            );
            let text = samples::plain(&tube(one));
            assert!(
                text.lines().all(|line| line.chars().count() <= 100),
                "{text}"
            );
        }
    }
}
