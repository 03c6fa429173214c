//! Points found near the healthy one, against every equation of the network at
//! every step; and what a meter reads there, against the point found by solving all ports.

use std::cell::Cell;

use crate::fixtures::{Circuit, config};
use crate::overlays::{change, clash};
use crate::tubes::random_chassis;
use deadstage_circuit::{
    Change, DeviceChange, DeviceId, Flow, OperatingPoint, ParameterKind, Probe, Scratch, plain,
};
use deadstage_parts::LawForm;
use proptest::prelude::*;
use proptest::test_runner::TestRunner;

/// What the best reading of a meter is off by, volts.
const LEAST_READ: f64 = 1e-3;

/// What two ways to one voltage may differ by, volts and ratio.
const SAME: (f64, f64) = (1e-9, 1e-7);

/// Ohms behind which a node hangs on leaks alone, and is known no better than its leaks.
const HANGING_OHMS: f64 = 1e8;

/// What rounding leaves over at a node, A: it moves a hanging one by as much as it hangs on.
const ROUNDING_AMPS: f64 = 1e-14;

/// What became of one case.
enum Outcome {
    /// Not found near.
    Far,
    /// The state that is found from nothing.
    Same,
    /// Another state of the network.
    Other,
}

/// The voltages of a point against those of the plain way.
fn is_the_point(
    circuit: &Circuit,
    near: &OperatingPoint<'_>,
    overlay: &[Change],
    text: &str,
) -> Result<Outcome, TestCaseError> {
    let mut scratch = Scratch::default();
    let network = &circuit.network;
    let volts: Vec<f64> = (0..network.nodes)
        .map(|node| near.node_volts(node))
        .collect();
    let allowed: Vec<f64> = (1..network.nodes)
        .map(|node| near.source_ohms(node, 0, &mut scratch).abs())
        .map(|ohms| {
            if ohms > HANGING_OHMS {
                ROUNDING_AMPS * ohms
            } else {
                0.0
            }
        })
        .collect();
    let worst = |whole: &plain::PlainSolution| {
        let expected = |node: usize| whole.unknowns[node - 1];
        (1..network.nodes)
            .map(|node| {
                let off = (volts[node] - expected(node)).abs();
                (
                    node,
                    off / (SAME.0 + SAME.1 * expected(node).abs() + allowed[node - 1]),
                )
            })
            .fold(
                (0, 0.0),
                // What is no number is the worst.
                |worst, one| if one.1 <= worst.1 { worst } else { one },
            )
    };
    if let Ok(whole) = plain::solve(network, near.values())
        && worst(&whole).1 <= 1.0
    {
        return Ok(Outcome::Same);
    }
    // Perhaps another state: then it must be one.
    let whole = plain::solve_from(network, near.values(), &volts, near.state());
    let whole = whole.map_err(|error| {
        TestCaseError::fail(format!("no state: {error} with {overlay:?}\n{text}"))
    })?;
    let (node, share) = worst(&whole);
    prop_assert!(
        share <= 1.0,
        "{}: {} for {} ({share:.1} of what is allowed) with {overlay:?}\n{text}",
        network.node_names[node],
        volts[node],
        whole.unknowns[node - 1]
    );
    Ok(Outcome::Other)
}

/// Reads every node with a common meter, in both ways.
fn compare(circuit: &Circuit, overlay: &[Change], text: &str) -> Result<Outcome, TestCaseError> {
    let base = circuit.running();
    let mut scratch = Scratch::default();
    let Some(near) = base.solve_near(overlay, None, &mut scratch) else {
        return Ok(Outcome::Far);
    };
    let outcome = is_the_point(circuit, &near, overlay, text)?;
    // From elsewhere it is the same point, or another that is one.
    if let Some(elsewhere) = base.solve_near(&overlay[..overlay.len() / 2], None, &mut scratch)
        && let Some(near) = base.solve_near(overlay, Some(elsewhere.state()), &mut scratch)
    {
        is_the_point(circuit, &near, overlay, text)?;
    }
    // Gas current through a grid leak feeds itself: from the healthy state
    // either of two states may be found, and both are right.
    if has_gas(overlay) {
        return Ok(outcome);
    }
    let Ok(point) = base.solve(overlay, None, &mut scratch) else {
        return Ok(outcome);
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
                    "{name} with {load:?} by {parameter:?}: {found} for {expected} with {overlay:?}\n{text}"
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
    Ok(outcome)
}

fn has_gas(overlay: &[Change]) -> bool {
    overlay
        .iter()
        .any(|change| matches!(change, Change::Device(_, DeviceChange::Gas(_))))
}

#[test]
fn a_point_found_near_is_the_point() {
    let (tried, far, other) = (Cell::new(0), Cell::new(0), Cell::new(0));
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
            tried.set(tried.get() + 1);
            match compare(&circuit, &overlay, &text)? {
                Outcome::Far => far.set(far.get() + 1),
                Outcome::Same => {}
                Outcome::Other => other.set(other.get() + 1),
            }
        }
        Ok(())
    });
    if let Err(failure) = run {
        panic!("{failure}");
    }
    // A way that is never passable would pass every comparison, and a state that
    // is hardly ever the one found from nothing would be no state to trust.
    let (tried, far, other) = (tried.get(), far.get(), other.get());
    assert!(20 * far <= tried, "{far} of {tried} not found near");
    assert!(200 * other <= tried, "{other} of {tried} are other states");
}
