//! However much a text holds, what is kept of it and said of it is little.

use std::time::{Duration, Instant};

use deadstage_netlist::*;

use crate::fixtures::{PREAMPLIFIER, clean, names, parse};

fn codes<T>(parsed: &Parsed<T>) -> Vec<&str> {
    parsed.diagnostics.iter().map(|d| d.code).collect()
}

fn only(code: &str, body: &str) {
    let parsed = parse(&format!("stage \"x\"\n{body}"));
    let first: String = body.chars().take(80).collect();
    assert_eq!(codes(&parsed), [code], "{first}");
    assert_eq!(parsed.unlisted, Unlisted::default());
}

fn sheet(body: &str) -> Parsed<Readings> {
    let stage = clean(PREAMPLIFIER);
    let text = format!("readings \"x\"\n{body}");
    parse_readings("test.readings", &text, &stage, &names())
}

/// Lines `line(0)`, `line(1)` ... up to the number wanted.
fn lines(number: usize, line: impl Fn(usize) -> String) -> String {
    (0..number).map(line).collect()
}

fn resistors(number: usize) -> String {
    lines(number, |n| {
        format!("resistor R{n} 1k from n{n} to n{}\n", n + 1)
    })
}

#[test]
fn of_many_findings_the_first_are_kept_and_the_others_counted() {
    let bad = lines(30_000, |n| format!("resistr R{n} 1k from a to b\n"));
    let parsed = parse(&format!("stage \"x\"\n{bad}"));
    assert_eq!(parsed.diagnostics.len(), MOST_FINDINGS);
    assert_eq!(parsed.unlisted.errors, 30_000 - MOST_FINDINGS);
    let last = &parsed.diagnostics[MOST_FINDINGS - 1];
    let place = parsed.sources.locate(last.span).map(|(_, line, _)| line);
    assert_eq!(place, Some(MOST_FINDINGS + 1));
    // Warnings take no room from errors.
    let doubtful = lines(200, |n| format!("resistor R{n} 1m from a to b\n"));
    let parsed = parse(&format!(
        "stage \"x\"\n{doubtful}resistr R 1k from a to b\n"
    ));
    assert_eq!(parsed.errors().count(), 1);
    assert_eq!(parsed.warnings().count(), MOST_FINDINGS);
    assert_eq!(parsed.unlisted.warnings, 200 - MOST_FINDINGS);
    let parsed = sheet(&"vlots plate1 5V\n".repeat(1000));
    assert_eq!(parsed.unlisted.errors, 1000 - MOST_FINDINGS);
}

/// The worst that fits into a file, of each kind that took more than its share once.
#[test]
fn a_full_file_of_anything_is_read_in_no_time() {
    let filled = |line: &dyn Fn(usize) -> String| {
        let mut text = "stage \"x\"\nsettings receive\n".to_owned();
        for n in 0.. {
            let line = line(n);
            if text.len() + line.len() > MOST_BYTES {
                break;
            }
            text.push_str(&line);
        }
        text
    };
    let texts = [
        filled(&|_| "x\n".to_owned()),
        filled(&|n| format!("resistr R{n} 1k from a to b\n")),
        filled(&|_| "resistor R1 1k from a to b\n".to_owned()),
        filled(&|n| format!("resistor R{n} 1m from a{n} to b\n")),
        filled(&|n| format!("diode D{n} silicone from a{n} to b\n")),
        filled(&|n| format!("tube V{n} 12AX8 plate=a\n")),
        filled(&|n| format!("switch S{n} from a to b closed in recieve\n")),
        filled(&|n| format!("expect n{n} 5V\n")),
        filled(&|n| format!("contact K{n} from a to b normally open\n")),
        filled(&|n| format!("winding W{n} 1k of T{n} from a to b\n")),
        filled(&|_| "include \"x\"\n".to_owned()),
        filled(&|_| "9 ".to_owned()),
        filled(&|_| "\" ".to_owned()),
        filled(&|_| "9".to_owned()),
        filled(&|_| " \n".to_owned()),
        filled(&|_| " x\n".to_owned()),
    ];
    for text in &texts {
        let start = Instant::now();
        let parsed = parse(text);
        let shown: usize = parsed
            .diagnostics
            .iter()
            .map(|d| render(d, &parsed.sources, false).len())
            .sum();
        let sample: String = text.chars().skip(27).take(60).collect();
        assert!(parsed.diagnostics.len() <= 2 * MOST_FINDINGS, "{sample}");
        assert!(shown < 60_000, "{shown} bytes of {sample}");
        // Half a second on a machine left alone; some of them took minutes.
        let took = start.elapsed();
        assert!(took < Duration::from_secs(10), "{took:?} for {sample}");
    }
}

#[test]
fn a_file_that_is_too_long_is_refused_whole() {
    let text = format!("stage \"x\"\n{}", "#".repeat(MOST_BYTES));
    let parsed = parse(&text);
    assert_eq!(codes(&parsed), ["file-too-long"]);
    assert_eq!(
        parsed.diagnostics[0].message,
        "test.stage is longer than 1 MiB, the most that is read of one file"
    );
    // Nothing of it is kept.
    assert_eq!(&*parsed.sources.files[0].text, "");
    let stage = clean(PREAMPLIFIER);
    let sheet = parse_readings("s", &text, &stage, &names());
    assert_eq!(codes(&sheet), ["file-too-long"]);
    let rates = parse_rates("r", &text, &stage, &names(), &RateWords::default());
    assert_eq!(codes(&rates), ["file-too-long"]);
    let full = format!("stage \"x\"\n{}", "#".repeat(MOST_BYTES - 10));
    assert_eq!(codes(&parse(&full)), Vec::<&str>::new());
}

#[test]
fn words_names_and_texts_have_an_end() {
    let name = |length| "n".repeat(length);
    let resistor = |name: String| format!("resistor {name} 1k from a to b\n");
    assert_eq!(
        parse(&format!("stage \"x\"\n{}", resistor(name(LONGEST_NAME))))
            .value
            .parts
            .len(),
        1
    );
    only("name-too-long", &resistor(name(LONGEST_NAME + 1)));
    only("word-too-long", &resistor(name(LONGEST_WORD + 1)));
    only(
        "word-too-long",
        &format!("resistor R1 {} from a to b\n", "9".repeat(LONGEST_WORD + 1)),
    );
    let title = |length| format!("section \"{}\"\n", "é".repeat(length));
    assert_eq!(
        codes(&parse(&format!("stage \"x\"\n{}", title(LONGEST_TEXT)))),
        Vec::<&str>::new()
    );
    only("text-too-long", &title(LONGEST_TEXT + 1));
    let words = |number| format!("settings {}\n", vec!["a"; number - 1].join(" "));
    assert_eq!(
        codes(&parse(&format!("stage \"x\"\n{}", words(MOST_WORDS)))),
        Vec::<&str>::new()
    );
    only("too-many-words", &words(MOST_WORDS + 1));
    // However many lines it goes on for, it is said once.
    only(
        "too-many-words",
        &format!("settings\n{}", " a b c\n".repeat(10_000)),
    );
}

#[test]
fn a_stage_has_room_for_so_many_of_each() {
    let whole = parse(&format!("stage \"x\"\n{}", resistors(MOST_PARTS)));
    assert_eq!(
        (whole.value.parts.len(), codes(&whole)),
        (MOST_PARTS, vec![])
    );
    let over = parse(&format!("stage \"x\"\n{}", resistors(MOST_PARTS + 3)));
    assert_eq!(
        (over.value.parts.len(), codes(&over)),
        (MOST_PARTS, vec!["too-many"])
    );
    assert!(over.diagnostics[0].message.contains("more than 2000 parts"));
    only(
        "too-many",
        &lines(MOST_PARTS + 3, |n| format!("transformer T{n}\n")),
    );
    let settings: Vec<String> = (0..=MOST_SETTINGS).map(|n| format!("s{n}")).collect();
    let parsed = parse(&format!("stage \"x\"\nsettings {}\n", settings.join(" ")));
    assert_eq!(parsed.value.settings.len(), MOST_SETTINGS);
    assert!(parsed.errors().all(|error| error.code == "too-many"));
    only(
        "too-many",
        &lines(MOST_TUBE_TYPES + 3, |n| {
            format!("tubetype T{n} triode mu 20 plate 250V grid -8V current 9mA gm 2mS\n")
        }),
    );
    let wired = "resistor R1 1k from a to b\n";
    for line in ["expect a 5V\n", "testpoint a\n"] {
        only(
            "too-many",
            &format!("{wired}{}", line.repeat(MOST_POINTS + 3)),
        );
    }
}

#[test]
fn a_sheet_has_room_for_what_a_person_can_take() {
    let full = sheet(&"volts plate1 5V\n".repeat(MOST_READINGS));
    assert_eq!(
        (full.value.readings.len(), codes(&full)),
        (MOST_READINGS, vec![])
    );
    // A million are refused as soon as they do not fit.
    let over = sheet(&"volts plate1 5V\n".repeat(60_000));
    assert_eq!(
        (over.value.readings.len(), codes(&over)),
        (MOST_READINGS, vec!["too-many"])
    );
    assert!(
        over.diagnostics[0]
            .message
            .contains("more than 500 readings")
    );
    let remarks = sheet(&"good R1\nseen R2 hot\n".repeat(MOST_REMARKS));
    assert_eq!(
        (remarks.value.remarks.len(), codes(&remarks)),
        (MOST_REMARKS, vec!["too-many"])
    );
}

#[test]
fn a_rates_file_has_room_for_every_part_and_more() {
    let stage = clean(PREAMPLIFIER);
    let text = format!("rates \"x\"\n{}", "R1 x2\n".repeat(MOST_RATES + 3));
    let parsed = parse_rates("r", &text, &stage, &names(), &RateWords::default());
    assert_eq!(
        (parsed.value.lines.len(), codes(&parsed)),
        (MOST_RATES, vec!["too-many"])
    );
}

#[test]
fn includes_end_by_number_by_length_and_by_name() {
    let read = |text: &str, included: &str| {
        let mut loads = 0;
        let parsed = parse_stage("main", text, &names(), &mut |_, path| {
            loads += 1;
            Ok((format!("{path}{loads}"), included.to_owned()))
        });
        (parsed, loads)
    };
    // A file that is not found, or comes back to itself, is asked for so often and no more.
    let many = format!("stage \"x\"\n{}", "include \"x\"\n".repeat(10_000));
    let mut asked = 0;
    let parsed = parse_stage("main", &many, &names(), &mut |_, _| {
        asked += 1;
        Err("there is none".to_owned())
    });
    assert!(parsed.has_errors());
    assert_eq!(asked, MOST_FILES);
    let long = format!("stage \"x\"\n{}", "#".repeat(MOST_BYTES / 2));
    let (parsed, loads) = read(&many, &long);
    assert_eq!(loads, 2 * MOST_BYTES_IN_ALL / MOST_BYTES);
    assert_eq!(parsed.diagnostics[0].code, "too-long-in-all");
    // Prefixes add up, and what is printed flat must read back.
    let part = "stage \"x\"\nresistor R1234567 1k from a to b\n";
    let prefix = "p".repeat(LONGEST_NAME - 8);
    let (parsed, _) = read(&format!("stage \"x\"\ninclude \"x\" as {prefix}\n"), part);
    assert_eq!(codes(&parsed), ["name-too-long"]);
    let (parsed, _) = read(
        &format!("stage \"x\"\ninclude \"x\" as {}\n", &prefix[1..]),
        part,
    );
    assert_eq!(codes(&parsed), Vec::<&str>::new());
    assert_eq!(parse(&print_stage(&parsed.value)).value, parsed.value);
}

#[test]
fn a_file_of_another_kind_or_of_nothing_is_told_once() {
    let kinds = [
        (
            "readings \"x\"\nvolts a 5V\nvolts b 5V\n",
            "this is a readings sheet, and a stage file should be here",
        ),
        (
            "rates \"x\"\ntube x2\n",
            "this is a rates file, and a stage file should be here",
        ),
        ("", "the file is empty: a stage file begins with its title"),
        (
            "\u{feff}\r\n \t\n",
            "the file is empty: a stage file begins with its title",
        ),
        (
            "# one\n  # two\n",
            "the file holds comments only: a stage file begins with its title",
        ),
    ];
    for (text, message) in kinds {
        let parsed = parse(text);
        let said: Vec<&str> = parsed
            .diagnostics
            .iter()
            .map(|d| d.message.as_str())
            .collect();
        assert_eq!(said, [message]);
    }
    let stage = clean(PREAMPLIFIER);
    let parsed = parse_readings("r", PREAMPLIFIER, &stage, &names());
    assert_eq!(codes(&parsed), ["another-kind-of-file"]);
    assert_eq!(
        codes(&parse_readings("r", "", &stage, &names())),
        ["no-title"]
    );
    let parsed = parse_rates(
        "r",
        "readings \"x\"\n",
        &stage,
        &names(),
        &RateWords::default(),
    );
    assert_eq!(codes(&parsed), ["another-kind-of-file"]);
}

#[test]
fn long_lines_and_far_places_are_shown_in_pieces() {
    let line = format!(
        "stage \"x\"\nresistr R1 1k from a to b #{}\nnotes \"{}\" stray\n",
        "c".repeat(1000),
        "é".repeat(1000)
    );
    let parsed = parse(&line);
    let shown: Vec<String> = parsed
        .diagnostics
        .iter()
        .map(|d| render(d, &parsed.sources, false))
        .collect();
    assert_eq!(shown.len(), 2);
    for text in &shown {
        assert!(
            text.lines().all(|line| line.chars().count() < 120),
            "{text}"
        );
        assert!(text.contains("^^^^^"), "{text}");
    }
    assert!(
        shown[0].contains("2 | resistr R1 1k from a to b #cccc"),
        "{}",
        shown[0]
    );
    assert!(shown[1].contains("ééé\" stray\n"), "{}", shown[1]);
    // Two places far apart are shown as such, and nothing of what lies between.
    let far = format!(
        "stage \"x\"\nresistor R1 1k from a to b\n{}resistor R1 2k from b to a\n",
        "# between\n".repeat(1000)
    );
    let parsed = parse(&far);
    assert_eq!(
        render(&parsed.diagnostics[0], &parsed.sources, false).trim_end(),
        "error[duplicate-designator]: `R1` is the designator of an earlier part
    --> test.stage:1003:10
     |
1003 | resistor R1 2k from b to a
     |          ^^ second use
     |
    ::: test.stage:2:1
     |
   2 | resistor R1 1k from a to b
     | -------------------------- first use
     |
     = help: give every part a designator of its own"
    );
}

#[test]
fn nothing_hidden_is_shown_or_kept() {
    let stage = parse(
        "stage \"\u{1b}[2Jred \u{202e}evil\"\nnotes \"tab\there\"\nresistor R\u{200b}1 1k from a\u{7f} to b\nresistor R\u{3164} 1k from a to b\n",
    );
    assert_eq!(stage.value.title, "\\u{1b}[2Jred \\u{202e}evil");
    assert_eq!(stage.value.notes, ["tab here"]);
    let shown: String = stage
        .diagnostics
        .iter()
        .map(|d| render(d, &stage.sources, false))
        .collect();
    assert_eq!(codes(&stage), ["bad-name"; 2]);
    assert!(
        !shown.chars().any(|c| c != '\n' && is_hidden(c)),
        "{shown:?}"
    );
    assert!(
        shown.contains("resistor R\\u{200b}1 1k from a\\u{7f} to b"),
        "{shown}"
    );
    assert!(
        shown.contains("`\\u{3164}` is no part of a name"),
        "{shown}"
    );
    // A name of a file may be anything.
    let parsed = parse_stage("a\u{1b}b", "x", &names(), &mut |_, _| Err(String::new()));
    let shown = render(&parsed.diagnostics[0], &parsed.sources, false);
    assert!(shown.contains("--> a\\u{1b}b:1:1"), "{shown}");
}

#[test]
fn a_mains_voltage_is_bounded_wherever_it_is_written() {
    for typed in ["5000V", "0V", "-117V", "many", "11A"] {
        let on_sheet = sheet(&format!("line {typed}\n"));
        let typed = parse_line(typed).map_err(|finding| (finding.message, finding.label));
        let finding = &on_sheet.diagnostics[0];
        assert_eq!(typed, Err((finding.message.clone(), finding.label.clone())));
    }
    assert_eq!(parse_line("117"), Ok(Volts(117.0)));
}
