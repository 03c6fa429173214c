//! Circuits drawn at random, by kind: each is read and built, solved healthy and with
//! failures, and what is found keeps the laws. `docs/circuits.md` says how more of them are run.

use std::collections::BTreeSet;

use deadstage_circuit::{Base, Network, Scratch, Situation, Values};
use deadstage_netlist::print_stage;
use deadstage_parts::{LawForm, Mode};
use deadstage_tests::circuits::check::{self, Found};
use deadstage_tests::circuits::run::{Asked, Ran, Verdict, read, run_text};
use deadstage_tests::circuits::tally::{Tally, is_wrong, wrong};
use deadstage_tests::circuits::two_ended::{Arrangement, every_pair};
use deadstage_tests::circuits::{KINDS, Kind, page};
use rayon::prelude::*;

/// Circuits of each kind that are read, and that are solved.
const READ: u64 = 12;
const SOLVED: u64 = 15;

/// First seed of those that are solved; another than the page's.
const SEED: u64 = 40_001;

fn kind(name: &str) -> &'static Kind {
    let found = KINDS.iter().find(|kind| kind.name == name);
    found.unwrap_or_else(|| panic!("no kind is named {name}"))
}

/// The first few circuits that went wrong, with all that is needed to look at them.
fn complaints(name: &str, ran: &[Ran]) -> Vec<String> {
    let told = |ran: &Ran| {
        let points = ran.points.iter().filter_map(|point| {
            let what = wrong(&point.verdict)?;
            let failures = point.failures.join(" + ");
            Some(format!("    [{failures}] {} {what}\n", point.situation))
        });
        let rest = ran
            .unread
            .iter()
            .chain(&ran.ohms.wrong)
            .chain(&ran.volts.wrong);
        let rest = rest.map(|why| format!("    {why}\n"));
        let all: String = rest.chain(points).collect();
        format!("{name} {}\n{}{all}", ran.seed, ran.text)
    };
    ran.iter().filter(|ran| is_wrong(ran)).map(told).collect()
}

fn none_is_wrong(complaints: &[String], of: usize) {
    let first: String = complaints.iter().take(3).map(String::as_str).collect();
    assert!(
        complaints.is_empty(),
        "{} of {of} circuits, the first of them:\n{first}",
        complaints.len()
    );
}

#[test]
fn names_are_told_apart() {
    let names: BTreeSet<&str> = KINDS.iter().map(|kind| kind.name).collect();
    assert_eq!(names.len(), KINDS.len());
    let text = std::fs::read_to_string(page::path()).expect("the page is there");
    for name in names {
        assert!(
            text.contains(name),
            "docs/circuits.md does not speak of {name}"
        );
    }
}

/// The text of our own format, in any hand: read without an error, built, and printed so that it
/// reads back to the same network.
#[test]
fn every_circuit_is_read_and_reads_back() {
    KINDS.par_iter().for_each(|kind| {
        for seed in 1..=READ {
            let text = kind.draw(seed);
            assert_eq!(text, kind.draw(seed), "a seed gives one circuit");
            let build = |text: &str| {
                let stage = read(text).unwrap_or_else(|error| panic!("{error}\n{text}"));
                let network = Network::compile(&stage, LawForm::TwoPitch)
                    .unwrap_or_else(|errors| panic!("{errors:?}\n{text}"));
                (print_stage(&stage), network)
            };
            let (printed, network) = build(&text);
            let (again, read_back) = build(&printed);
            assert_eq!(printed, again, "from\n{text}");
            assert_eq!(network.elements, read_back.elements, "from\n{text}");
            assert_eq!(network.node_names, read_back.node_names, "from\n{text}");
            assert_eq!(network.parameters, read_back.parameters, "from\n{text}");
        }
    });
}

/// Two resistors and a triode, whose healthy point is right; then it is spoiled, a little at a time.
#[test]
fn what_is_off_is_seen() {
    let text = "stage \"one\"\nsupply B1 250V from bplus to chassis\nresistor R1 100k from bplus to plate\nresistor R2 1.5k from cathode to chassis\nresistor R3 1M from grid to chassis\ntube V1 12AX7 section 1 plate=plate grid=grid cathode=cathode\n";
    let stage = read(text).expect("it reads");
    let network = Network::compile(&stage, LawForm::TwoPitch).expect("known types");
    let mut scratch = Scratch::default();
    let situation = Situation::running(None);
    let base = Base::new(&network, &situation, &mut scratch).expect("it solves");
    let point = base.solve(&[], None, &mut scratch).expect("it solves");
    let values = Values::of(&network, &situation, &[]);
    let right = Found::of(&network, &point);
    let judge = |values: &Values, found: &Found| check::judge(&network, values, values, found);
    let judged = judge(&values, &right);
    assert!(
        judged.keeps_kirchhoff() && judged.is_on_the_volt(),
        "{judged:?}"
    );
    // A millivolt at any node of the tube.
    for name in ["plate", "cathode", "grid"] {
        let node = network.node_names.iter().position(|n| n == name);
        let mut spoiled = right.clone();
        spoiled.node_volts[node.expect("the node is there")] += 1e-3;
        let judged = judge(&values, &spoiled);
        assert!(!judged.keeps_kirchhoff(), "{name}: {judged:?}");
        assert!(!judged.is_on_the_volt(), "{name}: {judged:?}");
    }
    // A microampere in the current that the supply is said to give.
    let mut spoiled = right.clone();
    spoiled.element_amps[0] += 1e-6;
    assert!(!judge(&values, &spoiled).keeps_kirchhoff());
    // The point of another network: a resistor of a part in a million more.
    let mut other = values.clone();
    other.elements[1].ohms *= 1.0 + 1e-6;
    let judged = judge(&other, &right);
    assert!(!judged.keeps_kirchhoff(), "{judged:?}");
    // And a pin that resists, whose drop the voltages behind it do not have.
    let mut other = values;
    other.port_ohms[0] = 1000.0;
    let judged = judge(&other, &right);
    assert!(
        !judged.keeps_kirchhoff() && !judged.is_on_the_volt(),
        "{judged:?}"
    );
}

/// Ohms by the general library where they can be worked out in the head: 1 kΩ beside 1 kΩ, and 10 Ω more.
#[test]
fn ohms_of_the_library() {
    let text = "stage \"ohms\"\nresistor R1 1k from a to chassis\nresistor R2 1k from a to chassis\nresistor R3 10 from a to b\nlink J1 from b to c\n";
    let stage = read(text).expect("it reads");
    let network = Network::compile(&stage, LawForm::TwoPitch).expect("known types");
    let off = Situation::running(None).power_off();
    let values = Values::of(&network, &off, &[]);
    let node = |name: &str| network.node_names.iter().position(|n| n == name);
    let [a, b, c] = ["a", "b", "c"].map(|name| node(name).expect("the node is there"));
    let found = check::ohms(&network, &values, &values, &[(a, 0), (b, 0), (b, c)]);
    for (found, expected) in found.iter().zip([500.0, 510.0, 1e-3]) {
        assert!(
            (found.ohms - expected).abs() < 1e-9,
            "{found:?}, not {expected}"
        );
        assert!(found.is_met_by(expected) && !found.is_met_by(1.01 * expected + 0.01));
    }
}

/// Whatever is linear has one state, and the general library has it too. (With failures laid over, an
/// update of low rank leaves up to a millionth of the largest current: `every_circuit_is_solved` asks for less.)
#[test]
fn linear_networks_are_right_to_the_last_digits() {
    let asked = Asked {
        failures: [true, false, false],
        reference: 1,
    };
    let mut tally = Tally::default();
    for name in ["linear network", "bridge of resistors"] {
        let ran = page::run_kind(kind(name), 100, SEED, asked);
        none_is_wrong(&complaints(name, &ran), ran.len());
        ran.iter().for_each(|ran| tally.add(ran));
    }
    assert!(tally.compared >= 200, "{tally:?}");
    assert_eq!((tally.other_state, tally.reference_unsolved), (0, 0));
}

/// A run meets every mode of failure, relays without a steady state, networks of several states;
/// otherwise it proves less than it says. None of it panics.
#[test]
fn a_run_meets_everything() {
    let mut tally = Tally::default();
    let mut met = BTreeSet::new();
    for kind in KINDS {
        for ran in page::run_kind(kind, 20, SEED, Asked::default()) {
            assert!(ran.unread.is_none(), "{:?}\n{}", ran.unread, ran.text);
            tally.add(&ran);
            for point in &ran.points {
                if let Verdict::Panicked(why) = &point.verdict {
                    panic!("{why} with {:?}\n{}", point.failures, ran.text);
                }
                let modes = Mode::ALL.iter().map(|mode| mode.name());
                met.extend(modes.filter(|mode| point.failures.iter().any(|f| f.contains(mode))));
            }
        }
    }
    let all: BTreeSet<&str> = Mode::ALL.iter().map(|mode| mode.name()).collect();
    assert_eq!(met, all);
    let unsteady: usize = tally.solutions.iter().map(|s| s.no_steady_state).sum();
    assert!(unsteady > 0 && tally.other_state > 0, "{tally:?}");
}

/// Healthy and with one failure and with two, every circuit has a point that keeps Kirchhoff's law,
/// that the solver near a known point finds too, and that a general library has on the same volt.
#[test]
fn every_circuit_is_solved() {
    let mut all = Vec::new();
    for kind in KINDS {
        let ran = page::run_kind(kind, SOLVED, SEED, Asked::default());
        all.extend(complaints(kind.name, &ran));
    }
    none_is_wrong(&all, KINDS.len() * SOLVED as usize);
}

/// Every diode, regulator and rectifier with every other, in series, opposed and side by side.
#[test]
fn every_two_ended_type_goes_with_every_other() {
    let asked = Asked {
        failures: [true, true, false],
        ..Asked::default()
    };
    for arrangement in Arrangement::ALL {
        let ran: Vec<Ran> = every_pair(arrangement)
            .into_par_iter()
            .map(|(text, seed)| run_text(text, seed, asked))
            .collect();
        none_is_wrong(&complaints("pair", &ran), ran.len());
    }
}
