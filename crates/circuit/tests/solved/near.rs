//! Points found from the healthy one, against every equation of the network at
//! every step; and what a meter reads there, against the point found with the meter as one more part.

use std::cell::Cell;

use crate::fixtures::{Circuit, config};
use crate::overlays::{change, clash};
use crate::tubes::random_chassis;
use deadstage_circuit::{
    Base, Change, DeviceChange, OperatingPoint, ParameterKind, Precision, Probe, Scratch, Values,
    plain,
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
    /// No operating point.
    Unsolved,
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
    let precision = Precision::Readings;
    let Ok(near) = base.solve_to(precision, overlay, None, &mut scratch) else {
        return Ok(Outcome::Unsolved);
    };
    let outcome = is_the_point(circuit, &near, overlay, text)?;
    // From elsewhere it is the same point, or another that is one.
    let half = &overlay[..overlay.len() / 2];
    if let Ok(elsewhere) = base.solve_to(precision, half, None, &mut scratch)
        && let start = Some(elsewhere.state())
        && let Ok(near) = base.solve_to(precision, overlay, start, &mut scratch)
    {
        is_the_point(circuit, &near, overlay, text)?;
    }
    // Gas current through a grid leak feeds itself: with the meter in it, either of two states may be found.
    if has_gas(overlay) {
        return Ok(outcome);
    }
    for node in 1..circuit.network.nodes {
        if near.source_ohms(node, 0, &mut scratch).abs() <= HANGING_OHMS {
            compare_reading(circuit, &base, &near, overlay, node, text)?;
        }
    }
    Ok(outcome)
}

/// A meter's reading and its sensitivities, against the point with the meter as one more part.
fn compare_reading(
    circuit: &Circuit,
    base: &Base<'_>,
    near: &OperatingPoint<'_>,
    overlay: &[Change],
    node: usize,
    text: &str,
) -> Result<(), TestCaseError> {
    let mut scratch = Scratch::default();
    let name = &circuit.network.node_names[node];
    let (from, to, ohms) = (node, 0, 1e6);
    let load = Some(ohms);
    let (mut exact, mut found) = (Vec::new(), Vec::new());
    let volts = near.read(
        &Probe::Volts { from, to, load },
        &mut scratch,
        Some(&mut found),
    );
    let mut with_meter = overlay.to_vec();
    with_meter.push(Change::Shunt { from, to, ohms });
    let Ok(point) = base.solve(&with_meter, None, &mut scratch) else {
        return Ok(());
    };
    // What glows keeps glowing when a meter is put to it, though it would not have struck with it there.
    let glows =
        |values: &Values| -> Vec<bool> { values.conditions.iter().map(|c| c.fired).collect() };
    if glows(near.values()) != glows(point.values()) {
        return Ok(());
    }
    let bare = Probe::Volts {
        from,
        to,
        load: None,
    };
    let expected = point.read(&bare, &mut scratch, Some(&mut exact));
    prop_assert!(
        (volts - expected).abs() <= LEAST_READ + 1e-5 * expected.abs(),
        "{name}: {volts} for {expected} with {overlay:?}\n{text}"
    );
    // Behind a pin that is all but open either way of telling a slope loses digits.
    let is_open = |c: &Change| matches!(c, Change::Pin { ohms, .. } if *ohms > HANGING_OHMS);
    if overlay.iter().any(is_open) {
        return Ok(());
    }
    let parameters = &circuit.network.parameters;
    let spread = exact.iter().zip(parameters);
    let size = spread
        .map(|(change, p)| (change * p.sigma).powi(2))
        .sum::<f64>()
        .sqrt();
    for ((expected, found), parameter) in exact.iter().zip(&found).zip(parameters) {
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
    Ok(())
}

fn has_gas(overlay: &[Change]) -> bool {
    overlay
        .iter()
        .any(|change| matches!(change, Change::Device(_, DeviceChange::Gas(_))))
}

#[test]
fn a_point_found_from_the_healthy_one_is_the_point() {
    let (tried, unsolved, other) = (Cell::new(0), Cell::new(0), Cell::new(0));
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
                Outcome::Unsolved => unsolved.set(unsolved.get() + 1),
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
    let (tried, unsolved, other) = (tried.get(), unsolved.get(), other.get());
    assert!(unsolved == 0, "{unsolved} of {tried} not solved");
    assert!(200 * other <= tried, "{other} of {tried} are other states");
}
