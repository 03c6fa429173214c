use crate::model::Wanted;
use std::fmt::Write as _;

use deadstage_circuit::{Base, Network, Overlay, Probe, Scratch, Situation};
use deadstage_parts::{LawForm, Mode, PartClass};

use super::*;
use crate::diagnose::{Options, diagnose};
use crate::outcome::Diagnosis;
use crate::test_bench::{OUTPUT, PENTODE, blamed, failures, sheet, stage};

/// Lines of a sheet: volts at these points of a unit with these failures, as
/// one of the two tube laws has them.
fn volts_of(text: &str, failed: &[(&str, Mode, f64)], points: &[&str]) -> String {
    let stage = stage(text);
    let network = Network::compile(&stage, LawForm::Koren).expect("it has a meaning");
    let mut scratch = Scratch::default();
    let base = Base::new(&network, &Situation::running(None), &mut scratch).expect("it solves");
    let mut overlay = Overlay::new();
    let known = failures(&stage, &network);
    for &(part, mode, value) in failed {
        let failure = known
            .iter()
            .find(|f| stage.part(f.part).name == part && f.mode == mode)
            .expect("it fails so");
        let u = if failure.range.log { value.ln() } else { value };
        failure.lay(u, &base, &mut overlay);
    }
    let at = base.solve(&overlay, None, &mut scratch).expect("it solves");
    points.iter().fold(String::new(), |mut lines, point| {
        let node = stage.nodes.iter().position(|n| n.name == **point);
        let probe = Probe::Volts {
            from: node.expect("the node is there"),
            to: 0,
            load: Some(11e6),
        };
        let volts = at.read(&probe, &mut scratch, None);
        writeln!(lines, "volts {point} {volts:.4}V").expect("text takes text");
        lines
    })
}

fn answer(text: &str, sheets: &[&str]) -> Diagnosis {
    let stage = stage(text);
    let sheets: Vec<Readings> = sheets.iter().map(|lines| sheet(&stage, lines)).collect();
    diagnose(&stage, &sheets, &Options::default()).expect("the stage solves")
}

const LEAK: (&str, Mode, f64) = ("C1", Mode::Leaky, 3e6);

/// The coupling capacitor leaks and the cathode resistor is at four times its value. Once the
/// capacitor is changed the cathode alone could mean several things, but the
/// first sheet has shown what the resistor makes of a grid driven positive.
#[test]
fn what_was_read_before_a_repair_names_the_other_failure() {
    let high = ("R2", Mode::High, 4.0);
    let everywhere = ["bplus", "driver", "grid", "cathode", "plate"];
    let found = volts_of(OUTPUT, &[LEAK, high], &everywhere);
    let after = format!("replaced C1\n{}", volts_of(OUTPUT, &[high], &["cathode"]));
    let alone = answer(OUTPUT, &[&after]);
    let both = answer(OUTPUT, &[&found, &after]);
    let (alone, both) = (blamed(&alone, "R2"), blamed(&both, "R2"));
    assert!(both > 0.9 && both > alone + 0.1, "{alone} alone, {both}");
}

#[test]
fn a_unit_that_was_put_right_is_healthy() {
    let points = ["grid", "cathode", "plate", "bplus"];
    let found = volts_of(OUTPUT, &[LEAK], &points);
    let before = answer(OUTPUT, &[&found]);
    assert!(before.healthy < 0.01 && blamed(&before, "C1") > 0.3);
    let after = format!("replaced C1\n{}", volts_of(OUTPUT, &[], &points));
    let now = answer(OUTPUT, &[&found, &after]);
    assert!(now.healthy > 0.9, "{}", now.healthy);
    // Nor does what was wrong come back as a suspect.
    assert!(now.suspects.iter().all(|s| !s.faults.is_empty()));
    assert!(blamed(&now, "C1") < 0.02, "{}", blamed(&now, "C1"));
    assert_eq!(
        now.readings.iter().filter(|r| r.repairs_since == 1).count(),
        4
    );
    assert_eq!(
        now.readings.iter().filter(|r| r.repairs_since == 0).count(),
        4
    );
}

#[test]
fn a_repair_that_changed_nothing_clears_the_part() {
    // A leak at the screen draws down its voltage as a dropper gone high would.
    let found = volts_of(
        PENTODE,
        &[("C1", Mode::Leaky, 60e3)],
        &["screen", "cathode", "plate"],
    );
    let before = answer(PENTODE, &[&found]);
    let after = answer(PENTODE, &[&found, &format!("replaced R4\n{found}")]);
    assert!(blamed(&before, "R4") > 0.3, "{}", blamed(&before, "R4"));
    assert!(blamed(&after, "R4") < 0.1, "{}", blamed(&after, "R4"));
    let up = blamed(&after, "C1") / blamed(&before, "C1");
    assert!(up > 1.2 && blamed(&after, "C1") > 0.5, "{up}");
}

/// The mains of two days differ by more than a good meter is off.
#[test]
fn a_reading_that_moved_a_little_with_the_mains_is_no_fault() {
    let text = OUTPUT
        .replacen("bplus to chassis", "bplus to chassis follows line", 1)
        .replacen('\n', "\nline 120V\n", 1);
    let sheets = [
        "meter 11M 0.2%\nvolts bplus 260V\nvolts grid 0V\nvolts cathode 13.5V\n",
        "replaced C2\nmeter 11M 0.2%\nvolts bplus 254V\n",
    ];
    let found = answer(&text, &sheets);
    assert!(found.healthy > 0.8, "{}", found.healthy);
}

/// A look and a tester's reading above the line that replaces a part are of the old one.
#[test]
fn lines_above_the_repair_tell_of_the_old_part() {
    let stage = stage(OUTPUT);
    let sheets = [
        sheet(&stage, "seen R2 hot\n"),
        sheet(
            &stage,
            "seen R2 burnt\ntester V1 30%\nreplaced R2\nreplaced V1\ntester V1 98%\nseen C2 leaking\nvolts cathode 12V\n",
        ),
    ];
    let history = History::of(&stage, &sheets);
    let remarks: Vec<usize> = history
        .remarks(&stage, &sheets)
        .iter()
        .filter(|(r, _)| r.kind != RemarkKind::Replaced)
        .map(|(_, ago)| *ago)
        .collect();
    assert_eq!(remarks, [1, 1, 0]);
    let network = Network::compile(&stage, LawForm::default()).expect("it has a meaning");
    let mut observed = crate::observe::Observations::default();
    observed
        .add(&stage, &network, &sheets, &history)
        .expect("the sheets can be read");
    let testers: Vec<(f64, usize)> = observed.tester.iter().map(|t| (t.1, t.2)).collect();
    assert_eq!(testers, [(30.0, 1), (98.0, 0)]);
    assert_eq!(observed.list[0].ago, 0);
}

#[test]
fn a_part_replaced_has_old_failures_and_new_ones_and_any_other_may_fail_since() {
    let stage = stage(OUTPUT);
    let network = Network::compile(&stage, LawForm::default()).expect("it has a meaning");
    let sheets = ["", "replaced C1\n", "", "replaced R1\nreplaced C1\n"];
    let sheets = sheets.map(|lines| sheet(&stage, lines));
    let history = History::of(&stage, &sheets);
    assert_eq!(
        (0..4).map(|i| history.ago(i)).collect::<Vec<_>>(),
        [2, 1, 1, 0]
    );
    let table = failures(&stage, &network);
    let list = history.failures(&stage, &Rates::default(), table.clone());
    let stretches = |part: &str, mode| -> Vec<(usize, usize)> {
        list.iter()
            .filter(|f| stage.part(f.part).name == part && f.mode == mode)
            .map(|f| (f.stretch.from, f.stretch.to))
            .collect()
    };
    let all = usize::MAX;
    assert_eq!(stretches("C1", Mode::Leaky), [(all, 2), (1, 1), (0, 0)]);
    assert_eq!(stretches("R1", Mode::Open), [(all, 1), (0, 0)]);
    assert_eq!(stretches("R2", Mode::Open), [(all, 0), (1, 0), (0, 0)]);
    // A socket stays when its tube is changed, though half of the time that cures a contact.
    let tube = [sheet(&stage, ""), sheet(&stage, "replaced V1\n")];
    let tube = History::of(&stage, &tube).failures(&stage, &Rates::default(), table.clone());
    let weak: Vec<usize> = tube
        .iter()
        .filter(|f| f.mode == Mode::Weak)
        .map(|f| f.stretch.to)
        .collect();
    assert_eq!(weak, [1, 0]);
    let contact = tube
        .iter()
        .filter(|f| f.mode == Mode::PoorContact && stage.part(f.part).name == "V1");
    let (always, some): (Vec<&Failure>, Vec<&Failure>) =
        contact.partition(|f| f.stretch == Stretch::ALWAYS);
    assert_eq!(some.len(), 2 * always.len());
    assert!((always[0].ln_odds - some[0].ln_odds).abs() < 1e-12);
    // The two failures of one part go together if they were never there at once.
    let leaks: Vec<&Failure> = list
        .iter()
        .filter(|f| stage.part(f.part).name == "C1" && f.mode == Mode::Leaky)
        .collect();
    assert!(leaks[0].goes_with(leaks[1], &stage));
    assert!(!leaks[0].goes_with(leaks[0], &stage));
    // Where nothing was read before, there is no old part to speak of.
    let one = [sheet(&stage, "replaced C1\n")];
    let list = History::of(&stage, &one).failures(&stage, &Rates::default(), table.clone());
    assert_eq!(list.len(), table.len());
}

#[test]
fn a_new_part_has_the_odds_of_a_new_one() {
    let stage = stage(OUTPUT);
    let network = Network::compile(&stage, LawForm::default()).expect("it has a meaning");
    let table = failures(&stage, &network);
    let sheets = [sheet(&stage, "replaced C1\n")];
    let list = History::of(&stage, &sheets).failures(&stage, &Rates::default(), table.clone());
    let odds = |p: f64| p / (1.0 - p);
    let old = parts::rate(PartClass::PaperCapacitor, RateProfile::DecadesOld);
    let new = parts::rate(PartClass::PaperCapacitor, RateProfile::InService) / NEW_PART;
    let expected = (odds(new) / odds(old)).ln();
    assert!(expected < 0.2f64.ln());
    for (before, after) in table.iter().zip(&list) {
        let is_new = stage.part(after.part).name == "C1";
        let found = after.ln_odds - before.ln_odds;
        let expected = if is_new { expected } else { 0.0 };
        assert!((found - expected).abs() < 1e-12, "{found} {expected}");
    }
}

/// The part fitted is another specimen: what the old one scattered says nothing of it.
#[test]
fn old_and_new_part_scatter_apart() {
    let stage = stage(OUTPUT);
    let sheets = ["volts cathode 13V\n", "replaced R2\nvolts cathode 13V\n"];
    let sheets = sheets.map(|lines| sheet(&stage, lines));
    let history = History::of(&stage, &sheets);
    let mut networks = Networks::new(&stage).expect("it has a meaning");
    let mut observed = crate::observe::Observations::default();
    observed
        .add(&stage, &networks.list[0], &sheets, &history)
        .expect("the sheets can be read");
    history.renew(&mut networks);
    let mut scratch = Scratch::default();
    let model = crate::model::Model::new(&stage, &networks, &observed.situations, &mut scratch)
        .expect("it solves");
    let forecast = model
        .forecast(
            0,
            &[],
            &observed.list,
            Wanted::Columns(2),
            &mut Vec::new(),
            &mut scratch,
        )
        .expect("it solves");
    assert!((forecast.mean[0] - forecast.mean[1]).abs() < 1e-9);
    let scatter = forecast.scatter.columns().expect("as wanted");
    let of_r2: Vec<usize> = (0..scatter.nrows())
        .filter(|&row| {
            let part = networks.part_of_row(row);
            part.is_some_and(|id| stage.part(id).name == "R2")
        })
        .collect();
    assert_eq!(of_r2.len(), 2);
    for (row, column) in [(of_r2[0], 1), (of_r2[1], 0)] {
        assert!(scatter[(row, column)].abs() > 0.05);
        assert_eq!(scatter[(row, 1 - column)], 0.0);
    }
    // The supply was the same both times, but a tube's law is fitted to either state by itself.
    let rows_of = |name: &'static str| {
        let (stage, networks, scatter) = (&stage, &networks, &scatter);
        (0..scatter.nrows()).filter(move |&row| {
            let part = networks.part_of_row(row);
            part.is_some_and(|id| stage.part(id).name == name)
        })
    };
    for row in rows_of("B1") {
        assert!(scatter[(row, 0)].abs() > 0.01);
        assert!((scatter[(row, 0)] - scatter[(row, 1)]).abs() < 1e-9);
    }
    for row in rows_of("V1") {
        assert_eq!(scatter[(row, 0)] * scatter[(row, 1)], 0.0);
    }
}
