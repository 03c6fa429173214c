//! Points found near the healthy one, against the same points found by solving all ports.

use std::cell::Cell;

use crate::fixtures::{Circuit, config};
use crate::overlays::{change, clash};
use crate::tubes::random_chassis;
use deadstage_circuit::{Change, DeviceChange, DeviceId, Flow, ParameterKind, Probe, Scratch};
use deadstage_parts::LawForm;
use proptest::prelude::*;
use proptest::test_runner::TestRunner;

/// What the best reading of a meter is off by, volts.
const LEAST_READ: f64 = 1e-3;

/// Ohms behind which a node hangs on leaks alone, and is known no better than its leaks.
const HANGING_OHMS: f64 = 1e8;

/// Reads every node with a common meter, in both ways; whether the near way was passable.
fn compare(circuit: &Circuit, overlay: &[Change], text: &str) -> Result<bool, TestCaseError> {
    let base = circuit.running();
    let mut scratch = Scratch::default();
    let Ok(point) = base.solve(overlay, None, &mut scratch) else {
        return Ok(false);
    };
    let Some(near) = base.solve_near(overlay, None, &mut scratch) else {
        return Ok(false);
    };
    let (mut exact, mut found) = (Vec::new(), Vec::new());
    for node in 1..circuit.network.nodes {
        if point.source_ohms(node, 0, &mut scratch).abs() > HANGING_OHMS {
            continue;
        }
        let name = &circuit.network.node_names[node];
        for load in [None, Some(1e6)] {
            let probe = Probe::Volts {
                from: node,
                to: 0,
                load,
            };
            let expected = point.read(&probe, &mut scratch, Some(&mut exact));
            let Some(volts) = near.read(&probe, &mut scratch, Some(&mut found)) else {
                continue;
            };
            prop_assert!(
                (volts - expected).abs() <= LEAST_READ + 1e-5 * expected.abs(),
                "{name} with {load:?}: {volts} for {expected} with {overlay:?}\n{text}"
            );
            let size = exact
                .iter()
                .zip(&circuit.network.parameters)
                .map(|(change, parameter)| (change * parameter.sigma).powi(2))
                .sum::<f64>()
                .sqrt();
            // Behind a pin that is all but open either way of telling a slope loses digits.
            let is_open =
                |c: &Change| matches!(c, Change::Pin { ohms, .. } if *ohms > HANGING_OHMS);
            if overlay.iter().any(is_open) {
                continue;
            }
            for ((expected, found), parameter) in
                exact.iter().zip(&found).zip(&circuit.network.parameters)
            {
                // A wiper's travel along a track that is open means nothing.
                if let ParameterKind::Wiper(upper, lower) = parameter.kind
                    && overlay
                        .iter()
                        .any(|c| matches!(c, Change::Ohms(id, _) if *id == upper || *id == lower))
                {
                    continue;
                }
                // Against the spread of the reading, which is what a sensitivity is for.
                prop_assert!(
                    ((found - expected) * parameter.sigma).abs() <= 0.03 * size + 1e-4,
                    "{name} by {parameter:?}: {found} for {expected} with {overlay:?}\n{text}"
                );
            }
        }
    }
    for (index, slot) in (0u32..).zip(&circuit.network.devices) {
        let id = DeviceId(index);
        for port in 0..slot.ports.len() {
            let probe = Probe::Amps(Flow::Port(id, port));
            let expected = point.read(&probe, &mut scratch, None);
            let amps = near.read(&probe, &mut scratch, None);
            let within = 2e-7 + 1e-4 * expected.abs();
            prop_assert!(
                amps.is_some_and(|amps| (amps - expected).abs() <= within),
                "port {port} of {id:?}: {amps:?} for {expected} with {overlay:?}\n{text}"
            );
        }
    }
    Ok(true)
}

/// Gas current through a grid leak feeds itself: from the healthy state
/// either of two states may be found, and both are right.
fn has_two_states(overlay: &[Change]) -> bool {
    overlay
        .iter()
        .any(|change| matches!(change, Change::Device(_, DeviceChange::Gas(_))))
}

#[test]
fn a_point_found_near_is_the_point() {
    let (tried, passed) = (Cell::new(0), Cell::new(0));
    let picks =
        proptest::collection::vec((0usize..17, 0usize..1000, 0usize..1000, 0.0f64..1.0), 1..4);
    let run = TestRunner::new(config(400)).run(&(random_chassis(), picks), |(text, picks)| {
        for form in LawForm::ALL {
            let circuit = Circuit::following(&text, form);
            let mut overlay: Vec<Change> = Vec::new();
            for &(kind, which, other, size) in &picks {
                if let Some(next) = change(&circuit, kind, which, other, size)
                    && !overlay.iter().any(|known| clash(known, &next))
                {
                    overlay.push(next);
                }
            }
            if !has_two_states(&overlay) {
                tried.set(tried.get() + 1);
                passed.set(passed.get() + usize::from(compare(&circuit, &overlay, &text)?));
            }
        }
        Ok(())
    });
    if let Err(failure) = run {
        panic!("{failure}");
    }
    // A way that is never passable would pass every comparison.
    assert!(
        10 * passed.get() >= 7 * tried.get(),
        "{} of {} found near",
        passed.get(),
        tried.get()
    );
}
