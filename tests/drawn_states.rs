//! Circuits that may rest in one of several states: those that are found hold by themselves, and none is missing
//! that a plain solver comes to from anywhere.

use deadstage_circuit::{Base, Network, Scratch, Situation};
use deadstage_netlist::SettingId;
use deadstage_tests::circuits::check::{self, Found};
use deadstage_tests::circuits::run::read_and_build;
use deadstage_tests::circuits::states::{from_everywhere, is_same, node_volts};
use deadstage_tests::circuits::{KINDS, Kind};
use rayon::prelude::*;

/// Kinds that are built to have several states, or may come to have them.
const SEVERAL: [&str; 6] = [
    "flip-flop",
    "Schmitt trigger",
    "multivibrator",
    "ring counter",
    "flip-flop of transistors",
    "direct-coupled ring",
];

/// Circuits of each kind, the first seed of them, and random starts for each circuit.
const DRAWN: u64 = 100;
const SEED: u64 = 70_001;
const STARTS: u32 = 25;

fn several() -> impl Iterator<Item = &'static Kind> {
    KINDS.iter().filter(|kind| SEVERAL.contains(&kind.name))
}

/// What a circuit's states came to.
#[derive(Default)]
struct States {
    found: usize,
    unstable: Vec<String>,
    missing: Vec<String>,
}

fn states_of(kind: &Kind, seed: u64) -> States {
    let text = kind.draw(seed);
    let (stage, network) = read_and_build(&text, seed).expect("drawn circuits are read");
    let first = (!stage.settings.is_empty()).then_some(SettingId(0));
    let situation = Situation::running(first);
    let all = Base::all(&network, &situation, &mut Scratch::default()).expect("it solves");
    let found: Vec<Found> = all
        .iter()
        .map(|base| node_volts(base).expect("it was found"))
        .collect();
    let mut states = States {
        found: found.len(),
        ..States::default()
    };
    for (base, found) in all.iter().zip(&found) {
        if check::may_hold(&network, base.values(), found) == Some(false) {
            states.unstable.push(text.clone());
        }
    }
    let highest = highest(&network, &all[0]);
    for other in from_everywhere(&network, all[0].values(), highest, STARTS, seed) {
        if !found.iter().any(|found| is_same(&found.node_volts, &other)) {
            states.missing.push(format!(
                "{seed}: {other:?}\n{:?}\n{text}",
                found.iter().map(|f| &f.node_volts).collect::<Vec<_>>()
            ));
        }
    }
    states
}

fn highest(network: &Network, base: &Base<'_>) -> f64 {
    let of_sources = base.values().elements.iter().map(|value| value.emf.abs());
    let point = node_volts(base).expect("it was found").node_volts;
    of_sources
        .chain(point.into_iter().take(network.nodes).map(f64::abs))
        .fold(1.0, f64::max)
}

#[test]
fn every_state_holds_and_none_is_missing() {
    for kind in several() {
        let drawn: Vec<States> = (SEED..SEED + DRAWN)
            .into_par_iter()
            .map(|seed| states_of(kind, seed))
            .collect();
        let of_several = drawn.iter().filter(|states| states.found > 1).count();
        let unstable: Vec<&String> = drawn.iter().flat_map(|s| &s.unstable).collect();
        let missing: Vec<&String> = drawn.iter().flat_map(|s| &s.missing).collect();
        let name = kind.name;
        assert!(unstable.is_empty(), "{name}: {}", unstable[0]);
        assert!(missing.is_empty(), "{name}: {}", missing[0]);
        assert!(of_several > 0 || !name.contains("flip-flop"), "{name}");
    }
}
