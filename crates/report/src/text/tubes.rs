//! The tube table and the data of one type.

mod base;
mod substitutes;

use crate::curves::PlateCurves;
use crate::layout::{CAUTION, Columns, Page};
use crate::{TubeAnswer, numbers, words};
use deadstage_parts::table::{Glow, Heater, HeaterTap, PublishedPoint};
use deadstage_parts::tube::Fit;
use deadstage_parts::{LawForm, Pin, RatingSystem, Ratings, TubeType, Unit};

/// One line a type.
pub fn tube_list<'t>(types: impl IntoIterator<Item = &'t TubeType>) -> String {
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
        "One type's data, pins and curves: the same command with its name; what fits its socket: its name and --like.",
    );
    page.finish()
}

/// Data, pins and plate curves of one type; or what goes into its socket; or where it is used.
pub fn tube(answer: &TubeAnswer<'_>) -> String {
    if let Some(found) = &answer.substitutes {
        return substitutes::page(answer, found);
    }
    if answer.uses.is_some() {
        return tube_uses(std::slice::from_ref(answer));
    }
    let tube = answer.tube;
    let mut page = Page::default();
    title(&mut page, answer);
    if !tube.aliases.is_empty() {
        page.hung("Also: ", "  ", &words::listed(&tube.aliases));
    }
    if let Some(heater) = &tube.heater {
        page.hung("Heater: ", "  ", &heater_words(heater));
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
            (_, false) => Some(format!("Section {}, {}", index + 1, unit.name)),
        };
        if let Some(heading) = heading {
            page.heading(&heading);
        }
        ratings(&mut page, tube, unit);
        points(&mut page, unit);
        curves(&mut page, unit);
    }
    page.gap();
    sources(&mut page, tube);
    page.finish()
}

/// Where types are used, one line a type and file.
pub fn tube_uses(answers: &[TubeAnswer<'_>]) -> String {
    substitutes::uses_page(answers)
}

/// The type, what it is, and what must be told of the name it was asked for by.
fn title(page: &mut Page, answer: &TubeAnswer<'_>) {
    let tube = answer.tube;
    page.paragraph("", &format!("{}, {}", tube.name, kinds(tube)));
    if let Some(doubt) = &answer.doubt {
        page.hung_in("  ! ", "    ", &format!("{doubt}."), Some(CAUTION));
    }
}

fn sources(page: &mut Page, tube: &TubeType) {
    page.hung(
        "Source: ",
        "  ",
        &format!("{}. The row as a whole: {}.", tube.source, tube.confidence),
    );
    if let Some(second) = &tube.second_source {
        page.hung("Second source: ", "  ", &format!("{second}."));
    }
    if let Some(like) = &tube.like {
        page.hung(
            "Like: ",
            "  ",
            &format!("what is not its own is the {like}'s."),
        );
    }
    if let Some(note) = &tube.note {
        page.hung("Note: ", "  ", note);
    }
}

/// What the bottle is called, or what units it has, each named once: `diode and double triode`.
pub(crate) fn kinds(tube: &TubeType) -> String {
    if let Some(called) = &tube.called {
        return called.clone();
    }
    let mut kinds: Vec<(&str, usize)> = Vec::new();
    for unit in &tube.units {
        match kinds.iter_mut().find(|(name, _)| *name == unit.name) {
            Some((_, count)) => *count += 1,
            None => kinds.push((unit.name, 1)),
        }
    }
    let said: Vec<String> = kinds
        .iter()
        .map(|(name, count)| match count {
            1 => (*name).to_owned(),
            2 => format!("double {name}"),
            count => format!("{count} × {name}"),
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

/// A heater with what its tap is for.
fn heater_words(heater: &Heater) -> String {
    let whole = format!(
        "{} {}",
        numbers::volts(heater.volts),
        numbers::amps(heater.amps)
    );
    match heater.tap {
        None => whole,
        Some(HeaterTap::Center) => format!(
            "{whole}; {} {} with the halves in parallel",
            numbers::volts(heater.volts / 2.0),
            numbers::amps(heater.amps * 2.0)
        ),
        Some(HeaterTap::Lamp(lamp)) => format!(
            "{whole}; a tap for a panel lamp, {} without it and {} with it, and then {} of DC at most unless a resistor stands beside the lamp",
            numbers::volts(lamp.volts),
            numbers::volts(lamp.lit_volts),
            numbers::amps(lamp.dc_amps)
        ),
    }
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
            unit.name.to_owned()
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
    let drawn = base::drawing(tube);
    if drawn.is_empty() {
        page.gap();
        page.line(&format!("Base: {}", tube.base));
        return;
    }
    page.heading(&format!(
        "Base from below, {}; pins clockwise from {}",
        tube.base,
        tube.base.counted_from().unwrap_or("the mark")
    ));
    for line in drawn {
        page.line(&line);
    }
    for (pin, label) in base::labels(tube) {
        if matches!(pin, Pin::Cap | Pin::Cap2) {
            page.line(&format!("  {pin}: {label}"));
        }
    }
}

/// A rating of a unit: what it limits, how it is read and how it is written.
type RatingRow = (&'static str, fn(&Ratings) -> Option<f64>, fn(f64) -> String);

const RATINGS: [RatingRow; 9] = [
    ("plate dissipation", |r| r.plate_watts, numbers::watts),
    ("plate voltage", |r| r.plate_volts, numbers::volts),
    ("screen dissipation", |r| r.screen_watts, numbers::watts),
    ("screen voltage", |r| r.screen_volts, numbers::volts),
    ("cathode current", |r| r.cathode_amps, numbers::amps),
    (
        "heater to cathode",
        |r| r.heater_cathode_volts,
        numbers::volts,
    ),
    ("peak inverse voltage", |r| r.inverse_volts, numbers::volts),
    ("DC output current", |r| r.dc_amps, numbers::amps),
    ("peak plate current", |r| r.peak_amps, numbers::amps),
];

fn ratings(page: &mut Page, tube: &TubeType, unit: &Unit) {
    if unit.ratings.is_empty() && unit.intermittent.is_none() {
        return;
    }
    page.heading("Greatest ratings");
    let mut columns = match unit.intermittent {
        Some(_) => Columns::new(&["", ">continuous", ">intermittent"]),
        None => Columns::new(&["", ">"]),
    };
    for (what, of, say) in RATINGS {
        let continuous = of(&unit.ratings);
        let most = of(&unit.greatest());
        if continuous.is_none() && most.is_none() {
            continue;
        }
        let mut cells = vec![what.to_owned(), continuous.map(say).unwrap_or_default()];
        if unit.intermittent.is_some() {
            cells.push(most.map(say).unwrap_or_default());
        }
        columns.row(cells, None);
    }
    if let Some(watts) = tube.plates_watts {
        columns.row(
            ["all plates together".to_owned(), numbers::watts(watts)],
            None,
        );
    }
    page.table(columns);
    if let Some(system) = tube.rated_by {
        let said = format!("By the {system} system: {}.", allowance(system));
        page.hung("  ", "  ", &said);
    }
}

/// What a rating of this system leaves room for (EIA RS-239, from memory).
fn allowance(system: RatingSystem) -> &'static str {
    match system {
        RatingSystem::DesignCenter => {
            "they hold at the nominal line, and leave room for how tubes, parts and the line scatter"
        }
        RatingSystem::DesignMaximum => {
            "they hold at the worst line and parts, and leave room for how tubes scatter"
        }
        RatingSystem::Absolute => "not to be passed whatever the line, the parts and the tube",
    }
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
        page.paragraph("  ", &glow_words(glow));
    }
    if let Some(target) = &unit.target {
        page.heading("Published");
        page.line(&format!(
            "  target {} at {}",
            numbers::amps(target.amps),
            numbers::volts(target.volts)
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

/// The figures of a regulator.
fn glow_words(glow: &Glow) -> String {
    let limits = glow.limits.map_or_else(String::new, |(least, most)| {
        format!(
            " (new tubes {} to {})",
            numbers::volts(least),
            numbers::volts(most)
        )
    });
    let strike = if glow.usual_strike_volts < glow.strike_volts {
        format!(
            "strikes at {} usually, at {} in the dark at the latest",
            numbers::volts(glow.usual_strike_volts),
            numbers::volts(glow.strike_volts)
        )
    } else {
        format!(
            "strikes at {} at the latest",
            numbers::volts(glow.strike_volts)
        )
    };
    format!(
        "maintains {}{limits} from {} to {}, within {}; {strike}",
        numbers::volts(glow.volts),
        numbers::amps(glow.least_amps),
        numbers::amps(glow.most_amps),
        numbers::volts(glow.change_volts)
    )
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
    let mut standing = published.confidence.to_string();
    if published.momentary {
        standing += "; measured for a moment";
    }
    cells.push(standing);
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
            .map(|found| tube(&TubeAnswer::of(found)))
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
            let text = samples::plain(&tube(&TubeAnswer::of(one)));
            assert!(
                text.lines().all(|line| line.chars().count() <= 100),
                "{text}"
            );
        }
    }
}
