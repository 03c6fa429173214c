//! No text can bring the reader down, and what it says of a text can be shown.

use deadstage_netlist::*;
use proptest::prelude::*;

use crate::fixtures::{PREAMPLIFIER, REST, clean, config, names};

/// Words that statements are made of, and some that trip readers up.
const WORDS: &[&str] = &[
    "stage",
    "notes",
    "common",
    "line",
    "settings",
    "section",
    "defaults",
    "include",
    "supply",
    "rectifier",
    "resistor",
    "potentiometer",
    "capacitor",
    "choke",
    "winding",
    "transformer",
    "tube",
    "diode",
    "regulator",
    "transistor",
    "thermistor",
    "lamp",
    "fuse",
    "link",
    "switch",
    "relay",
    "contact",
    "meter",
    "tubetype",
    "expect",
    "testpoint",
    "readings",
    "volts",
    "ohms",
    "amps",
    "panel",
    "tester",
    "seen",
    "good",
    "replaced",
    "setting",
    "range",
    "with",
    "pulled",
    "lifted",
    "from",
    "to",
    "wiper",
    "at",
    "?",
    "closed",
    "in",
    "normally",
    "open",
    "of",
    "across",
    "through",
    "pin",
    "plate",
    "grid",
    "cathode",
    "screen",
    "=",
    ">",
    "<",
    "±",
    "+-",
    "+",
    "%",
    "inf",
    "nan",
    "1e",
    "1e9999",
    "-0",
    "0",
    "10%",
    "1/2W",
    "1/0W",
    "250V",
    "4K7",
    "R22",
    "1n5",
    "8mfd",
    "5m",
    "0.02uF",
    "20k/V",
    "11M",
    "0.8%+0.02V",
    "3%",
    "12AX7",
    "5Y3",
    "0A2",
    "silicon",
    "germanium",
    "pnp",
    "full-wave",
    "winding",
    "input",
    "choke",
    "drive",
    "peak",
    "R1",
    "r1",
    "V1",
    "K1",
    "M1",
    "T1",
    "a",
    "b",
    "chassis",
    "plate1",
    "Ω",
    "µ",
    "é",
    "\u{2126}",
    "\u{a0}",
    "\"x\"",
    "\"",
    "\"a\\\"b\"",
    "\"0-500 mA\"",
    "scale",
    "#",
    "\t",
    "\r",
    "\u{feff}",
    "\0",
    "as",
    "triode",
    "pentode",
    "mu",
    "gm",
    "current",
    "follows",
    "source",
    "pulls-in",
    "section",
    "1",
    "2",
    "9",
    "99",
    "burnt",
    "hot",
    "awkward",
    "hazard",
    "1.6mA/V",
    "−5V",
    "..",
    "-",
    "_",
    "ideal",
    "rates",
    "paper",
    "poor",
    "contact",
    "open",
    "x5",
    "×0.1",
    "x1e9",
    "5%",
    "x",
    "in-service",
];

fn wordy() -> impl Strategy<Value = String> {
    let space = prop::sample::select(vec![" ", "\n", "\n ", "\r\n", "\t", "", " # ", "\n\n"]);
    let word = prop_oneof![
        8 => prop::sample::select(WORDS.to_vec()).prop_map(str::to_owned),
        1 => "\\PC{0,6}",
    ];
    prop::collection::vec((word, space), 0..60).prop_map(|pairs| {
        pairs
            .into_iter()
            .map(|(word, space)| word + space)
            .collect()
    })
}

/// A good file with some of its bytes' worth of text replaced.
fn damaged() -> impl Strategy<Value = String> {
    let cut = (0usize..3000, 0usize..30, wordy(), prop::bool::ANY);
    prop::collection::vec(cut, 1..4).prop_map(|cuts| {
        let mut text = String::new();
        for (at, length, patch, first) in cuts {
            if text.is_empty() {
                text = if first { PREAMPLIFIER } else { REST }.to_owned();
            }
            let start = text.floor_char_boundary(at % (text.len() + 1));
            let end = text.ceil_char_boundary((start + length).min(text.len()));
            let patch: String = patch.chars().take(40).collect();
            text.replace_range(start..end, &patch);
        }
        text
    })
}

fn check_findings(diagnostics: &[Diagnostic], sources: &SourceMap) {
    for diagnostic in diagnostics {
        let spans = diagnostic.related.iter().map(|r| r.span);
        for span in std::iter::once(diagnostic.span).chain(spans) {
            assert!(sources.text_of(span).is_some(), "{diagnostic:?}");
            assert!(sources.locate(span).is_some(), "{diagnostic:?}");
        }
        assert!(!diagnostic.message.is_empty() && !diagnostic.code.is_empty());
        for colour in [false, true] {
            let text = render(diagnostic, sources, colour);
            assert!(text.contains(diagnostic.code) && text.ends_with('\n'));
        }
    }
}

/// Ids must be in bounds whatever was wrong: code behind the parser indexes with them.
fn check_ids(stage: &Stage) {
    for part in &stage.parts {
        for node in part.kind.terminals() {
            assert!((node.0 as usize) < stage.nodes.len());
        }
        match &part.kind {
            PartKind::Contact { relay, .. } => {
                assert!(matches!(stage.part(*relay).kind, PartKind::Relay { .. }));
            }
            PartKind::Switch { closed_in, .. } => {
                assert!(
                    closed_in
                        .iter()
                        .all(|s| (s.0 as usize) < stage.settings.len())
                );
            }
            PartKind::Winding {
                transformer: Some(of),
                ..
            } => {
                assert!((*of as usize) < stage.transformers.len());
            }
            _ => {}
        }
        assert!(
            part.section
                .is_none_or(|s| (s.0 as usize) < stage.sections.len())
        );
    }
    let points = stage.expects.iter().map(|e| &e.point);
    for point in points.chain(stage.test_points.iter().map(|t| &t.point)) {
        match point.place {
            Place::Node(node) => assert!((node.0 as usize) < stage.nodes.len()),
            Place::Across(part) | Place::Through(part) => {
                assert!((part.0 as usize) < stage.parts.len());
            }
        }
    }
}

fn survive(text: &str) {
    let names = names();
    // Each include hands out another file or fails, as a disk might.
    let mut asked = 0;
    let parsed = parse_stage("fuzz.stage", text, &names, &mut |_, path| {
        asked += 1;
        match asked % 3 {
            0 => Err("no such file".to_owned()),
            1 => Ok((
                format!("{path}{asked}"),
                "resistor R77 1k from x to y".to_owned(),
            )),
            _ => Ok((path.to_owned(), text.to_owned())),
        }
    });
    check_findings(&parsed.diagnostics, &parsed.sources);
    check_ids(&parsed.value);
    // What was understood, even of a bad file, prints as a good one.
    let printed = print_stage(&parsed.value);
    let again = parse_stage("again.stage", &printed, &names, &mut |_, _| {
        Err(String::new())
    });
    let errors: Vec<_> = again.errors().collect();
    assert!(errors.is_empty(), "{errors:?}\n{printed}");

    let stage = clean(PREAMPLIFIER);
    let sheet = parse_readings("fuzz.readings", text, &stage, &names);
    check_findings(&sheet.diagnostics, &sheet.sources);
    let printed = print_readings(&sheet.value, &stage);
    let again = parse_readings("again.readings", &printed, &stage, &names);
    assert!(
        again
            .diagnostics
            .iter()
            .all(|d| d.severity == Severity::Warning),
        "{printed}\n{:?}",
        again.diagnostics
    );
    assert_eq!(sheet.value, again.value, "{printed}");

    let words = RateWords {
        profiles: vec!["in-service"],
        kinds: vec!["resistor", "paper capacitor", "tube"],
        modes: vec!["open", "poor contact"],
    };
    for text in [text.to_owned(), format!("rates \"x\"\n{text}")] {
        let rates = parse_rates("fuzz.rates", &text, &stage, &names, &words);
        check_findings(&rates.diagnostics, &rates.sources);
        for line in rates.value.lines {
            let (Often::Times(size) | Often::Probability(size)) = line.often;
            assert!((0.0..=1000.0).contains(&size), "{line:?}");
        }
    }

    let single = SourceMap::single("argument", text);
    let findings = [
        parse_meter(text).err(),
        parse_volts(text).err(),
        parse_point(text, &stage, &names).err(),
        parse_reading_argument(text, &stage, &names, &Conditions::default()).err(),
    ];
    for diagnostic in findings.into_iter().flatten() {
        check_findings(&[diagnostic], &single);
    }
}

proptest! {
    #![proptest_config(config(400))]

    #[test]
    fn survives_any_text(text in "\\PC{0,200}|(.|\n|\r|\t){0,200}") {
        survive(&text);
    }

    #[test]
    fn survives_words_of_the_grammar(text in wordy()) {
        survive(&text);
    }

    #[test]
    fn survives_damaged_files(text in damaged()) {
        survive(&text);
    }

    #[test]
    fn survives_any_bytes(bytes in prop::collection::vec(any::<u8>(), 0..200)) {
        survive(&String::from_utf8_lossy(&bytes));
    }
}

#[test]
fn a_sheet_line_cut_short_anywhere_is_survived() {
    let text = "readings \"x\"\nvolts grid2 > 3.4V range 10V with V1 pulled with C2 lifted\n";
    for end in 0..=text.len() {
        survive(&text[..end]);
    }
}

/// Texts that random tests found to go wrong, cut down.
#[test]
fn texts_that_once_failed_are_survived() {
    for line in [
        // A tolerance wider than the printed form of it was taken back.
        "expect through R1 1.9mA ±0A2",
        // A tolerance of minus nothing was printed as `-0%`.
        "expect a 165V ±-0V",
        // A rating behind `closed in` was taken for a setting.
        "switch S1 50V from a to b closed in tune",
        // Volts and ohms in reason came to a movement's current that was not.
        "meter M1 5V 94M scale \"0-1\" from a to b",
        // A point at a node that a failed statement alone has named.
        "contact K1 from c to a normally open\ntestpoint c\nexpect c 5V",
        // A reading of next to nothing was printed as a word of more than 100 characters.
        "meter M1 1mA 100 scale \"0-1\" from a to b\nexpect panel M1 1e-99",
    ] {
        survive(&format!(
            "stage \"x\"\nsettings receive tune\nresistor R1 1k from a to b\n{line}\n"
        ));
    }
}
