use deadstage_circuit::{Network, tube_names};
use deadstage_parts::LawForm;

use super::*;
use crate::diagnose::{Options, diagnose};
use crate::failure::candidates;
use crate::test_bench::{OUTPUT, PENTODE, blamed, sheet, stage};

fn read(text: &str, lines: &str) -> Parsed<Rates> {
    let text_of_file = format!("rates \"Damp store\"\n{lines}");
    parse_rates("store.rates", &text_of_file, &stage(text), &tube_names())
}

fn sound(text: &str, lines: &str) -> Rates {
    let parsed = read(text, lines);
    assert!(parsed.diagnostics.is_empty(), "{:?}", parsed.diagnostics);
    parsed.value
}

/// Codes of all findings, and what the first would be put right by.
fn findings(lines: &str) -> (Vec<&'static str>, String) {
    let parsed = read(OUTPUT, lines);
    let help = parsed.diagnostics.first().and_then(|d| d.help.clone());
    (
        parsed.diagnostics.iter().map(|d| d.code).collect(),
        help.unwrap_or_default(),
    )
}

/// Probabilities of a part's ways to fail.
fn of(rates: &Rates, part: &str) -> Vec<(Mode, f64)> {
    let stage = stage(OUTPUT);
    let id = stage.parts_named(part).next().expect("the part is there");
    rates
        .of(&stage, id)
        .into_iter()
        .map(|(row, p)| (row.mode, p))
        .collect()
}

fn p_of(rates: &Rates, part: &str, mode: Mode) -> f64 {
    let rows = of(rates, part);
    rows.iter()
        .filter(|(m, _)| *m == mode)
        .map(|(_, p)| p)
        .sum()
}

#[test]
fn an_empty_file_is_the_table() {
    assert_eq!(sound(OUTPUT, ""), Rates::default());
    let service = sound(OUTPUT, "from in-service\n");
    assert_eq!(Some(service), Rates::named("in-service"));
    assert_eq!(Rates::named("in service"), None);
}

#[test]
fn the_unchanged_rates_are_those_of_the_table() {
    let stage = stage(OUTPUT);
    for profile in [RateProfile::InService, RateProfile::DecadesOld] {
        let rates = Rates {
            profile,
            changes: Vec::new(),
        };
        for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
            let expected = parts::rate(class_of(&part.kind), profile);
            assert!((rates.of_any(&stage, id) - expected).abs() < 1e-12);
        }
    }
}

#[test]
fn kinds_parts_and_ways_to_fail_are_changed_line_by_line() {
    let table = Rates::default();
    let p = |rates: &Rates, part, mode| p_of(rates, part, mode);
    let lines =
        "resistor open x5\nwirewound resistor x0.5\nC1 x3\npaper capacitor leaky x2\nR2 short ×4\n";
    let rates = sound(OUTPUT, lines);
    let factor = |part, mode| p(&rates, part, mode) / p(&table, part, mode);
    let near = |a: f64, b: f64| assert!((a / b - 1.0).abs() < 1e-9, "{a} for {b}");
    near(factor("R1", Mode::Open), 5.0);
    near(factor("R1", Mode::High), 1.0);
    near(factor("R2", Mode::Short), 4.0);
    near(factor("C1", Mode::Short), 3.0);
    near(factor("C1", Mode::Leaky), 6.0);
    near(factor("C2", Mode::Leaky), 1.0);
}

#[test]
fn a_probability_is_for_all_that_its_line_names() {
    let rates = sound(OUTPUT, "tube 30%\nR1 high 12%\nC1 0%\n");
    let sum = |part| of(&rates, part).iter().map(|(_, p)| p).sum::<f64>();
    assert!((sum("V1") - 0.3).abs() < 1e-12);
    assert!((p_of(&rates, "R1", Mode::High) - 0.12).abs() < 1e-12);
    assert_eq!(sum("C1"), 0.0);
    let table = Rates::default();
    let open = |rates| p_of(rates, "R1", Mode::Open);
    assert!((open(&rates) - open(&table)).abs() < 1e-15);
    // What never fails is no suspect at all.
    let stage = stage(OUTPUT);
    let network = Network::compile(&stage, LawForm::default()).expect("it has a meaning");
    let (list, _) = candidates(&stage, &network, &rates);
    assert!(list.iter().all(|f| stage.part(f.part).name != "C1"));
    // And however often, the readings must be able to clear a part.
    let sure = sound(OUTPUT, "R1 x1000\n");
    let all: f64 = of(&sure, "R1").iter().map(|(_, p)| p).sum();
    assert!((all - MOST).abs() < 1e-12);
}

/// A leak at the screen and a dropper gone high read alike; who knows the
/// set's resistors decides.
#[test]
fn the_answer_follows_the_rates() {
    let stage = stage(PENTODE);
    let readings = sheet(
        &stage,
        "volts screen 58V\nvolts cathode 0.9V\nvolts bplus 250V\n",
    );
    let both = |lines: &str| -> (f64, f64) {
        let options = Options {
            rates: sound(PENTODE, lines),
            ..Options::default()
        };
        let answer = diagnose(&stage, std::slice::from_ref(&readings), &options);
        let answer = answer.expect("the stage solves");
        (blamed(&answer, "C1"), blamed(&answer, "R4"))
    };
    let (leak, high) = both("");
    assert!(leak > 0.05 && high > 0.05, "{leak} {high}");
    let (less, more) = both("R4 high x10\n");
    let moved = (more / less) / (high / leak);
    assert!((8.0..16.0).contains(&moved), "{moved}");
    let (none, _) = both("capacitor 0%\n");
    assert_eq!(none, 0.0);
}

/// A shunt is often another's work. What an owner says of one is taken as it is said.
#[test]
fn a_shunt_is_as_bad_as_its_owner_says() {
    const METERED: &str = "stage \"m\"\nsupply B1 10V from plus to chassis\n\
        resistor R1 100 from plus to mid\nmeter M1 1mA 100 from mid to chassis\n\
        resistor R2 1.01 1% from mid to chassis\n";
    let stage = self::stage(METERED);
    let network = Network::compile(&stage, LawForm::default()).expect("it has a meaning");
    let odds = |lines: &str| {
        let (list, _) = candidates(&stage, &network, &sound(METERED, lines));
        let high = list
            .iter()
            .find(|f| stage.part(f.part).name == "R2" && f.mode == Mode::High);
        high.map(|f| f.ln_odds.exp())
            .map(|odds| odds / (1.0 + odds))
    };
    for stated in [0.04, 0.2, 0.5] {
        let found = odds(&format!("R2 high {}%\n", 100.0 * stated)).unwrap_or(0.0);
        assert!((found - stated).abs() < 1e-9, "{found} for {stated}");
    }
    // Fifteen times as often as another resistor of its kind, until the owner says otherwise.
    let plain = METERED.replace(
        "mid to chassis\nresistor",
        "mid to chassis\nlink K1 from mid to low\nresistor",
    );
    let plain = plain.replace("1.01 1% from mid", "1.01 1% from low");
    let elsewhere = self::stage(&plain);
    let id = elsewhere.parts_named("R2").next().expect("it is there");
    let rows = Rates::default().of(&elsewhere, id);
    let other = rows.iter().find(|(row, _)| row.mode == Mode::High);
    let ratio = odds("").unwrap_or(0.0) / other.map_or(0.0, |(_, p)| *p);
    assert!((ratio - WRONG_SHUNT).abs() < 1e-6, "{ratio}");
}

#[test]
fn what_is_wrong_is_told_with_its_place_and_what_would_be_right() {
    let one = |lines: &str, code: &str, right: &str| {
        let (codes, help) = findings(lines);
        assert_eq!(codes, [code], "{lines}");
        assert!(help.contains(right), "{lines}: {help}");
    };
    one("resistr open x5\n", "unknown-part", "`resistor`");
    one("R9 x5\n", "unknown-part", "`R1`");
    one("resistor opn x5\n", "unexpected-word", "`open`");
    one("resistor open\n", "statement-ends-early", "`x5`");
    one("resistor open 5\n", "unexpected-word", "`2%`");
    one("resistor open x5000\n", "value-out-of-reason", "five times");
    one(
        "resistor open 120%\n",
        "value-out-of-reason",
        "in a hundred",
    );
    one("resistor open x-1\n", "value-out-of-reason", "five times");
    one("resistor open x5 often\n", "unexpected-word", "");
    one("resistor gassy x5\n", "unknown-failure", "high, low, open");
    one("C1 open x5\n", "hidden-failure", "");
    one("from in-servise\n", "unexpected-word", "`in-service`");
    one(
        "from in-service\nfrom decades-old\n",
        "repeated-statement",
        "",
    );
    one("rates \"again\"\n", "repeated-statement", "");
    let bare = parse_rates("x", "R1 x5\n", &stage(OUTPUT), &tube_names());
    assert_eq!(bare.diagnostics[0].code, "no-title");
    // A bad line costs none of the others.
    let parsed = read(OUTPUT, "resistr x5\nR1 x5\n");
    assert_eq!(parsed.value.changes.len(), 1);
    let span = parsed.diagnostics[0].span;
    assert_eq!((span.start, span.end), (19, 26));
}
