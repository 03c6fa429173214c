//! The reader holds its rules for texts drawn at random, and what judges them can say no.

use std::collections::BTreeSet;
use std::time::Duration;

use deadstage_netlist::{Diagnostic, FileId, SourceMap, Span, Unlisted};
use deadstage_tests::texts::corpus::Corpus;
use deadstage_tests::texts::judge::{Broken, Depth, Outcome, findings};
use deadstage_tests::texts::run::{
    Busy, Failure, Plan, catch_panics, caught, judged, run, shortened,
};
use deadstage_tests::texts::shrink::shrink;
use deadstage_tests::texts::{Kind, Text, draw};

fn corpus() -> Corpus {
    Corpus::shipped().unwrap_or_else(|error| panic!("{error}"))
}

#[test]
fn texts_at_random_break_no_rule() {
    let corpus = corpus();
    let plan = Plan {
        seed: 1935,
        first: 0,
        count: 4000,
        time: Duration::from_secs(600),
        threads: 2,
    };
    match run(&corpus, plan, &Busy::new(plan.threads)) {
        Ok(tally) => {
            assert_eq!(tally.texts, plan.count);
            // Enough of them get behind the reader.
            assert!(tally.sound > plan.count / 10, "{tally:?}");
            assert!(tally.compiled > plan.count / 20, "{tally:?}");
            assert!(tally.solved > 10, "{tally:?}");
        }
        Err(failure) => panic!(
            "text {}: {}\n{}\n{:?}",
            failure.number,
            failure.broken.rule,
            failure.broken.seen,
            shortened(&corpus, &failure)
        ),
    }
}

#[test]
fn a_number_is_always_the_same_text_and_no_two_are_alike() {
    let corpus = corpus();
    let texts: Vec<String> = (0..400).map(|n| draw::text(&corpus, 7, n).text).collect();
    let again: Vec<String> = (0..400).map(|n| draw::text(&corpus, 7, n).text).collect();
    assert_eq!(texts, again);
    let different: BTreeSet<&String> = texts.iter().collect();
    assert!(different.len() > 390, "{}", different.len());
    assert_ne!(draw::text(&corpus, 7, 3), draw::text(&corpus, 8, 3));
}

#[test]
fn every_kind_of_text_is_drawn() {
    let corpus = corpus();
    let mut kinds = [0; 4];
    let mut hidden = 0;
    for number in 0..1000 {
        let text = draw::text(&corpus, 3, number);
        kinds[match text.kind {
            Kind::Stage => 0,
            Kind::Sheet(_) => 1,
            Kind::Rates(_) => 2,
            Kind::Argument(_) => 3,
        }] += 1;
        hidden += usize::from(text.text.contains(['\u{202e}', '\u{1b}', '\0', '\u{200b}']));
    }
    assert!(kinds.iter().all(|&drawn| drawn > 50), "{kinds:?}");
    assert!(hidden > 50, "{hidden}");
}

#[test]
fn a_panic_and_a_long_wait_are_told_of() {
    catch_panics();
    let brief = Duration::from_millis(5);
    let ok = || Ok(Outcome::default());
    assert_eq!(caught(Duration::from_secs(5), ok), Ok(Outcome::default()));
    let rule = |broken: Result<Outcome, Broken>| broken.map_err(|broken| broken.rule);
    let panics = caught(brief, || panic!("at the third word"));
    assert!(
        panics
            .as_ref()
            .is_err_and(|b| b.seen.contains("at the third word"))
    );
    assert_eq!(rule(panics), Err("nothing panics"));
    let slow = caught(brief, || {
        std::thread::sleep(2 * brief);
        ok()
    });
    assert_eq!(rule(slow), Err("nothing takes long"));
    assert_eq!(Busy::new(2).stuck(brief), None);
}

/// The rule that these findings about the text `abc` break.
fn broken(found: &[Diagnostic], unlisted: Unlisted) -> Option<&'static str> {
    let sources = SourceMap::single("x", "abc");
    findings(found, unlisted, &sources)
        .err()
        .map(|broken| broken.rule)
}

#[test]
fn findings_are_held_to_every_rule() {
    let at = |start, end| Span {
        file: FileId(0),
        start,
        end,
    };
    let error = |span| Diagnostic::error("a-code", span, "what is wrong");
    let none = Unlisted::default();
    assert_eq!(broken(&[error(at(0, 3)), error(at(1, 1))], none), None);
    assert_eq!(broken(&vec![error(at(0, 3)); 50], none), None);
    for (found, unlisted, rule) in [
        (vec![error(at(0, 3)); 51], none, "findings are bounded"),
        (
            vec![error(at(0, 3))],
            Unlisted {
                errors: 1,
                warnings: 0,
            },
            "only what does not fit is left out",
        ),
        (
            vec![error(at(2, 3)), error(at(0, 1))],
            none,
            "findings are in order",
        ),
        (vec![error(at(2, 4))], none, "a place lies within its text"),
        (
            vec![error(at(0, 1)).related(at(9, 9), "there")],
            none,
            "a place lies within its text",
        ),
        (
            vec![Diagnostic::error("a-code", at(0, 1), "")],
            none,
            "a finding says something",
        ),
        (
            vec![error(at(0, 1)).help("h".repeat(20_000))],
            none,
            "a finding is shown in little room",
        ),
    ] {
        assert_eq!(broken(&found, unlisted), Some(rule));
    }
}

#[test]
fn a_text_is_cut_down_to_what_matters() {
    let long = "one\ntwo needle three\nfour\n".repeat(20);
    assert_eq!(shrink(&long, |text| text.contains("needle")), "needle");
    let pair = shrink(&long, |text| text.matches("needle").count() >= 2);
    assert_eq!(pair, "needleneedle");
    assert_eq!(
        shrink("é\u{202e}", |text| text.contains('\u{202e}')),
        "\u{202e}"
    );
    // A failure is shortened by its own rule: this one breaks none, and stays as it is.
    let corpus = corpus();
    let text = Text {
        kind: Kind::Stage,
        text: "stage \"x\"\n".to_owned(),
    };
    assert!(judged(&corpus, &text, Depth::Read).is_ok());
    let failure = Failure {
        number: 1,
        broken: Broken {
            rule: "no such rule",
            seen: String::new(),
        },
        text,
    };
    assert_eq!(shortened(&corpus, &failure), failure.text.text);
}
