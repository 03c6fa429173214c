//! The voltage chart.

use super::{caution_foot, remarks};
use crate::layout::{ALARM, Columns, Page};
use crate::numbers;
use crate::words;
use deadstage_reason::{Chart, ChartPanel, ChartPart, ChartPoint};

/// Every point, every part and every panel meter of one setting.
pub fn chart(chart: &Chart) -> String {
    page(chart).finish()
}

pub(crate) fn page(chart: &Chart) -> Page {
    let mut page = Page::default();
    page.paragraph("", &chart.stage);
    page.paragraph("", &conditions(chart));
    for note in &chart.notes {
        page.hung("Note: ", "  ", note);
    }
    if !chart.other_states.is_empty() {
        let states = 1 + chart.other_states.len();
        let told = format!(
            "This stage may rest in any of {states} states. First, {}; the others stand below it.",
            words::state(&chart.state)
        );
        page.paragraph("", &told);
    }
    let metered = chart.meter.is_some();
    points(&mut page, "Points", &chart.points, metered);
    panels(&mut page, &chart.panels);
    parts(&mut page, &chart.parts);
    for other in &chart.other_states {
        let heading = format!("Points: {}", words::state(&other.state));
        points(&mut page, &heading, &other.points, metered);
        panels(&mut page, &other.panels);
        parts(&mut page, &other.parts);
    }
    remarks(&mut page, &chart.remarks);
    caution_foot(&mut page, chart.highest_volts);
    page
}

fn conditions(chart: &Chart) -> String {
    let mut said = vec!["Voltage chart, against common".to_owned()];
    if !chart.setting.is_empty() {
        said.push(format!("set to {}", chart.setting));
    }
    if let Some(line) = chart.line_volts {
        said.push(format!("line {}", numbers::volts(line)));
    }
    match &chart.meter {
        Some(meter) => said.push(format!("meter {meter}, its own load counted")),
        None => said.push("no meter loading".to_owned()),
    }
    said.join("; ")
}

fn points(page: &mut Page, heading: &str, points: &[ChartPoint], metered: bool) {
    page.heading(heading);
    let printed = points.iter().any(|point| point.print.is_some());
    let mut headings = vec!["point", ">volts", ">low", ">high"];
    if metered {
        headings.push(">meter shows");
    }
    if printed {
        headings.push(">print");
    }
    headings.push("at");
    let mut columns = Columns::new(&headings);
    for point in points {
        let mut cells = vec![
            point.point.clone(),
            numbers::volts(point.volts),
            numbers::volts(point.low),
            numbers::volts(point.high),
        ];
        if metered {
            cells.push(shown(point));
        }
        if printed {
            cells.push(point.print.map(numbers::volts).unwrap_or_default());
        }
        cells.push(point.electrodes.join(", "));
        columns.row(cells, None);
    }
    page.table(columns);
    page.paragraph(
        "  ",
        "Low to high is where 19 of 20 healthy units lie, every part within its tolerance.",
    );
}

fn shown(point: &ChartPoint) -> String {
    match point.range {
        Some(range) => format!(
            "{} ({} range)",
            numbers::volts(point.shown),
            numbers::volts(range)
        ),
        None => numbers::volts(point.shown),
    }
}

fn panels(page: &mut Page, panels: &[ChartPanel]) {
    if panels.is_empty() {
        return;
    }
    page.heading("Panel meters");
    let mut columns = Columns::new(&["meter", ">reads", ">full scale"]);
    for panel in panels {
        columns.row(
            [
                panel.meter.clone(),
                numbers::in_unit(panel.reading, &panel.unit),
                numbers::in_unit(panel.full_scale, &panel.unit),
            ],
            (panel.reading.abs() > panel.full_scale.abs()).then_some(ALARM),
        );
    }
    page.table(columns);
}

fn parts(page: &mut Page, parts: &[ChartPart]) {
    if parts.is_empty() {
        return;
    }
    page.heading("Parts");
    let mut columns = Columns::new(&["part", ">volts", ">current", ">heat", ">rating", ""]);
    for part in parts {
        let over = part.is_over();
        columns.row(
            [
                part.part.clone(),
                numbers::volts(part.volts),
                numbers::amps(part.amps),
                numbers::watts(part.watts),
                part.rating_watts.map(numbers::watts).unwrap_or_default(),
                if over {
                    "OVER ITS RATING".to_owned()
                } else {
                    String::new()
                },
            ],
            over.then_some(ALARM),
        );
    }
    page.table(columns);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    #[test]
    fn a_chart_shows_the_meter_the_print_and_the_electrodes() {
        let text = samples::plain(&chart(&samples::chart()));
        assert!(
            text.contains("set to receive; line 117 V; meter 20k/V"),
            "{text}"
        );
        let row = text
            .lines()
            .find(|line| line.contains("plate1"))
            .unwrap_or_default();
        for cell in [
            "165 V",
            "150 V",
            "181 V",
            "164 V (250 V range)",
            "V1 plate, V1 pin 6",
        ] {
            assert!(row.contains(cell), "{cell} is missing in {row}");
        }
        assert!(text.lines().all(|line| line.chars().count() <= 100));
    }

    #[test]
    fn a_part_over_its_rating_is_named_in_words() {
        let text = samples::plain(&chart(&samples::chart()));
        let row = |part: &str| {
            text.lines()
                .find(|line| line.trim_start().starts_with(part))
                .unwrap_or_default()
                .to_owned()
        };
        assert!(row("R9").ends_with("OVER ITS RATING"));
        assert!(!row("R3").contains("OVER"));
        assert!(row("R3").contains("0.841 mA"));
    }

    #[test]
    fn columns_that_would_be_empty_are_left_out() {
        let mut bare = samples::chart();
        bare.meter = None;
        for point in &mut bare.points {
            point.print = None;
        }
        let text = samples::plain(&chart(&bare));
        assert!(!text.contains("meter shows"));
        assert!(!text.contains("print"));
        assert!(text.contains("no meter loading"));
    }
}
