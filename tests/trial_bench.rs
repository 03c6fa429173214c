//! That the trial bench measures what it says: its law told to the program is its law, what it
//! tells the ideal observer of its draws is how it draws, and its page is whole.

use std::collections::BTreeMap;

use deadstage_circuit::{Base, Network, Scratch, Situation};
use deadstage_netlist::{SettingId, Stage};
use deadstage_parts::{LawForm, Mode};
use deadstage_reason::{Ablation, Assumptions, Error, Options, diagnose, diagnose_assuming};
use deadstage_tests::trials::draw::{Scatter, build, fault, is_built, shares};
use deadstage_tests::trials::law::Specimen;
use deadstage_tests::trials::{ideal, page, run, stages, whole};
use rand::SeedableRng;
use rand_pcg::Pcg64Mcg;

fn small_stages() -> Vec<(String, Stage)> {
    let all = stages::shipped(40).unwrap_or_else(|message| panic!("{message}"));
    all.into_iter()
        .filter(|(_, stage)| is_built(stage))
        .collect()
}

/// Two solvers, one law: a nominal unit on the bench, and the same law put to work in the program.
#[test]
fn the_law_told_is_the_law_of_the_units() {
    let stages = small_stages();
    assert!(stages.len() >= 10, "only {} stages", stages.len());
    for (name, stage) in stages {
        let network = Network::compile(&stage, LawForm::TwoPitch).expect("it has a meaning");
        let nominal = Scatter {
            value: vec![1.0; stage.parts.len()],
            specimen: vec![Specimen::nominal(0.5); stage.parts.len()],
        };
        let unit = build(&stage, &network, &nominal, &[], 1.0).expect("it is built");
        let on_bench = unit.solve().expect("the unit settles");

        let told = ideal::assumptions(&stage).expect("its tubes have points");
        let setting = (!stage.settings.is_empty()).then_some(SettingId(0));
        let situation = Situation::running(setting);
        // The middle one of its three laws has half the contact potential.
        let base = Base::new(&told.networks[1], &situation, &mut Scratch::default())
            .unwrap_or_else(|e| panic!("{name}: {e}"));
        let point = base
            .solve(&[], None, &mut Scratch::default())
            .expect("the healthy state was found before");
        for (node, &volts) in on_bench.iter().enumerate().take(stage.nodes.len()).skip(1) {
            let found = point.node_volts(node);
            assert!(
                (found - volts).abs() <= 0.01 + 2e-3 * volts.abs(),
                "{name}, {}: {found} V by the program, {volts} V on the bench",
                stage.nodes[node].name
            );
        }
    }
}

#[test]
fn failures_are_drawn_in_the_shares_told() {
    const DRAWS: usize = 20_000;
    for (name, stage) in small_stages() {
        let mut rng = Pcg64Mcg::seed_from_u64(7);
        let mut drawn: BTreeMap<(u32, &str), f64> = BTreeMap::new();
        for _ in 0..DRAWS {
            if let Some(fault) = fault(&stage, &mut rng) {
                *drawn.entry((fault.part.0, fault.kind.mode())).or_default() += 1.0;
            }
        }
        let each = DRAWS as f64 / stage.parts.len() as f64;
        let mut expected: BTreeMap<(u32, &str), f64> = BTreeMap::new();
        for (id, part) in (0u32..).zip(&stage.parts) {
            for (mode, share) in shares(&part.kind) {
                expected.insert((id, mode.name()), each * share);
            }
        }
        for (key, count) in &drawn {
            assert!(
                expected.contains_key(key),
                "{name}: {key:?} drawn {count} times"
            );
        }
        for (key, wanted) in &expected {
            let found = drawn.get(key).copied().unwrap_or(0.0);
            assert!(
                (found - wanted).abs() <= 5.0 * wanted.sqrt() + 1.0,
                "{name}: {key:?} drawn {found} times, told {wanted}"
            );
        }
    }
}

/// A caller's assumptions take the place of the program's, and nothing else does.
#[test]
fn what_is_assumed_is_what_is_reasoned_by() {
    let stages = small_stages();
    let (name, stage) = stages
        .iter()
        .find(|(name, _)| name == "pentode-voltage-amplifier")
        .expect("it is shipped");
    let drawn =
        run::draw(name, stage, 1, 3, run::Probed::TestPoints).expect("a failure that shows");
    let ask = |assumed: &Assumptions| {
        let sheets = std::slice::from_ref(&drawn.sheet);
        diagnose_assuming(stage, sheets, &Options::default(), assumed)
    };
    let plain = ask(&Assumptions::default()).expect("an answer");
    let sheets = std::slice::from_ref(&drawn.sheet);
    let usual = diagnose(stage, sheets, &Options::default()).expect("an answer");
    assert_eq!(plain, usual);

    let tube = stage.parts_named("V1").next().expect("it has a tube");
    let only = Assumptions {
        failures: Some(BTreeMap::from([((tube, Mode::Dead), 0.1)])),
        ..Assumptions::default()
    };
    let told = ask(&only).expect("an answer");
    assert_eq!(told.suspects.len(), 1);
    assert_eq!(told.suspects[0].faults[0].mode, "dead");

    for (what, without) in [
        (
            "covariance",
            Ablation {
                covariance: true,
                ..Ablation::default()
            },
        ),
        (
            "tolerances",
            Ablation {
                tolerances: true,
                ..Ablation::default()
            },
        ),
        (
            "misfit",
            Ablation {
                misfit: true,
                ..Ablation::default()
            },
        ),
        (
            "load",
            Ablation {
                solved_load: true,
                ..Ablation::default()
            },
        ),
        (
            "slips",
            Ablation {
                slips: true,
                ..Ablation::default()
            },
        ),
    ] {
        let assumed = Assumptions {
            without,
            ..Assumptions::default()
        };
        let told = ask(&assumed).expect("an answer");
        assert_ne!(told.suspects, plain.suspects, "{what} changes nothing");
        if without.slips {
            assert!(told.readings.iter().all(|reading| reading.slip == 0.0));
        }
    }

    let own = Network::compile(stage, LawForm::TwoPitch).expect("it has a meaning");
    let mut other = own.clone();
    other.parameters.pop();
    let unlike = Assumptions {
        networks: vec![own, other],
        ..Assumptions::default()
    };
    assert_eq!(ask(&unlike), Err(Error::UnlikeNetworks));
}

#[test]
fn the_section_of_complete_sets_is_put_in_the_place_of_the_old_one() {
    let page = "# Trials\n\n## Failures named\n\na\n\n## Complete sets\n\nold\n\n## By kind\n\nb\n";
    assert_eq!(whole::section_of(page), "## Complete sets\n\nold");
    let new = whole::replaced(page, "## Complete sets\n\nnew\n").expect("there is one");
    assert_eq!(new, page.replace("old", "new"));
    let last = "# Trials\n\n## Complete sets\n\nold\n";
    assert_eq!(whole::section_of(last), "## Complete sets\n\nold");
    assert!(whole::replaced("# Trials\n", "new").is_err());
    let sets = stages::shipped(stages::ANY).expect("the shipped stages read");
    let whole: Vec<&str> = sets
        .iter()
        .filter(|(_, stage)| whole::is_whole(stage))
        .map(|(name, _)| name.as_str())
        .collect();
    assert_eq!(whole, ["watch-receiver", "harbour-transmitter"]);
}

/// The figures change with the program; what the page tells of does not.
#[test]
fn the_page_of_figures_is_whole() {
    let text = std::fs::read_to_string(page::path()).expect("the page is in docs/");
    assert!(text.contains(page::COMMAND), "the command is not named");
    let mut rest = text.as_str();
    for heading in page::HEADINGS {
        let (_, after) = rest
            .split_once(&format!("\n{heading}\n"))
            .unwrap_or_else(|| panic!("{heading} is missing or out of order"));
        let section = after.split("\n## ").next().unwrap_or("");
        let rows = section.lines().filter(|l| l.starts_with("| ")).count();
        assert!(rows > 3, "{heading}: nothing under it");
        rest = after;
    }
}
