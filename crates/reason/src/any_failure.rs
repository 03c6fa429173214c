//! Random plausible stages with any one failure that the program knows: every
//! one has an operating point, in which Kirchhoff's and Tellegen's laws hold.

mod text;

use std::cell::RefCell;
use std::collections::BTreeSet;

use deadstage_circuit::{
    Base, Change, DeviceChange, DeviceId, ElementId, Network, OperatingPoint, Overlay, Scratch,
    Situation, plain,
};
use deadstage_parts::LawForm;
use proptest::prelude::*;
use proptest::test_runner::{Config, RngSeed, TestRunner};

use crate::failure::candidates;
use crate::rates::Rates;
use crate::test_bench::stage;

/// Cases of a run; `DEADSTAGE_RANDOM_CASES` asks for so many new ones instead.
const CASES: u32 = 2_000;

/// Of so many cases one is held against the plain reference.
const REFERENCE: usize = 8;

fn config() -> Config {
    let wanted = std::env::var("DEADSTAGE_RANDOM_CASES").ok();
    let wanted = wanted.and_then(|number| number.parse().ok());
    Config {
        cases: wanted.unwrap_or(CASES),
        rng_seed: match wanted {
            Some(_) => RngSeed::Random,
            None => RngSeed::Fixed(1938),
        },
        failure_persistence: None,
        max_shrink_iters: 400,
        ..Config::default()
    }
}

/// Kirchhoff's current law to 10⁻⁹ A and 10⁻⁹ of what flows, and what is given is what is taken.
fn laws_hold(network: &Network, point: &OperatingPoint<'_>) -> Result<(), String> {
    let (node, left, through) = point.kirchhoff();
    if left > 1e-9 + 1e-9 * through {
        let name = &network.node_names[node];
        return Err(format!("{left:e} A of {through:e} A left over at {name}"));
    }
    let (mut sum, mut size, mut highest) = (0.0, 0.0, 0.0f64);
    let mut add = |watts: f64| {
        sum += watts;
        size += watts.abs();
    };
    for id in (0u32..).take(network.elements.len()).map(ElementId) {
        add(point.element_volts(id) * point.element_amps(id));
    }
    for (id, slot) in (0u32..).map(DeviceId).zip(&network.devices) {
        for (&node, amps) in slot.ports.iter().zip(point.device_amps(id)) {
            add((point.node_volts(node) - point.node_volts(slot.common)) * amps);
        }
    }
    for &(from, to, ohms) in &point.values().shunts {
        let volts = point.node_volts(from) - point.node_volts(to);
        add(volts * volts / ohms);
    }
    for node in 0..network.nodes {
        highest = highest.max(point.node_volts(node).abs());
    }
    // What each node may leave over, times the volts at which it does.
    let allowed = highest * 1e-9 * network.nodes as f64 + 1e-9 * size;
    if sum.abs() <= allowed {
        Ok(())
    } else {
        Err(format!("{sum:e} W of {size:e} W come from nowhere"))
    }
}

/// The same voltages by the whole network's equations, where no node hangs on leaks alone.
fn as_the_reference(
    base: &Base<'_>,
    point: &OperatingPoint<'_>,
    overlay: &[Change],
    scratch: &mut Scratch,
) -> Result<(), String> {
    let network = base.network();
    let mut values = base.values().clone();
    values.change_devices(network, overlay);
    values.change_elements(overlay);
    for (condition, found) in values.conditions.iter_mut().zip(&point.values().conditions) {
        condition.fired = found.fired;
    }
    let whole = plain::solve(network, &values).map_err(|error| format!("plain: {error:?}"))?;
    // Gas current through a grid leak feeds itself: either of two states may be found.
    let gas = |c: &Change| matches!(c, Change::Device(_, DeviceChange::Gas(_)));
    if overlay.iter().any(gas) {
        return Ok(());
    }
    let ohms = |node| point.source_ohms(node, 0, scratch).abs();
    let weakest = (1..network.nodes).map(ohms).fold(0.0, f64::max);
    let hanging = if weakest > 1e8 { 1e-14 * weakest } else { 0.0 };
    for (node, expected) in (1..network.nodes).zip(&whole.unknowns) {
        let found = point.node_volts(node);
        if (found - expected).abs() > 1e-7 + 1e-7 * expected.abs() + hanging {
            let name = &network.node_names[node];
            return Err(format!(
                "{name}: {found} V, and {expected} V by the reference"
            ));
        }
    }
    Ok(())
}

/// Solves the healthy stage from cold and one failure on it; gives the failure's words and changes.
fn solve(
    text: &str,
    which: usize,
    size: f64,
    form: LawForm,
    reference: bool,
) -> Result<(String, Overlay), String> {
    let stage = stage(text);
    let network = Network::compile(&stage, form).map_err(|errors| format!("{errors:?}"))?;
    let mut scratch = Scratch::default();
    let base = Base::new(&network, &Situation::running(None), &mut scratch)
        .map_err(|error| format!("healthy: {error:?}"))?;
    let healthy = base.solve(&[], None, &mut scratch);
    let healthy = healthy.map_err(|error| format!("healthy again: {error:?}"))?;
    laws_hold(&network, &healthy).map_err(|error| format!("healthy: {error}"))?;
    let (failures, _) = candidates(&stage, &network, &Rates::default());
    let failure = &failures[which % failures.len()];
    let mut overlay = Overlay::new();
    let u = failure.range.low + size * failure.range.width();
    failure.lay(u, &base, &mut overlay);
    let words = format!(
        "{} {}{}",
        stage.part(failure.part).name,
        failure.mode.name(),
        failure.place.map_or(String::new(), |p| format!(" {p}")),
    );
    let failed = |error: String| format!("{words}, {overlay:?}: {error}");
    let point = base
        .solve(&overlay, None, &mut scratch)
        .map_err(|error| failed(format!("{error:?}")))?;
    laws_hold(&network, &point).map_err(failed)?;
    if reference {
        as_the_reference(&base, &point, &overlay, &mut scratch).map_err(failed)?;
    }
    Ok((words, overlay))
}

/// The kind of a change, for the count of what was met.
fn kind(change: &Change) -> &'static str {
    match change {
        Change::Ohms(_, ohms) if *ohms < 100.0 => "a short",
        Change::Ohms(_, ohms) if *ohms > 5e6 => "an open",
        Change::Ohms(..) => "a wrong value",
        Change::Emf(..) => "a source",
        Change::Shunt { .. } => "a path",
        Change::Pin { .. } => "a pin",
        Change::Device(_, DeviceChange::Perveance(_)) => "emission",
        Change::Device(_, DeviceChange::Gas(_)) => "gas",
        Change::Device(_, DeviceChange::Volts(_)) => "volts",
        Change::Device(_, DeviceChange::Sides(_)) => "a side",
        Change::Device(_, DeviceChange::NoReservoir) => "no reservoir",
        Change::Device(_, DeviceChange::Choke(_)) => "a choke",
        Change::Device(_, DeviceChange::Absent) => "nothing there",
        Change::Device(..) => "another trait",
    }
}

/// What a run of some size must have met, or it proves less than it says.
const KINDS: [&str; 13] = [
    "a short",
    "an open",
    "a wrong value",
    "a source",
    "a path",
    "a pin",
    "emission",
    "gas",
    "volts",
    "a side",
    "no reservoir",
    "a choke",
    "nothing there",
];

#[test]
fn every_plausible_stage_solves_with_any_failure() {
    let met = RefCell::new(BTreeSet::new());
    let form = prop_oneof![Just(LawForm::TwoPitch), Just(LawForm::Koren)];
    let picks = (
        text::draws(),
        form,
        0usize..100_000,
        0.0f64..=1.0,
        0..REFERENCE,
    );
    let run = TestRunner::new(config()).run(&picks, |(draw, form, which, size, reference)| {
        let text = draw.text();
        match solve(&text, which, size, form, reference == 0) {
            Ok((_, overlay)) => {
                met.borrow_mut().extend(overlay.iter().map(kind));
                Ok(())
            }
            Err(error) => Err(TestCaseError::fail(format!("{form:?}: {error}\n{text}"))),
        }
    });
    if let Err(failure) = run {
        panic!("{failure}");
    }
    for kind in KINDS {
        assert!(met.borrow().contains(kind), "no case had {kind}");
    }
}
