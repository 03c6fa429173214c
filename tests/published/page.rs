//! The page of all published values beside the computed ones.

use std::fmt::Write as _;

use crate::Outcome;
use crate::rows::Collection;

/// A number with up to four significant digits, plain.
pub(crate) fn number(value: f64) -> String {
    if !value.is_finite() {
        return format!("{value}");
    }
    // What is left of a rounding differs from one machine to the next.
    if value.abs() < 1e-9 {
        return "0".to_owned();
    }
    let digits = value.abs().log10().floor();
    let decimals = (3.0 - digits).clamp(0.0, 12.0) as usize;
    let text = format!("{value:.decimals$}");
    let text = if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    };
    // Four digits also of what is large.
    if digits > 3.0 {
        let step = 10f64.powf(digits - 3.0);
        return format!("{:.0}", (value / step).round() * step);
    }
    text
}

/// Quantities with the symbols of a page instead of those of a keyboard.
fn shown(quantity: &str) -> String {
    quantity
        .replace("kohm", "kΩ")
        .replace("ohm", "Ω")
        .replace("gm-us", "gm, µS,")
        .replace("uS", "µS")
        .replace("uA", "µA")
        .replace("rp-kΩ", "rp, kΩ,")
        .replace("source-Ωs", "source ohms")
        .replace("Ωs", "ohms")
}

fn error(outcome: &Outcome<'_>, found: f64) -> String {
    if outcome.published == 0.0 {
        return number(found);
    }
    let percent = 100.0 * (found / outcome.published - 1.0);
    if percent.abs() < 0.05 {
        return "0.0 %".to_owned();
    }
    format!("{percent:+.1} %")
}

fn line(text: &mut String, words: &str) {
    text.push_str(words);
    text.push('\n');
}

/// The whole page.
pub(crate) fn text(judged: &[(&Collection, Vec<Outcome<'_>>)]) -> String {
    let mut text = String::new();
    line(&mut text, "# Published values, computed");
    line(&mut text, "");
    line(
        &mut text,
        "Written by the tests from `tests/published/*.toml`; not to be edited by hand. `DEADSTAGE_WRITE_PAGES=1 cargo test --release -p deadstage-tests --test published` writes it anew.",
    );
    line(&mut text, "");
    line(
        &mut text,
        "Each value names its source and how sure it is: *seen* was read in a copy of the source; *from memory* was not, with high or medium confidence; *calculated* is arithmetic from stated inputs. Values remembered with low confidence are left out. No law is tuned to make a row pass: what misses is listed, with the reason.",
    );
    line(&mut text, "");
    line(
        &mut text,
        "Tubes and rectifiers work at voltages that kill. These numbers are for judging a model; measuring such voltages is for qualified people, with capacitors bled and checked, one hand clear and the supply isolated, under local codes.",
    );
    line(&mut text, "");
    summary(&mut text, judged);
    misses(&mut text, judged);
    for (collection, outcomes) in judged {
        section(&mut text, collection, outcomes);
    }
    text
}

fn summary(text: &mut String, judged: &[(&Collection, Vec<Outcome<'_>>)]) {
    line(
        text,
        "| part of this page | values | within their tolerance | known to miss | middle error |",
    );
    line(text, "| --- | ---: | ---: | ---: | ---: |");
    for (collection, outcomes) in judged {
        let within = outcomes.iter().filter(|o| o.holds()).count();
        let mut errors: Vec<f64> = outcomes
            .iter()
            .filter_map(|o| match &o.computed {
                Ok(found) if o.published != 0.0 => Some((found / o.published - 1.0).abs()),
                _ => None,
            })
            .collect();
        errors.sort_by(f64::total_cmp);
        let middle = errors
            .get(errors.len() / 2)
            .map_or(String::new(), |e| format!("{:.1} %", 100.0 * e));
        let _ = writeln!(
            text,
            "| {} | {} | {within} | {} | {middle} |",
            collection.title,
            outcomes.len(),
            outcomes.iter().filter(|o| o.known_miss.is_some()).count()
        );
    }
    line(text, "");
}

fn misses(text: &mut String, judged: &[(&Collection, Vec<Outcome<'_>>)]) {
    let known: Vec<&Outcome<'_>> = judged
        .iter()
        .flat_map(|(_, outcomes)| outcomes)
        .filter(|o| o.known_miss.is_some())
        .collect();
    if known.is_empty() {
        return;
    }
    line(text, "## Known misses");
    line(text, "");
    line(
        text,
        "| what | quantity | published | computed | allowed | why |",
    );
    line(text, "| --- | --- | ---: | ---: | --- | --- |");
    for outcome in known {
        let _ = writeln!(
            text,
            "| {} | {} | {} | {} | {} | {} |",
            outcome.row.what,
            shown(outcome.quantity),
            number(outcome.published),
            computed(outcome),
            outcome.band,
            outcome.known_miss.unwrap_or_default()
        );
    }
    line(text, "");
}

fn computed(outcome: &Outcome<'_>) -> String {
    match &outcome.computed {
        Ok(found) => number(*found),
        Err(_) => "none".to_owned(),
    }
}

fn section(text: &mut String, collection: &Collection, outcomes: &[Outcome<'_>]) {
    let _ = writeln!(
        text,
        "## {}\n\n{}\n",
        collection.title,
        collection.about.trim()
    );
    for left_out in &collection.left_out {
        let _ = writeln!(text, "- Left out: {left_out}");
    }
    if !collection.left_out.is_empty() {
        line(text, "");
    }
    line(
        text,
        "| what | quantity | published | computed | error | allowed | source | status |",
    );
    line(text, "| --- | --- | ---: | ---: | ---: | --- | --- | --- |");
    for outcome in outcomes {
        let error = match &outcome.computed {
            Ok(found) => error(outcome, *found),
            Err(why) => why.clone(),
        };
        let miss = if outcome.known_miss.is_some() {
            " (known miss)"
        } else {
            ""
        };
        let note = outcome
            .row
            .note
            .as_ref()
            .map_or(String::new(), |note| format!("; {note}"));
        let _ = writeln!(
            text,
            "| {} | {} | {} | {} | {error}{miss} | {} | {}{note} | {} |",
            outcome.row.what,
            shown(outcome.quantity),
            number(outcome.published),
            computed(outcome),
            outcome.band,
            outcome.row.source,
            outcome.row.status
        );
    }
    line(text, "");
}
