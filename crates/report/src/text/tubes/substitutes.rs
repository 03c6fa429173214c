//! What goes into a socket in place of a type, and where a type is used.

use super::{heater, kinds, title};
use crate::layout::{Columns, Page, WELL};
use crate::text::caution_foot;
use crate::{TubeAnswer, TypeUse, numbers, words};
use deadstage_parts::table::{Figures, PinDifference, PinUse, Substitute, figures, working_point};
use deadstage_parts::{Electrode, Ratings, TubeType};

/// Types told at length.
const TOLD: usize = 12;
/// Types of another heater that are named.
const NAMED: usize = 16;
/// Share by which a rating or a heater's current may differ and not be told.
const ALIKE: f64 = 0.02;

/// How a figure is written.
type Say = fn(f64) -> String;

/// The page of substitutes.
pub(super) fn page(answer: &TubeAnswer<'_>, substitutes: &[Substitute<'_>]) -> String {
    let tube = answer.tube;
    let mut page = Page::default();
    title(&mut page, answer);
    if !tube.base.is_a_socket() {
        page.gap();
        page.paragraph("", "It has no socket that another type would go into.");
        return page.finish();
    }
    let (fitting, others): (Vec<_>, Vec<_>) = substitutes.iter().partition(|s| s.heater_fits);
    if fitting.is_empty() {
        page.gap();
        page.paragraph(
            "",
            "No other type of the table goes into its socket and onto its heater supply.",
        );
    } else {
        page.heading(&format!(
            "Goes into the socket of a {} and onto its heater supply, the likest first",
            tube.name
        ));
        if let Some(at) = at(tube) {
            page.line(&format!("  Figures at {at}"));
        }
        table(&mut page, tube, &fitting);
        if fitting.len() > TOLD {
            page.paragraph(
                "  ",
                &format!(
                    "{} more fit and are less like it; `--format json` lists all.",
                    fitting.len() - TOLD
                ),
            );
        }
    }
    other_heaters(&mut page, &others);
    page.gap();
    page.paragraph(
        "",
        "Computed at that point of the sheet, not for your stage: put the type into the stage file and ask for the chart. \
         A heater that draws another current fits a transformer that can give it, and no series string. \
         Pins that are free in one type may be wired in your set: look.",
    );
    caution_foot(&mut page, f64::INFINITY);
    page.finish()
}

/// Where the figures are taken: `plate 250 V, grid -2 V`, `125 mA`.
fn at(tube: &TubeType) -> Option<String> {
    if let Some(point) = working_point(tube) {
        let screen = if point.screen_volts > 0.0 {
            format!(", screen {}", numbers::volts(point.screen_volts))
        } else {
            String::new()
        };
        return Some(format!(
            "plate {}{screen}, grid {}",
            numbers::volts(point.plate_volts),
            numbers::volts(point.grid_volts)
        ));
    }
    let drop = tube.units.first()?.drop?;
    Some(format!("{} a plate", numbers::amps(drop.amps)))
}

fn table(page: &mut Page, tube: &TubeType, fitting: &[&Substitute<'_>]) {
    let own = figures(tube, tube);
    let mut headings = vec!["type"];
    headings.extend(figure_headings(&own));
    headings.push("what differs");
    let mut columns = Columns::new(&headings);
    let mut cells = vec![tube.name.clone()];
    cells.extend(figure_cells(&own, &own));
    cells.push(String::new());
    columns.row(cells, None);
    for substitute in fitting.iter().take(TOLD) {
        let mut cells = vec![substitute.tube.name.clone()];
        cells.extend(figure_cells(&own, &substitute.figures));
        let differs = differences(tube, substitute);
        let style = differs.is_empty().then_some(WELL);
        cells.push(if differs.is_empty() {
            "nothing that the table knows".to_owned()
        } else {
            differs.join("; ")
        });
        columns.row(cells, style);
    }
    page.table(columns);
}

fn figure_headings(own: &Figures) -> Vec<&'static str> {
    let all = [
        (">current", own.plate_amps),
        (">gm", own.gm),
        (">mu", own.mu),
        (">drop", own.drop_volts),
        (">holds", own.maintained_volts),
    ];
    let known = all.into_iter().filter(|(_, figure)| figure.is_some());
    known.map(|(heading, _)| heading).collect()
}

/// The figures of one type, those that the replaced one has.
fn figure_cells(own: &Figures, shown: &Figures) -> Vec<String> {
    let rows: [(Option<f64>, Option<f64>, Say); 5] = [
        (own.plate_amps, shown.plate_amps, numbers::amps),
        (own.gm, shown.gm, |gm| format!("{:.0} µS", gm * 1e6)),
        (own.mu, shown.mu, |mu| numbers::in_unit(mu, "")),
        (own.drop_volts, shown.drop_volts, numbers::volts),
        (own.maintained_volts, shown.maintained_volts, numbers::volts),
    ];
    rows.into_iter()
        .filter(|(own, ..)| own.is_some())
        .map(|(_, shown, say)| shown.map(say).unwrap_or_default())
        .collect()
}

/// What differs, in words.
fn differences(tube: &TubeType, substitute: &Substitute<'_>) -> Vec<String> {
    let other = substitute.tube;
    let mut said: Vec<String> = Vec::new();
    if let (Some(old), Some(new)) = (&tube.heater, &other.heater)
        && (new.amps / old.amps - 1.0).abs() > ALIKE
    {
        said.push(format!("heater {}", numbers::amps(new.amps)));
    }
    if kinds(tube) != kinds(other) {
        said.push(kinds(other));
    }
    said.extend(substitute.pins.iter().filter_map(pin));
    if let (Some(old), Some(new)) = (tube.units.first(), other.units.first()) {
        said.extend(less_or_more(&old.ratings, &new.ratings));
    }
    said
}

/// A pin that is used otherwise; a shell or shield that is missed by nobody is not told.
fn pin(difference: &PinDifference) -> Option<String> {
    let pin = difference.pin;
    match (difference.was, difference.is) {
        (Some(was), Some(is)) => Some(format!("pin {pin} {}, not {}", is.name(), was.name())),
        (Some(PinUse::Electrode(Electrode::Shell | Electrode::Shield)) | None, None) => None,
        (Some(was), None) => Some(format!("no {} on pin {pin}", was.name())),
        (None, Some(is)) => Some(format!("pin {pin} is not free but {}", is.name())),
    }
}

/// Ratings that are others: `plate only 1 W, 250 V`.
fn less_or_more(old: &Ratings, new: &Ratings) -> Vec<String> {
    let rows: [(&str, Option<f64>, Option<f64>, Say); 7] = [
        ("plate", old.plate_watts, new.plate_watts, numbers::watts),
        ("plate", old.plate_volts, new.plate_volts, numbers::volts),
        ("screen", old.screen_watts, new.screen_watts, numbers::watts),
        ("screen", old.screen_volts, new.screen_volts, numbers::volts),
        ("output", old.dc_amps, new.dc_amps, numbers::amps),
        (
            "inverse",
            old.inverse_volts,
            new.inverse_volts,
            numbers::volts,
        ),
        (
            "heater to cathode",
            old.heater_cathode_volts,
            new.heater_cathode_volts,
            numbers::volts,
        ),
    ];
    let mut said: Vec<(String, Vec<String>)> = Vec::new();
    for (what, old, new, say) in rows {
        let (Some(old), Some(new)) = (old, new) else {
            continue;
        };
        let word = if new < old * (1.0 - ALIKE) {
            "only"
        } else if new > old * (1.0 + ALIKE) {
            "up to"
        } else {
            continue;
        };
        let first = format!("{what} {word}");
        match said.last_mut().filter(|(last, _)| *last == first) {
            Some((_, values)) => values.push(say(new)),
            None => said.push((first, vec![say(new)])),
        }
    }
    said.into_iter()
        .map(|(first, values)| format!("{first} {}", values.join(", ")))
        .collect()
}

fn other_heaters(page: &mut Page, others: &[&Substitute<'_>]) {
    if others.is_empty() {
        return;
    }
    page.heading("On the same pins, with a heater that this socket does not feed");
    let mut said: Vec<String> = others
        .iter()
        .take(NAMED)
        .map(|other| match heater(other.tube) {
            Some(heater) => format!("{} ({heater})", other.tube.name),
            None => other.tube.name.clone(),
        })
        .collect();
    if others.len() > NAMED {
        said.push(format!("{} more", others.len() - NAMED));
    }
    page.paragraph("  ", &words::listed(&said));
}

/// The page of the places where types are used.
pub(super) fn uses_page(answers: &[TubeAnswer<'_>]) -> String {
    let mut page = Page::default();
    let mut columns = Columns::new(&["type", ">parts", "where"]);
    let mut none = true;
    for answer in answers {
        let uses = answer.uses.as_deref().unwrap_or_default();
        if uses.is_empty() {
            continue;
        }
        none = false;
        let mut first = Some((answer.tube.name.clone(), bottles(uses).to_string()));
        for (path, parts) in by_file(answer.tube, uses) {
            let (name, count) = first.take().unwrap_or_default();
            columns.row([name, count, format!("{path}: {parts}")], None);
        }
    }
    if none {
        let names: Vec<String> = answers.iter().map(|a| a.tube.name.clone()).collect();
        page.paragraph(
            "",
            &match names.as_slice() {
                [name] => format!("No stage there uses a {name}, by any of its names."),
                _ => "No stage there uses a type of the table.".to_owned(),
            },
        );
    } else {
        page.table(columns);
    }
    page.finish()
}

/// How many bottles: sections of one designator are one.
fn bottles(uses: &[TypeUse]) -> usize {
    let mut parts: Vec<(&str, &str)> = uses
        .iter()
        .map(|u| (u.path.as_str(), u.part.as_str()))
        .collect();
    parts.sort_unstable();
    parts.dedup();
    parts.len()
}

/// The parts of each file, in the order found: `V1, V2 as 6V6GT`.
fn by_file(tube: &TubeType, uses: &[TypeUse]) -> Vec<(String, String)> {
    let mut files: Vec<(String, Vec<String>)> = Vec::new();
    for used in uses {
        let mut said = used.part.clone();
        if !used.written.eq_ignore_ascii_case(&tube.name) {
            said += &format!(" as {}", used.written);
        }
        match files.last_mut() {
            Some((path, parts)) if *path == used.path => {
                if !parts.contains(&said) {
                    parts.push(said);
                }
            }
            _ => files.push((used.path.clone(), vec![said])),
        }
    }
    files
        .into_iter()
        .map(|(path, parts)| (path, parts.join(", ")))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{samples, text};
    use deadstage_parts::tube_table;

    fn like(name: &str) -> String {
        let table = tube_table();
        let answers = table.find(name).into_iter().map(|tube| TubeAnswer {
            substitutes: Some(table.substitutes(tube)),
            ..TubeAnswer::of(tube)
        });
        answers
            .map(|answer| samples::plain(&text::tube(&answer)))
            .collect()
    }

    #[test]
    fn what_differs_is_told_beside_each_type() {
        let text = like("12AX7");
        let line = |name: &str| {
            let found = text
                .lines()
                .find(|line| line.trim_start().starts_with(name));
            found.unwrap_or_default().to_owned()
        };
        assert!(text.contains("Figures at plate 250 V, grid -2 V"), "{text}");
        assert!(line("12AD7").contains("heater 225 mA"), "{text}");
        assert!(line("5751").contains("plate only 0.8 W"), "{text}");
        assert!(text.contains("6CG7 (6.3 V 600 mA)"), "{text}");
        assert!(
            text.contains("it can kill") || text.contains("can kill"),
            "{text}"
        );
        // A shell that nobody misses is not told; a pin with another use is.
        let text = like("6L6");
        assert!(!text.contains("no shell"), "{text}");
        assert!(text.contains("pin 1 suppressor, not shell"), "{text}");
    }

    #[test]
    fn every_type_has_a_page_within_the_width() {
        for tube in tube_table().types() {
            let text = like(&tube.name);
            assert!(text.starts_with(&tube.name), "{text}");
            let long = text.lines().find(|line| line.chars().count() > 100);
            assert_eq!(long, None, "{}", tube.name);
        }
    }

    #[test]
    fn uses_are_told_by_type_and_file() {
        let used = |path: &str, part: &str, section, written: &str| TypeUse {
            path: path.to_owned(),
            part: part.to_owned(),
            section,
            written: written.to_owned(),
        };
        let mut answers: Vec<TubeAnswer<'_>> = tube_table()
            .find("12AX7")
            .into_iter()
            .map(TubeAnswer::of)
            .collect();
        for answer in &mut answers {
            answer.uses = Some(vec![
                used("a.stage", "V1", Some(1), "12AX7"),
                used("a.stage", "V1", Some(2), "12AX7"),
                used("b.stage", "V3", None, "ECC83"),
            ]);
        }
        let text = samples::plain(&uses_page(&answers));
        assert!(text.contains("12AX7      2  a.stage: V1\n"), "{text}");
        assert!(text.contains("b.stage: V3 as ECC83"), "{text}");
        for answer in &mut answers {
            answer.uses = Some(Vec::new());
        }
        assert!(uses_page(&answers).starts_with("No stage there uses a 12AX7"));
    }
}
