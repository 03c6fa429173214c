//! The users' pages: their examples are read by the program, and their tables
//! are printed from its data.
//!
//! In `docs/stage-file.md` a block marked `stage` is a stage, or some of its
//! lines; one marked `stage CODE` must give that finding and no other error.
//! A block marked `readings` is read against the last whole stage before it.
//! The block marked `rates` of `docs/rates.md` is read against the stage it speaks of.
//! With `DEADSTAGE_WRITE_PAGES` set, the tables are written anew.

use std::path::{Path, PathBuf};

use deadstage_circuit::tube_names;
use deadstage_netlist::{
    DEEPEST_INCLUDE, Diagnostic, LONGEST_NAME, LONGEST_TEXT, LONGEST_WORD, MOST_BYTES,
    MOST_BYTES_IN_ALL, MOST_FILES, MOST_FINDINGS, MOST_PARTS, MOST_POINTS, MOST_RATES,
    MOST_READINGS, MOST_READINGS_IN_ALL, MOST_REMARKS, MOST_SETTINGS, MOST_TUBE_TYPES, MOST_WORDS,
    Stage, parse_readings, parse_stage,
};
use deadstage_parts::{
    PartClass, RateProfile, default_tolerance, rate, rate_source, tolerance_reason,
};
use deadstage_reason::parse_rates;

fn path(name: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("..").join(name)
}

fn text_of(name: &str) -> String {
    let path = path(name);
    std::fs::read_to_string(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

fn page() -> String {
    text_of("docs/stage-file.md")
}

/// Holds what stands on a page between the marks of this name against a table, or puts the table there.
fn hold(page_name: &str, mark: &str, table: &str) {
    let (begin, end) = (
        format!("<!-- {mark} -->\n"),
        format!("<!-- end of {mark} -->"),
    );
    let page = text_of(page_name);
    let (before, rest) = page
        .split_once(&begin)
        .unwrap_or_else(|| panic!("no {begin}"));
    let (printed, after) = rest.split_once(&end).unwrap_or_else(|| panic!("no {end}"));
    let wanted = format!("\n{table}\n");
    if std::env::var_os("DEADSTAGE_WRITE_PAGES").is_some() {
        let page = format!("{before}{begin}{wanted}{end}{after}");
        std::fs::write(path(page_name), page).unwrap_or_else(|error| panic!("{error}"));
        return;
    }
    assert_eq!(
        printed, wanted,
        "{page_name} is stale; run this test with DEADSTAGE_WRITE_PAGES=1"
    );
}

/// A fenced block: the words after its fence, its text, the line it begins on.
struct Block {
    mark: String,
    text: String,
    line: usize,
}

fn blocks(page: &str) -> Vec<Block> {
    let mut found = Vec::new();
    let mut open: Option<Block> = None;
    for (line, words) in (1..).zip(page.lines()) {
        match (words.strip_prefix("```"), &mut open) {
            (Some(_), Some(_)) => found.extend(open.take()),
            (Some(mark), None) => {
                open = Some(Block {
                    mark: mark.trim().to_owned(),
                    text: String::new(),
                    line,
                });
            }
            (None, Some(block)) => {
                block.text.push_str(words);
                block.text.push('\n');
            }
            (None, None) => {}
        }
    }
    assert!(open.is_none(), "a block of the page is not closed");
    found
}

/// The errors of a stage's text, which has a title of ours where it has none.
fn read(text: &str, whole: &str) -> (Stage, Vec<Diagnostic>) {
    let text = if text.starts_with("stage ") {
        text.to_owned()
    } else {
        format!("stage \"Example\"\n{text}")
    };
    let parsed = parse_stage("example", &text, &tube_names(), &mut |_, path| {
        Ok((path.to_owned(), whole.to_owned()))
    });
    let errors = parsed.errors().cloned().collect();
    (parsed.value, errors)
}

#[test]
fn every_example_is_read_as_the_page_says() {
    let page = page();
    let mut wrong = Vec::new();
    // The page's first block is the stage that a later one includes.
    let mut whole: Option<(String, Stage)> = None;
    let mut first = String::new();
    let (mut stages, mut sheets, mut mistakes) = (0, 0, 0);
    for block in blocks(&page) {
        let (kind, code) = block.mark.split_once(' ').unwrap_or((&block.mark, ""));
        match kind {
            "stage" => {
                let (stage, errors) = read(&block.text, &first);
                let codes: Vec<&str> = errors.iter().map(|e| e.code).collect();
                let as_told = match code {
                    "" => codes.is_empty(),
                    code => !codes.is_empty() && codes.iter().all(|found| *found == code),
                };
                if !as_told {
                    let said: Vec<&str> = errors.iter().map(|e| e.message.as_str()).collect();
                    wrong.push(format!("line {}: {codes:?} {said:?}", block.line));
                }
                if code.is_empty() {
                    stages += 1;
                } else {
                    mistakes += 1;
                }
                if block.text.starts_with("stage ") {
                    if first.is_empty() {
                        first.clone_from(&block.text);
                    }
                    whole = Some((block.text, stage));
                }
            }
            "readings" => {
                sheets += 1;
                let Some((_, stage)) = &whole else {
                    wrong.push(format!("line {}: no stage before it", block.line));
                    continue;
                };
                let parsed = parse_readings("example", &block.text, stage, &tube_names());
                for error in &parsed.diagnostics {
                    wrong.push(format!("line {}: {}", block.line, error.message));
                }
            }
            other => wrong.push(format!("line {}: a block marked `{other}`", block.line)),
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
    assert!(
        stages >= 10 && sheets >= 1 && mistakes >= 4,
        "{stages} stages, {sheets} sheets, {mistakes} mistakes"
    );
}

#[test]
fn every_statement_has_an_example() {
    let page = page();
    let examples: Vec<Block> = blocks(&page);
    let begins = |kind: &str, word: &str| {
        examples
            .iter()
            .filter(|block| block.mark == kind)
            .flat_map(|block| block.text.lines())
            .any(|line| line.split_whitespace().next() == Some(word))
    };
    let stage = "stage notes common line settings section defaults include tubetype expect testpoint \
                 supply rectifier resistor potentiometer capacitor choke winding transformer tube \
                 diode regulator transistor thermistor lamp fuse link switch relay contact meter";
    let sheet = "readings notes meter line setting volts ohms amps panel tester seen good replaced";
    let missing: Vec<&str> = stage
        .split_whitespace()
        .filter(|word| !begins("stage", word))
        .chain(
            sheet
                .split_whitespace()
                .filter(|word| !begins("readings", word)),
        )
        .collect();
    assert!(missing.is_empty(), "no example of {missing:?}");
}

/// `CompositionResistor` as words.
fn words(class: PartClass) -> String {
    let mut said = String::new();
    for letter in format!("{class:?}").chars() {
        if letter.is_uppercase() && !said.is_empty() {
            said.push(' ');
        }
        said.extend(letter.to_lowercase());
    }
    said
}

fn table() -> String {
    let mut table = "| part | healthy within | why |\n| --- | --- | --- |\n".to_owned();
    for class in PartClass::ALL {
        let within = match default_tolerance(class) {
            0.0 => "see its law".to_owned(),
            fraction => format!("±{} %", (fraction * 1000.0).round() / 10.0),
        };
        let reason = tolerance_reason(class);
        table.push_str(&format!("| {} | {within} | {reason} |\n", words(class)));
    }
    table
}

#[test]
fn the_table_of_tolerances_is_the_data() {
    hold("docs/stage-file.md", "tolerances", &table());
}

#[test]
fn the_table_of_bounds_is_what_the_reader_keeps() {
    let mebibytes = |bytes: usize| format!("{} MiB", bytes >> 20);
    let characters = |most: usize| format!("{most} characters");
    let rows = [
        ("a file", mebibytes(MOST_BYTES)),
        (
            "a stage with all that it includes",
            format!(
                "{}, {MOST_FILES} files, {DEEPEST_INCLUDE} within each other",
                mebibytes(MOST_BYTES_IN_ALL)
            ),
        ),
        ("parts of a stage", MOST_PARTS.to_string()),
        ("control settings of a stage", MOST_SETTINGS.to_string()),
        (
            "tube types that a stage defines",
            MOST_TUBE_TYPES.to_string(),
        ),
        (
            "values of its print, and test points",
            format!("{MOST_POINTS} of each"),
        ),
        ("readings of a sheet", MOST_READINGS.to_string()),
        (
            "readings weighed together",
            MOST_READINGS_IN_ALL.to_string(),
        ),
        (
            "remarks of a sheet (`seen`, `good`, `replaced`)",
            MOST_REMARKS.to_string(),
        ),
        ("lines of a rates file", MOST_RATES.to_string()),
        ("words of a statement", MOST_WORDS.to_string()),
        ("a name, its prefixes included", characters(LONGEST_NAME)),
        ("a value or other word", characters(LONGEST_WORD)),
        ("a text in quotes", characters(LONGEST_TEXT)),
        ("findings shown", MOST_FINDINGS.to_string()),
    ];
    let mut table = "| of | at most |\n| --- | --- |\n".to_owned();
    for (what, most) in rows {
        table.push_str(&format!("| {what} | {most} |\n"));
    }
    hold("docs/stage-file.md", "bounds", &table);
}

#[test]
fn the_table_of_rates_is_the_data() {
    let mut table =
        "| part | in service | from | decades old |\n| --- | --- | --- | --- |\n".to_owned();
    for class in PartClass::ALL {
        let shown = |profile| format!("{:.1} %", 100.0 * rate(class, profile));
        let line = [
            class.name().to_owned(),
            shown(RateProfile::InService),
            rate_source(class).to_owned(),
            shown(RateProfile::DecadesOld),
        ];
        table.push_str(&format!("| {} |\n", line.join(" | ")));
    }
    hold("docs/rates.md", "rates", &table);
}

#[test]
fn the_rates_file_of_its_page_and_the_one_that_ships_are_read_without_a_finding() {
    let text = text_of("netlists/audio/self-biased-output.stage");
    let (stage, errors) = read(&text, "");
    assert!(errors.is_empty(), "{errors:?}");
    let example = blocks(&text_of("docs/rates.md"))
        .into_iter()
        .find(|block| block.mark == "rates")
        .unwrap_or_else(|| panic!("the page has no example"));
    for (text, lines) in [(example.text, 7), (text_of("netlists/boathouse.rates"), 3)] {
        let parsed = parse_rates("example", &text, &stage, &tube_names());
        assert!(parsed.diagnostics.is_empty(), "{:?}", parsed.diagnostics);
        assert_eq!(parsed.value.changes.len(), lines);
    }
}

#[test]
fn the_page_of_the_tube_table_counts_what_is_in_it() {
    use deadstage_parts::{Confidence, UnitKind, tube_table};
    use std::fmt::Write as _;

    type Group = (&'static str, fn(UnitKind) -> bool);
    let groups: [Group; 4] = [
        ("amplifying tubes and eyes", |kind| {
            matches!(kind, UnitKind::Amplifier(_))
        }),
        ("small diodes", |kind| kind == UnitKind::Diode),
        ("rectifiers, thyratrons, trigger tubes", |kind| {
            matches!(kind, UnitKind::Rectifier | UnitKind::GasRectifier)
        }),
        ("gas regulators", |kind| kind == UnitKind::Regulator),
    ];
    let types = tube_table().types();
    let mut table = "| | types | names | rows of high, medium, low confidence | with a second source |\n| --- | --- | --- | --- | --- |\n".to_owned();
    let mut line = |what: &str, of: &dyn Fn(UnitKind) -> bool| {
        let chosen: Vec<_> = types
            .iter()
            .filter(|tube| tube.units.first().is_some_and(|unit| of(unit.kind)))
            .collect();
        let names: usize = chosen.iter().map(|tube| 1 + tube.aliases.len()).sum();
        let sure = |at: &[Confidence]| chosen.iter().filter(|t| at.contains(&t.confidence)).count();
        let second = chosen.iter().filter(|t| t.second_source.is_some()).count();
        let _ = writeln!(
            table,
            "| {what} | {} | {names} | {}, {}, {} | {second} |",
            chosen.len(),
            sure(&[Confidence::High, Confidence::Seen]),
            sure(&[Confidence::Medium]),
            sure(&[Confidence::Low]),
        );
    };
    for (what, of) in groups {
        line(what, &of);
    }
    line("all", &|_| true);
    hold("docs/tube-table.md", "table", &table);
}
