use deadstage_circuit::Scratch;
use deadstage_parts::Mode;

use super::*;
use crate::test_bench::{OUTPUT, PENTODE, TRIODE, weighed};
use crate::weigh::Peaks;

fn told(text: &str, lines: &str, suspect: (&str, Mode), rival: Option<(&str, Mode)>) -> Told {
    weighed(text, lines, |scales| {
        let mut scratch = Scratch::default();
        let explainer = Explainer::new(scales, &mut scratch);
        let best = scales.single(suspect.0, suspect.1);
        let rival = rival.map(|(part, mode)| scales.single(part, mode));
        explainer.explain(&best, rival.as_ref(), &mut scratch)
    })
}

#[track_caller]
fn says(text: &str, all: &[&str]) {
    for wanted in all {
        assert!(text.contains(wanted), "`{wanted}` is not in: {text}");
    }
}

const LOAD_OPEN: &str = "volts plate 0.1V\nvolts cathode 0.01V\nvolts bplus 250V\n";

#[test]
fn an_open_plate_load_stops_the_tube() {
    let told = told(
        TRIODE,
        LOAD_OPEN,
        ("R3", Mode::Open),
        Some(("R3", Mode::High)),
    );
    says(
        &told.why,
        &[
            "plate at 0.10 V for a healthy 16",
            "cathode at 0.01 V for a healthy 1.",
            "too low",
            "R3 open makes them",
            "V1 draws no current",
            "0 V at its cathode",
            "Against R3 high",
        ],
    );
    // 100 kΩ with nothing but leakage beside it, against no path at all.
    says(
        &told.confirm,
        &[
            "Power off",
            "Ohms across R3 in circuit: no reading if it is open, about 100 kΩ if it is good.",
        ],
    );
    assert!(told.casualties.is_empty(), "{:?}", told.casualties);
}

#[test]
fn what_speaks_against_a_suspect_is_said_beside_a_better_rival() {
    let told = told(
        TRIODE,
        LOAD_OPEN,
        ("V1", Mode::Dead),
        Some(("R3", Mode::Open)),
    );
    // Without current the plate would be at B+, less the meter's share of 100 kΩ.
    says(
        &told.why,
        &["Against it, beside R3 open, speaks plate, which it would make 248 V"],
    );
}

#[test]
fn a_shorted_screen_bypass_and_an_open_dropper_are_one_to_a_voltmeter() {
    // An electronic meter would show the open screen a tenth of a volt negative.
    let lines = "meter 20k/V 3%\nvolts screen 0V\nvolts cathode 0V\nvolts plate 250V\n";
    let told = told(
        PENTODE,
        lines,
        ("C1", Mode::Short),
        Some(("R4", Mode::Open)),
    );
    says(&told.why, &["The readings do not tell it from R4 open."]);
    // 250 V across 56 kΩ is 1.12 W, in a part of half a watt.
    assert_eq!(told.casualties, ["R4: 1.12 W in a 500 mW part"]);
    says(
        &told.confirm,
        &["Ohms across C1 in circuit", "Lift one lead of C1"],
    );
}

#[test]
fn a_coupling_leak_overheats_the_output_stage() {
    let lines = "volts grid 15V\nvolts cathode 24V\nvolts plate 235V\nvolts bplus 260V\n";
    let told = told(OUTPUT, lines, ("C1", Mode::Leaky), None);
    says(&told.why, &["C1 passes", "V1 draws", "instead of 4"]);
    assert!(
        told.casualties
            .iter()
            .any(|c| c.starts_with("R2: ") && c.ends_with(" W in a 1.00 W part")),
        "{:?}",
        told.casualties
    );
    says(
        &told.confirm,
        &["at its rated 400 V", "discharge it afterwards"],
    );
}

#[test]
fn a_reading_that_fits_nothing_is_called_a_slip() {
    let lines = "volts plate 0.1V\nvolts cathode 0.01V\nvolts bplus 25V\n";
    let slips = weighed(TRIODE, lines, |scales| {
        let mut scratch = Scratch::default();
        let explainer = Explainer::new(scales, &mut scratch);
        explainer.slips(Some(&scales.single("R3", Mode::Open)), &mut scratch)
    });
    assert!(
        slips[0] < 0.1 && slips[1] < 0.1 && slips[2] > 0.9,
        "{slips:?}"
    );
    let told = told(TRIODE, lines, ("R3", Mode::Open), None);
    says(
        &told.why,
        &["The reading bplus 25.0 V (250 V expected) does not fit it: perhaps a slip"],
    );
}

#[test]
fn a_casualty_is_named_with_its_cause() {
    let lines = "volts screen 0V\nvolts cathode 0V\nvolts plate 250V\nohms across R4 inf\n";
    let why = weighed(PENTODE, lines, |scales| {
        let mut scratch = Scratch::default();
        let explainer = Explainer::new(scales, &mut scratch);
        let (cause, victim) = (
            scales.single("C1", Mode::Short),
            scales.single("R4", Mode::Open),
        );
        let mut both = Weighed {
            set: [cause.set.clone(), victim.set.clone()].concat(),
            best: [cause.best.clone(), victim.best.clone()].concat(),
            ..cause.clone()
        };
        // Sets are kept in ascending order.
        if both.set[0] > both.set[1] {
            both.set.swap(0, 1);
            both.best.swap(0, 1);
        }
        explainer.explain(&both, Some(&cause), &mut scratch).why
    });
    says(
        &why,
        &["C1 is the cause and R4 its casualty, driven to 2.2 times its rating"],
    );
}

#[test]
fn a_parallel_path_that_hides_a_part_asks_for_a_lifted_lead() {
    let text = "stage \"shunted\"\nsupply B1 100V source 10k from a to chassis\n\
                resistor R1 1M from a to chassis\nresistor R2 1k from a to chassis\n";
    let told = told(text, "volts a 9V\n", ("R1", Mode::High), None);
    says(
        &told.confirm,
        &[
            "Other paths hide R1 from the ohmmeter in circuit: lift one lead of it",
            "about 1.00 MΩ if it is good",
        ],
    );
}

#[test]
fn a_shunt_is_measured_by_its_drop() {
    let text = "stage \"metered\"\nsupply B1 100V from a to chassis\n\
                resistor R1 0.2 wirewound from a to b\nresistor R2 1k from b to chassis\n";
    let told = told(text, "volts b 99V\n", ("R1", Mode::Low), None);
    says(
        &told.confirm,
        &[
            "An ohmmeter's leads hide R1",
            "the drop",
            "200 mΩ if it is good",
        ],
    );
}

/// Whatever has failed, something is said, and nothing that must not be.
#[test]
fn every_failure_is_explained_and_confirmed_cold() {
    for (text, lines) in [
        (TRIODE, "volts plate 120V\nvolts cathode 0.9V\n"),
        (PENTODE, "volts plate 240V\nvolts screen 60V\n"),
        (OUTPUT, "volts plate 240V\nvolts cathode 20V\n"),
    ] {
        weighed(text, lines, |scales| {
            let mut scratch = Scratch::default();
            let explainer = Explainer::new(scales, &mut scratch);
            for index in 0..scales.failures.len() {
                let Some(best) = scales.weigh_single(index, &mut scratch).0 else {
                    continue;
                };
                let told = explainer.explain(&best, None, &mut scratch);
                let part = &scales.model.stage.part(scales.failures[index].part).name;
                says(&told.why, &[part.as_str(), "makes"]);
                says(
                    &told.confirm,
                    &["Power off", "bleed", "empty", part.as_str()],
                );
                for text in [&told.why, &told.confirm] {
                    for never in ["NaN", " inf ", "is safe", "interlock", "  ", "ammeter"] {
                        assert!(!text.contains(never), "`{never}` in: {text}");
                    }
                    assert!(text.ends_with('.'), "{text}");
                }
            }
        });
    }
}

#[test]
fn the_first_is_held_against_another_set_and_the_rest_against_the_first() {
    let set = |members: &[usize]| Weighed {
        set: members.to_vec(),
        ln_weight: 0.0,
        ln_evidence: 0.0,
        best: Vec::new(),
        spread: Vec::new(),
        law: 0,
        peaks: Peaks::default(),
    };
    let (a, ab, c) = (set(&[1]), set(&[1, 2]), set(&[3]));
    let sets = [&a, &ab, &c];
    assert_eq!(rival(&sets, 0).map(|w| w.set.as_slice()), Some(&[3][..]));
    assert_eq!(rival(&sets, 1).map(|w| w.set.as_slice()), Some(&[1][..]));
    assert!(rival(&sets[..2], 0).is_none());
    assert!(rival(&[], 0).is_none());
}
