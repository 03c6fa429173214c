//! Words of the command line that mean nothing: told to people in full, to programs as a document.

use crate::Status;
use crate::failure::Failure;
use crate::output;
use clap::error::ErrorKind;
use deadstage_netlist::visible;
use std::ffi::OsString;

/// Says what is wrong with the words, or gives the help that they ask for.
pub(crate) fn explain(error: &clap::Error, words: &[OsString]) -> Status {
    if !error.use_stderr() {
        // Nothing better is left to do if stdout is gone.
        let _ = output::show(&error.render().ansi().to_string());
        return Status::AllWell;
    }
    let plain = error.render().to_string();
    let shown: String = plain.lines().map(|line| visible(line) + "\n").collect();
    // Styles would hide what the words themselves hold; without such, they are welcome.
    output::complain(&if shown == plain {
        error.render().ansi().to_string()
    } else {
        shown.clone()
    });
    let typed = typed_readings(words);
    let failure = failure(error, &shown).keeping(&typed);
    if !typed.is_empty() {
        output::complain(&failure.unused_text());
    }
    if wants_json(words) {
        output::document(failure.json());
    }
    Status::BadInput
}

/// The message in one sentence, and what would be right, apart from each other.
fn failure(error: &clap::Error, shown: &str) -> Failure {
    if error.kind() == ErrorKind::DisplayHelpOnMissingArgumentOrSubcommand {
        let help = "`deadstage --help` lists the commands".to_owned();
        return Failure::plain("usage", "no command is given", Some(help));
    }
    let mut paragraphs = shown.split("\n\n").map(|paragraph| {
        let lines: Vec<&str> = paragraph.lines().map(str::trim).collect();
        lines.join(" ").trim().to_owned()
    });
    let message = paragraphs.next().unwrap_or_default();
    let message = message.strip_prefix("error: ").unwrap_or(&message);
    let help: Vec<String> = paragraphs
        .filter(|paragraph| !paragraph.is_empty())
        .collect();
    Failure::plain(
        "usage",
        message,
        (!help.is_empty()).then(|| help.join("; ")),
    )
}

/// Whether the words, as far as they go, ask for JSON.
fn wants_json(words: &[OsString]) -> bool {
    values_of("--format", words).any(|format| format == "json")
}

/// Readings among the words: they are given back, however wrong the others are.
fn typed_readings(words: &[OsString]) -> Vec<String> {
    values_of("--read", words).collect()
}

/// What follows an option, as `--read VALUE` or `--read=VALUE`.
fn values_of(option: &'static str, words: &[OsString]) -> impl Iterator<Item = String> {
    let words = words.iter().skip(1).map(|word| word.to_string_lossy());
    let words: Vec<String> = words.map(|word| word.into_owned()).collect();
    let end = words.iter().position(|word| word == "--");
    let words: Vec<String> = words.into_iter().take(end.unwrap_or(usize::MAX)).collect();
    let mut values = Vec::new();
    let mut words = words.into_iter();
    while let Some(word) = words.next() {
        if word == option {
            values.extend(words.next());
        } else if let Some(value) = word
            .strip_prefix(option)
            .and_then(|rest| rest.strip_prefix('='))
        {
            values.push(value.to_owned());
        }
    }
    values.into_iter()
}

#[cfg(test)]
mod tests {
    use super::*;

    fn words(words: &str) -> Vec<OsString> {
        words.split(' ').map(OsString::from).collect()
    }

    #[test]
    fn options_are_found_among_bad_words() {
        let words =
            words("deadstage suspect --read a=1V --bad --read=b=2V --format json -- --read c");
        assert_eq!(typed_readings(&words), ["a=1V", "b=2V"]);
        assert!(wants_json(&words));
    }

    #[test]
    fn json_is_not_asked_for_by_another_option() {
        assert!(!wants_json(&words(
            "deadstage chart --setting json --format"
        )));
        assert!(!wants_json(&words("deadstage chart -- --format json")));
        assert!(wants_json(&words("deadstage chart --format=json")));
    }
}
