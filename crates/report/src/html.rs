//! A page for a browser or a printer: one file with the drawing, the plots and the same words and tables as the terminal's.
//!
//! Nothing is fetched from anywhere, and a Content-Security-Policy says so; there is no script. It prints on A4 and on Letter.

use crate::layout::{ALARM, Block, CAUTION, Columns, Page, STRONG};
use crate::operating::plate_plots;
use crate::text::{Listing, chart as chart_text, ohms as ohms_text, suspects as suspects_text};
use crate::{numbers, words};
use deadstage_draw::plot::{StripRow, odds, plate, strip};
use deadstage_netlist::Stage;
use deadstage_reason::{Chart, Diagnosis, OhmsChart};
use maud::{DOCTYPE, Markup, PreEscaped, html};

/// The pages' looks: a sheet of paper, light or dark as the reader has it; in print black on white.
const STYLE: &str = "\
:root{color-scheme:light dark}\
body{font-family:'Liberation Sans',Arial,Helvetica,sans-serif;line-height:1.4;max-width:64rem;margin:0 auto;padding:1rem;color:#111;background:#fff}\
h1{font-size:1.35rem;margin:.2rem 0}h2{font-size:1.05rem;margin:1.4rem 0 .3rem;border-bottom:1px solid #bbb}\
p{margin:.3rem 0}.d1{margin-left:1rem}.d2,.d3{margin-left:2rem}\
.strong{font-weight:bold}.alarm{font-weight:bold;color:#9b1c1c}.caution{border-left:4px solid #8a6d00;padding-left:.6rem}\
figure{margin:1rem 0;overflow-x:auto}figure svg{max-width:100%;height:auto;min-width:min(100%,34rem)}\
.wide{overflow-x:auto}table{border-collapse:collapse;font-size:.92rem}th,td{padding:.12rem .6rem .12rem 0;text-align:left;vertical-align:top}\
th{border-bottom:1px solid #888;font-weight:normal;color:#555}.r{text-align:right;font-variant-numeric:tabular-nums}\
pre{overflow-x:auto;margin:0;font-size:.85rem}\
@media (prefers-color-scheme:dark){body{color:#f2f2f2;background:#16181b}th{color:#b9bec4}.alarm{color:#ffb4a8}h2{border-color:#555}}\
@page{margin:12mm}\
@media print{body{max-width:none;padding:0;font-size:10pt;color:#000;background:#fff}figure{overflow:visible}figure svg{min-width:0;max-height:23cm}\
h2{break-after:avoid}tr,figure,p{break-inside:avoid}.wide{overflow:visible}}";

/// A point with less is not worth a row in a strip.
const LEAST_VOLTS: f64 = 0.05;

const POLICY: &str =
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'";

/// A voltage chart: the drawings, the strip of its points, each tube's curves, and the tables.
#[must_use]
pub fn chart(stage: &Stage, chart: &Chart, drawings: &[String]) -> String {
    let mut figures: Vec<String> = drawings.to_vec();
    if !chart.points.is_empty() {
        figures.push(point_strip(chart));
    }
    figures.extend(plate_plots(stage, chart).iter().map(plate));
    document(&chart_text::page(chart), &figures)
}

/// A resistance chart.
#[must_use]
pub fn ohms(chart: &OhmsChart, drawings: &[String]) -> String {
    document(&ohms_text::page(chart), drawings)
}

/// An answer: the drawings with the suspects on them, the readings in their bands, how the odds moved.
///
/// `moved` are the readings' names, and each answer's odds before the first and after each of them.
#[must_use]
pub fn suspects(
    diagnosis: &Diagnosis,
    listing: Listing,
    drawings: &[String],
    moved: Option<&Moved>,
) -> String {
    let mut figures: Vec<String> = drawings.to_vec();
    let rows = reading_rows(diagnosis);
    if !rows.is_empty() {
        let gives = diagnosis
            .suspects
            .first()
            .map(|suspect| format!("what {} would give", words::faults(suspect)));
        figures.push(strip(
            "Readings beside what a healthy unit shows",
            "read",
            gives.as_deref().unwrap_or_default(),
            &rows,
        ));
    }
    if let Some(moved) = moved {
        figures.push(odds(
            "How the odds moved, reading by reading",
            &moved.after,
            &moved.answers,
        ));
    }
    document(&suspects_text::page(diagnosis, listing), &figures)
}

/// How the odds of answers moved as readings came in.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Moved {
    /// The readings, in the order of the sheet.
    pub after: Vec<String>,
    /// Each answer's name, and its odds after each reading, with those before any first.
    pub answers: Vec<(String, Vec<f64>)>,
}

impl Moved {
    /// From the answers to ever longer sheets; the last is the answer to all.
    ///
    /// Only the likeliest of the last answer and of those on the way are told.
    #[must_use]
    pub fn of(answers: &[Diagnosis]) -> Option<Self> {
        const TOLD: usize = 5;
        let last = answers.last()?;
        let odds = |diagnosis: &Diagnosis, name: &str| -> f64 {
            let same = diagnosis.suspects.iter().filter(|suspect| {
                let parts: Vec<String> = suspect.faults.iter().map(words::failed).collect();
                parts.join(" + ") == name
            });
            same.map(|suspect| suspect.probability).sum()
        };
        let mut names: Vec<(f64, String)> = Vec::new();
        for diagnosis in answers {
            for suspect in diagnosis.suspects.iter().take(2 * TOLD) {
                let parts: Vec<String> = suspect.faults.iter().map(words::failed).collect();
                let name = parts.join(" + ");
                if !names.iter().any(|(_, known)| *known == name) {
                    let highest = answers
                        .iter()
                        .map(|diagnosis| odds(diagnosis, &name))
                        .fold(0.0, f64::max);
                    // What is likely in the end counts before what once was.
                    names.push((2.0 * odds(last, &name) + highest, name));
                }
            }
        }
        names.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.1.cmp(&b.1)));
        names.truncate(TOLD);
        Some(Self {
            after: last
                .readings
                .iter()
                .take(answers.len().saturating_sub(1))
                .map(words::place_of)
                .collect(),
            answers: names
                .into_iter()
                .map(|(_, name)| {
                    let moved = answers.iter().map(|d| odds(d, &name)).collect();
                    (name, moved)
                })
                .collect(),
        })
    }
}

/// Points that carry a voltage, or for which the print has one: computed, in their bands, beside the print.
fn point_strip(chart: &Chart) -> String {
    let printed = chart.points.iter().any(|point| point.print.is_some());
    let rows: Vec<StripRow> = chart
        .points
        .iter()
        .filter(|point| point.print.is_some() || point.volts.abs() >= LEAST_VOLTS)
        .map(|point| StripRow {
            label: point.point.clone(),
            low: point.low,
            high: point.high,
            value: point.volts,
            beside: point.print,
            words: match point.print {
                Some(print) => format!(
                    "{}, print {}",
                    numbers::volts(point.volts),
                    numbers::volts(print)
                ),
                None => numbers::volts(point.volts),
            },
        })
        .collect();
    let hollow = if printed { "print" } else { "" };
    strip("Points beside the print", "computed", hollow, &rows)
}

fn reading_rows(diagnosis: &Diagnosis) -> Vec<StripRow> {
    // The ends of a band are two standard deviations off, as in a chart.
    const SPREADS: f64 = 2.0;
    let first = diagnosis.suspects.first();
    diagnosis
        .readings
        .iter()
        .enumerate()
        .filter(|(_, reading)| words::spreads(reading).is_some())
        .map(|(index, reading)| {
            let predicted = first
                .and_then(|suspect| suspect.predicts.get(index))
                .filter(|prediction| prediction.point == reading.point);
            StripRow {
                label: words::place_of(reading),
                low: reading.healthy - SPREADS * reading.healthy_sigma,
                high: reading.healthy + SPREADS * reading.healthy_sigma,
                value: reading.read,
                beside: predicted.map(|prediction| prediction.value),
                words: format!(
                    "{}, healthy {}",
                    words::read(reading),
                    numbers::in_unit(reading.healthy, &reading.unit)
                ),
            }
        })
        .collect()
}

/// The figures stand under the first lines, before the first heading.
fn document(page: &Page, figures: &[String]) -> String {
    let blocks = page.blocks();
    let title = blocks.iter().find_map(|block| match block {
        Block::Paragraph { words, .. } => Some(words.clone()),
        _ => None,
    });
    let title = title.unwrap_or_default();
    let head = blocks
        .iter()
        .position(|block| !matches!(block, Block::Paragraph { .. }))
        .unwrap_or(blocks.len());
    let markup = html! {
        (DOCTYPE)
        html lang="en" {
            head {
                meta charset="utf-8";
                meta name="viewport" content="width=device-width, initial-scale=1";
                meta http-equiv="Content-Security-Policy" content=(POLICY);
                title { (title) }
                style { (PreEscaped(STYLE)) }
            }
            body {
                main {
                    @for (index, block) in blocks[..head].iter().enumerate() {
                        @if index == 0 { h1 { (title) } } @else { (piece(block)) }
                    }
                    // Our own drawings: markup, made and escaped by the library.
                    @for figure in figures { figure { (PreEscaped(figure)) } }
                    @for block in &blocks[head..] { (piece(block)) }
                }
            }
        }
    };
    markup.into_string()
}

fn piece(block: &Block) -> Markup {
    match block {
        Block::Heading(words) => html! { h2 { (words) } },
        Block::Paragraph {
            mark,
            words,
            depth,
            style,
        } => {
            let mut class = format!("d{}", (*depth).min(3));
            if *style == Some(CAUTION) {
                class.push_str(" caution");
            }
            html! { p class=(class) { @if !mark.is_empty() { (mark) " " } (words) } }
        }
        Block::Table(columns) => table(columns),
        Block::Line(line) => html! { pre { (line) } },
    }
}

fn table(columns: &Columns) -> Markup {
    let headed = columns.headings.iter().any(|heading| !heading.is_empty());
    let class = |index: usize| {
        let right = columns.right.get(index).copied().unwrap_or(false);
        right.then_some("r")
    };
    html! {
        div.wide { table {
            @if headed { thead { tr {
                @for (index, heading) in columns.headings.iter().enumerate() {
                    th scope="col" class=[class(index)] { (heading) }
                }
            } } }
            tbody {
                @for (cells, style) in &columns.rows {
                    tr class=[row_class(*style)] {
                        @for (index, cell) in cells.iter().enumerate() {
                            td class=[class(index)] { (cell) }
                        }
                    }
                }
            }
        } }
    }
}

fn row_class(style: Option<anstyle::Style>) -> Option<&'static str> {
    match style {
        Some(style) if style == STRONG => Some("strong"),
        Some(style) if style == ALARM => Some("alarm"),
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    #[test]
    fn a_page_holds_what_the_terminal_shows_and_fetches_nothing() {
        let diagnosis = samples::diagnosis();
        let drawing = "<svg xmlns=\"http://www.w3.org/2000/svg\"></svg>".to_owned();
        let page = suspects(&diagnosis, Listing::Short, &[drawing], None);
        for words in [
            "R2 open",
            "Measure next",
            "What these readings cannot show",
            "Caution",
            " caution\"",
            "<svg",
            "default-src 'none'",
        ] {
            let escaped = words.replace('\'', "&#39;");
            assert!(
                page.contains(words) || page.contains(&escaped),
                "{words} is missing in\n{page}"
            );
        }
        let fetched = page
            .match_indices("http")
            .filter(|(at, _)| !page[*at..].starts_with("http://www.w3.org/2000/svg"))
            .filter(|(at, _)| !page[*at..].starts_with("http-equiv"));
        assert_eq!(fetched.count(), 0);
        assert!(!page.contains("<script"));
    }

    #[test]
    fn odds_are_followed_by_name() {
        let last = samples::diagnosis();
        let mut before = last.clone();
        for suspect in &mut before.suspects {
            suspect.probability /= 10.0;
        }
        let moved = Moved::of(&[before, last.clone()]);
        let first = moved.as_ref().map(|moved| moved.answers[0].clone());
        let (name, odds) = first.unwrap_or_default();
        assert_eq!(name, "R2 open");
        let now = last.suspects[0].probability;
        assert!((odds[0] - now / 10.0).abs() < 1e-12 && (odds[1] - now).abs() < 1e-12);
        assert_eq!(moved.map(|moved| moved.after.len()), Some(1));
    }

    #[test]
    fn words_of_a_stage_are_no_markup() {
        let mut diagnosis = samples::diagnosis();
        diagnosis.stage = "<b>&amp;".to_owned();
        let page = suspects(&diagnosis, Listing::Short, &[], None);
        assert!(page.contains("&lt;b&gt;&amp;amp;"));
        assert!(!page.contains("<b>"));
    }
}
