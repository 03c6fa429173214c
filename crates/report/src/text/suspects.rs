//! The answer to a sheet of readings.

use super::{caution_foot, plan};
use crate::layout::{ALARM, Columns, Page, STRONG};
use crate::{numbers, words};
use deadstage_reason::{Diagnosis, JudgedReading, Suspect};

/// How much of the list of suspects is shown.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Listing {
    /// What a person can act on: suspects of 1 % and more, the first three at
    /// least; the others as a sum.
    #[default]
    Short,
    /// Every suspect that the diagnosis holds.
    Full,
}

/// Least probability of a line in the short list.
const WORTH_A_LINE: f64 = 0.01;
/// Lines of the short list whatever their probability.
const ALWAYS_SHOWN: usize = 3;
/// Least probability of a runner-up that is explained like the first.
const WORTH_EXPLAINING: f64 = 0.1;
/// Suspects explained at most, or the page outgrows a screen.
const EXPLAINED: usize = 2;
/// Measurements proposed at most.
const PROPOSED: usize = 4;
/// Spreads from which a reading counts as off: one healthy reading in twenty is.
const OFF: f64 = 2.0;
/// Names in a list before it is cut.
const NAMED: usize = 12;
/// Places named where something outside the netlist may be.
const NEAR: usize = 4;
/// Probability of a slip from which a person should read again.
const DOUBTFUL: f64 = 0.1;

/// Suspects first, then why, how to confirm, what to measure next and the plan if there is one, which
/// readings are off, what cannot be seen, and the cautions.
pub fn suspects(diagnosis: &Diagnosis, listing: Listing) -> String {
    page(diagnosis, listing).finish()
}

pub(crate) fn page(diagnosis: &Diagnosis, listing: Listing) -> Page {
    let mut page = Page::default();
    for title in [&diagnosis.stage, &diagnosis.sheet] {
        if !title.is_empty() {
            page.paragraph("", title);
        }
    }
    let shown = shown(diagnosis, listing);
    list(&mut page, diagnosis, shown);
    groups(&mut page, diagnosis, shown);
    for (index, suspect) in diagnosis.suspects.iter().take(EXPLAINED).enumerate() {
        let least = if index == 0 {
            WORTH_A_LINE
        } else {
            WORTH_EXPLAINING
        };
        if suspect.probability >= least {
            explain(&mut page, suspect);
        }
    }
    next(&mut page, diagnosis);
    if let Some(planned) = &diagnosis.plan {
        plan::plan(&mut page, planned);
    }
    readings(&mut page, diagnosis);
    limits(&mut page, diagnosis);
    caution_foot(&mut page, diagnosis.highest_volts);
    page
}

fn shown(diagnosis: &Diagnosis, listing: Listing) -> usize {
    match listing {
        Listing::Full => diagnosis.suspects.len(),
        Listing::Short => diagnosis
            .suspects
            .iter()
            .take_while(|suspect| suspect.probability >= WORTH_A_LINE)
            .count()
            .max(ALWAYS_SHOWN)
            .min(diagnosis.suspects.len()),
    }
}

/// One line of the list.
struct Line {
    number: String,
    probability: f64,
    what: String,
}

impl Line {
    fn other(probability: f64, what: impl Into<String>) -> Self {
        Self {
            number: "-".to_owned(),
            probability,
            what: what.into(),
        }
    }
}

/// Suspects in falling order; that nothing failed, or something that is not in
/// the netlist, stands above them where it is likelier than any.
fn list(page: &mut Page, diagnosis: &Diagnosis, shown: usize) {
    page.heading("Suspects");
    let first = diagnosis.suspects.first().map_or(0.0, |s| s.probability);
    let mut others = vec![
        Line::other(
            diagnosis.unexplained,
            format!("something that is not in the netlist{}", near(diagnosis)),
        ),
        Line::other(
            diagnosis.healthy,
            if diagnosis.readings.iter().any(|r| r.repairs_since > 0) {
                "nothing is wrong any more: a healthy unit would read like this"
            } else {
                "nothing failed: a healthy unit would read like this"
            },
        ),
    ];
    others.sort_by(|a, b| b.probability.total_cmp(&a.probability));
    let likelier = others.partition_point(|other| other.probability > first);
    let below = others.split_off(likelier);
    let mut lines = others;
    lines.extend(
        diagnosis
            .suspects
            .iter()
            .take(shown)
            .enumerate()
            .map(|(index, suspect)| Line {
                number: format!("{}.", index + 1),
                probability: suspect.probability,
                what: words::faults(suspect),
            }),
    );
    if diagnosis.suspects.len() > shown || diagnosis.rest > 0.0 {
        let unlisted: f64 = diagnosis
            .suspects
            .iter()
            .skip(shown)
            .map(|suspect| suspect.probability)
            .sum();
        lines.push(Line::other(
            unlisted + diagnosis.rest,
            "all other failures considered, together",
        ));
    }
    lines.extend(below);
    let mut columns = Columns::new(&["", ">", "", ""]);
    for (index, line) in lines.into_iter().enumerate() {
        columns.row(
            [
                line.number,
                numbers::per_cent(line.probability),
                words::odds(line.probability),
                line.what,
            ],
            (index == 0).then_some(STRONG),
        );
    }
    page.table(columns);
}

fn near(diagnosis: &Diagnosis) -> String {
    if diagnosis.unexplained_near.is_empty() {
        return String::new();
    }
    let names: Vec<String> = diagnosis
        .unexplained_near
        .iter()
        .take(NEAR)
        .cloned()
        .collect();
    format!(", near {}", words::listed(&names))
}

/// Suspects of one number that no measurement in reach can part.
fn groups(page: &mut Page, diagnosis: &Diagnosis, shown: usize) {
    let mut told = Vec::new();
    for suspect in diagnosis.suspects.iter().take(shown) {
        if told.contains(&suspect.group) {
            continue;
        }
        told.push(suspect.group);
        let members: Vec<(usize, &Suspect)> = diagnosis
            .suspects
            .iter()
            .enumerate()
            .filter(|(_, other)| other.group == suspect.group)
            .collect();
        if members.len() < 2 {
            continue;
        }
        let together: f64 = members.iter().map(|(_, member)| member.probability).sum();
        let numbers_shown: Vec<String> = members
            .iter()
            .map(|(index, _)| index + 1)
            .filter(|number| *number <= shown)
            .map(|number| number.to_string())
            .collect();
        let mut who = numbers_shown;
        match members.len() - who.len() {
            0 => {}
            1 => who.push("one not listed".to_owned()),
            more => who.push(format!("{more} more not listed")),
        }
        let who = words::listed(&who);
        page.paragraph(
            "    ",
            &format!(
                "{who} look the same in volts and ohms wherever a probe reaches: {} together.",
                numbers::per_cent(together)
            ),
        );
    }
}

fn explain(page: &mut Page, suspect: &Suspect) {
    page.heading(&format!("Why {}", words::faults(suspect)));
    if !suspect.why.is_empty() {
        page.paragraph("  ", &suspect.why);
    }
    if !suspect.confirm.is_empty() {
        page.hung("  Confirm: ", "    ", &suspect.confirm);
    }
    if !suspect.casualties.is_empty() {
        page.hung(
            "  Overdriven by it, check too: ",
            "    ",
            &format!("{}.", suspect.casualties.join("; ")),
        );
    }
}

fn next(page: &mut Page, diagnosis: &Diagnosis) {
    if diagnosis.next.is_empty() && diagnosis.stop.is_none() {
        page.heading("Measure next");
        page.paragraph(
            "  ",
            "No further measurement in reach would change the order above.",
        );
        return;
    }
    page.heading("Measure next");
    if let Some(stop) = &diagnosis.stop {
        page.paragraph("  ", stop);
        if !diagnosis.next.is_empty() {
            page.paragraph("  ", "If you would rather be surer first:");
        }
    }
    for proposal in diagnosis.next.iter().take(PROPOSED) {
        let with = proposal.with.as_deref();
        let line = plan::asked(
            proposal.kind,
            &proposal.point,
            with,
            proposal.setting.as_deref(),
        );
        let power = plan::power(proposal.kind, with);
        page.hung(
            "  * ",
            "      ",
            &format!("{line} ({:.2} bit{power})", proposal.bits),
        );
        if !proposal.why.is_empty() {
            page.paragraph("      ", &proposal.why);
        }
    }
}

fn readings(page: &mut Page, diagnosis: &Diagnosis) {
    let noteworthy = |reading: &JudgedReading| {
        words::spreads(reading).is_some_and(|off| off.abs() >= OFF) || reading.slip >= DOUBTFUL
    };
    let (off, well): (Vec<_>, Vec<_>) = diagnosis
        .readings
        .iter()
        .enumerate()
        .partition(|(_, reading)| noteworthy(reading));
    if diagnosis.readings.is_empty() {
        return;
    }
    page.heading("Readings that are off");
    if off.is_empty() {
        page.paragraph("  ", "None: all lie within two spreads of a healthy unit.");
    } else {
        let first = diagnosis.suspects.first();
        let headings = [
            "point",
            ">read",
            ">healthy",
            ">off by",
            if first.is_some() {
                ">suspect 1 gives"
            } else {
                ""
            },
            "",
        ];
        let mut columns = Columns::new(&headings);
        for (index, reading) in &off {
            let predicted = first
                .and_then(|suspect| suspect.predicts.get(*index))
                .filter(|prediction| prediction.point == reading.point)
                .map(|prediction| numbers::in_unit(prediction.value, &reading.unit))
                .unwrap_or_default();
            columns.row(
                [
                    words::place_of(reading),
                    words::read(reading),
                    numbers::in_unit(reading.healthy, &reading.unit),
                    off_by(reading),
                    predicted,
                    note(reading),
                ],
                (reading.slip >= 0.5).then_some(ALARM),
            );
        }
        page.table(columns);
    }
    let oldest = well.iter().map(|(_, reading)| reading.repairs_since).max();
    for repairs in (0..=oldest.unwrap_or(0)).filter(|_| !off.is_empty()) {
        let names: Vec<String> = well
            .iter()
            .filter(|(_, reading)| reading.repairs_since == repairs)
            .map(|(_, reading)| {
                let place = words::place(&reading.point, reading.kind, reading.with.as_deref());
                match reading.times {
                    1 => place,
                    times => format!("{place} ({})", taken(times)),
                }
            })
            .collect();
        if !names.is_empty() {
            let when = words::before(repairs);
            page.paragraph(
                "  ",
                &format!("As in a healthy unit{when}: {}.", cut(&names)),
            );
        }
    }
    for (_, reading) in &well {
        if let Some(range) = reading.range_assumed {
            page.paragraph(
                "  ",
                &format!(
                    "The sheet gives no range for {}; {} was assumed.",
                    reading.point,
                    numbers::volts(range)
                ),
            );
        }
    }
}

/// How often something was read.
fn taken(times: usize) -> String {
    format!("read {times} times")
}

fn off_by(reading: &JudgedReading) -> String {
    match words::spreads(reading) {
        Some(off) if off.abs() >= 99.5 => {
            format!("{} spreads", if off > 0.0 { "> 99" } else { "< -99" })
        }
        Some(off) => format!("{} spreads", numbers::signed(off, 1)),
        None => "—".to_owned(),
    }
}

fn note(reading: &JudgedReading) -> String {
    let mut notes = Vec::new();
    if reading.times > 1 {
        notes.push(taken(reading.times));
    }
    if reading.slip >= 0.5 {
        notes.push("fits no suspect: read it again".to_owned());
    } else if reading.slip >= DOUBTFUL {
        notes.push("doubtful: read it again".to_owned());
    }
    if let Some(range) = reading.range_assumed {
        notes.push(format!("{} range assumed", numbers::volts(range)));
    }
    notes.join("; ")
}

fn limits(page: &mut Page, diagnosis: &Diagnosis) {
    page.heading("What these readings cannot show");
    if diagnosis.invisible.is_empty() {
        page.paragraph(
            "  ",
            "DC readings say nothing of gain, hum, noise or tuning.",
        );
    } else {
        page.paragraph(
            "  ",
            &format!(
                "None of these readings would change with {}. Nothing here says that these parts are good.",
                either(&diagnosis.invisible)
            ),
        );
    }
    if !diagnosis.search.is_empty() {
        page.paragraph("  ", &diagnosis.search);
    }
}

fn cut(names: &[String]) -> String {
    if names.len() <= NAMED {
        return words::listed(names);
    }
    format!(
        "{} and {} more",
        names
            .iter()
            .take(NAMED)
            .cloned()
            .collect::<Vec<_>>()
            .join(", "),
        names.len() - NAMED
    )
}

fn either(names: &[String]) -> String {
    match names {
        [front @ .., last] if !front.is_empty() && names.len() <= NAMED => {
            format!("{} or {last}", front.join(", "))
        }
        _ => cut(names),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::samples;

    fn plain(text: &str) -> String {
        samples::plain(text)
    }

    #[test]
    fn the_page_answers_in_the_order_of_the_work() {
        let text = plain(&suspects(&samples::diagnosis(), Listing::Short));
        let order = [
            "Phono preamplifier\nAs found",
            "Suspects",
            "R2 open",
            "Why R2 open",
            "Confirm: ",
            "Measure next",
            "ohms across R2",
            "Readings that are off",
            "plate1",
            "What these readings cannot show",
            "Caution",
        ];
        let mut from = 0;
        for words in order {
            let at = text[from..].find(words);
            assert!(
                at.is_some(),
                "{words} is missing or out of order in\n{text}"
            );
            from += at.unwrap_or(0);
        }
        assert!(text.lines().all(|line| line.chars().count() <= 100));
    }

    #[test]
    fn odds_stand_in_words_and_per_cent_and_nothing_is_left_out_of_the_sum() {
        let text = plain(&suspects(&samples::diagnosis(), Listing::Short));
        assert!(text.contains("1.   71 %  3 in 4    R2 open"), "{text}");
        assert!(text.contains("something that is not in the netlist, near cathode1"));
        assert!(text.contains("nothing failed"));
        // Two suspects under one per cent and the rest, as one line.
        assert!(text.contains("all other failures considered, together"));
        assert!(!text.contains("R9 low"));
        let full = plain(&suspects(&samples::diagnosis(), Listing::Full));
        assert!(full.contains("R9 low"));
    }

    #[test]
    fn what_cannot_be_parted_is_said() {
        let text = plain(&suspects(&samples::diagnosis(), Listing::Short));
        assert!(
            text.contains(
                "1 and 2 look the same in volts and ohms wherever a probe reaches: 91 % together."
            ),
            "{text}"
        );
    }

    #[test]
    fn a_slip_is_told_and_a_healthy_reading_is_only_named() {
        let text = plain(&suspects(&samples::diagnosis(), Listing::Short));
        assert!(text.contains("fits no suspect: read it again"));
        assert!(text.contains("As in a healthy unit: b+."));
    }

    #[test]
    fn what_was_read_before_a_repair_is_told_apart() {
        let mut later = samples::diagnosis();
        for reading in &mut later.readings {
            reading.repairs_since = 1;
        }
        let text = plain(&suspects(&later, Listing::Short));
        assert!(text.contains("plate1 before the last repair"), "{text}");
        assert!(text.contains("nothing is wrong any more"), "{text}");
        let well = "As in a healthy unit before the last repair: b+.";
        assert!(text.contains(well), "{text}");
    }

    #[test]
    fn a_healthy_unit_is_not_accused() {
        let mut well = samples::diagnosis();
        well.healthy = 0.97;
        for suspect in &mut well.suspects {
            suspect.probability *= 0.01;
        }
        let text = plain(&suspects(&well, Listing::Short));
        let line = text.lines().nth(4).unwrap_or_default();
        assert!(
            line.contains("97 %") && line.contains("nothing failed"),
            "{text}"
        );
        assert!(!text.contains("Why "), "{text}");
    }

    #[test]
    fn a_stop_is_said_before_what_could_still_be_measured() {
        let mut sure = samples::diagnosis();
        sure.stop = Some("Stop: replace R2 and measure again.".to_owned());
        let text = plain(&suspects(&sure, Listing::Short));
        let stop = text.find("Stop: replace R2");
        let rest = text.find("If you would rather be surer first:");
        assert!(
            stop.is_some() && stop < rest && rest < text.find("ohms across R2"),
            "{text}"
        );
        sure.next.clear();
        let text = plain(&suspects(&sure, Listing::Short));
        assert!(!text.contains("surer"), "{text}");
    }

    #[test]
    fn the_plan_stands_there_only_if_there_is_one() {
        let mut planned = samples::diagnosis();
        assert!(!plain(&suspects(&planned, Listing::Short)).contains("\nPlan\n"));
        planned.plan = Some(samples::plan());
        let text = plain(&suspects(&planned, Listing::Short));
        assert!(text.contains("\nPlan\n"), "{text}");
        assert!(text.find("\nPlan\n") < text.find("Caution"), "{text}");
    }

    #[test]
    fn no_caution_below_the_limit() {
        let mut quiet = samples::diagnosis();
        quiet.highest_volts = 24.0;
        assert!(!suspects(&quiet, Listing::Short).contains("Caution"));
    }
}
