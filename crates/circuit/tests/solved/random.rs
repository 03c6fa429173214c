//! Random networks of resistors and sources, against a general-purpose solver
//! and against the theorems that hold for all of them.

use crate::fixtures::{Circuit, config, healthy};
use deadstage_circuit::{Change, ElementId, OperatingPoint, Scratch};
use proptest::prelude::*;
use std::fmt::Write;

/// Two nodes (0 is the common), ohms, and volts in series.
#[derive(Clone, Copy, Debug)]
struct Branch {
    from: usize,
    to: usize,
    ohms: f64,
    volts: Option<f64>,
}

/// A connected network: every node hangs on an earlier one, and more branches between any two.
fn networks() -> impl Strategy<Value = (usize, Vec<Branch>)> {
    // From stiff wire to a grid leak.
    let ohms = (-0.5f64..5.5).prop_map(|decades| 10f64.powf(decades));
    let volts = proptest::option::weighted(0.3, 1.0f64..400.0);
    let branch = (0.0f64..1.0, 0.0f64..1.0, ohms, volts);
    (2usize..9, proptest::collection::vec(branch, 8..20)).prop_map(|(nodes, picks)| {
        let pick = |share: f64, below: usize| ((share * below as f64) as usize).min(below - 1);
        let branches = picks
            .into_iter()
            .enumerate()
            .filter_map(|(index, (a, b, ohms, volts))| {
                let (from, to) = if index + 1 < nodes {
                    (index + 1, pick(a, index + 1))
                } else {
                    (pick(a, nodes), pick(b, nodes))
                };
                (from != to).then_some(Branch {
                    from,
                    to,
                    ohms,
                    volts,
                })
            })
            .collect();
        (nodes, branches)
    })
}

fn name(node: usize) -> String {
    if node == 0 {
        "chassis".to_owned()
    } else {
        format!("n{node}")
    }
}

fn text(branches: &[Branch]) -> String {
    let mut text = String::new();
    for (index, branch) in branches.iter().enumerate() {
        let (from, to, ohms) = (name(branch.from), name(branch.to), branch.ohms);
        let written = match branch.volts {
            Some(volts) => writeln!(
                text,
                "supply E{index} {volts}V source {ohms} from {from} to {to}"
            ),
            None => writeln!(text, "resistor E{index} {ohms} from {from} to {to}"),
        };
        written.expect("a string takes everything");
    }
    text
}

/// Node voltages by nalgebra, from equations set up here.
fn oracle(nodes: usize, branches: &[Branch]) -> Vec<f64> {
    let mut conductance = nalgebra::DMatrix::<f64>::zeros(nodes - 1, nodes - 1);
    let mut source = nalgebra::DVector::<f64>::zeros(nodes - 1);
    for branch in branches {
        let siemens = 1.0 / branch.ohms;
        for (one, other, sign) in [
            (branch.from, branch.to, 1.0),
            (branch.to, branch.from, -1.0),
        ] {
            if one > 0 {
                conductance[(one - 1, one - 1)] += siemens;
                source[one - 1] += sign * siemens * branch.volts.unwrap_or(0.0);
                if other > 0 {
                    conductance[(one - 1, other - 1)] -= siemens;
                }
            }
        }
    }
    let solved = conductance.full_piv_lu().solve(&source);
    let mut volts = vec![0.0];
    volts.extend(solved.expect("every node has a way to the common").iter());
    volts
}

/// What is absorbed by every element and device together, and by the larger ones of them.
pub(crate) fn powers(point: &OperatingPoint<'_>, circuit: &Circuit) -> (f64, f64) {
    let network = &circuit.network;
    let (mut sum, mut size) = (0.0, 0.0f64);
    let mut add = |watts: f64| {
        sum += watts;
        size += watts.abs();
    };
    for id in (0u32..).take(network.elements.len()).map(ElementId) {
        add(point.element_volts(id) * point.element_amps(id));
    }
    for (id, slot) in (0u32..)
        .map(deadstage_circuit::DeviceId)
        .zip(&network.devices)
    {
        for (&node, amps) in slot.ports.iter().zip(point.device_amps(id)) {
            add((point.node_volts(node) - point.node_volts(slot.common)) * amps);
        }
    }
    (sum, size)
}

proptest! {
    #![proptest_config(config(300))]

    #[test]
    fn resistors_as_a_general_library_solves_them((nodes, branches) in networks()) {
        let circuit = Circuit::new(&text(&branches));
        let expected = oracle(nodes, &branches);
        let largest = branches.iter().filter_map(|b| b.volts).fold(0.0, f64::max);
        let base = circuit.running();
        let point = healthy(&base);
        for (node, volts) in expected.iter().enumerate() {
            let found = point.node_volts(circuit.node(&name(node)));
            // Either solver leaves some 10⁻¹⁰ of the largest source where there should be nothing.
            let allowed = 1e-9 + 1e-9 * largest + 1e-7 * volts.abs();
            prop_assert!((found - volts).abs() <= allowed, "{found} for {volts}");
        }
    }

    /// B. D. H. Tellegen's theorem (1952): what the sources give, the rest takes.
    #[test]
    fn power_in_is_power_out((_, branches) in networks()) {
        let circuit = Circuit::new(&text(&branches));
        let base = circuit.running();
        let (sum, size) = powers(&healthy(&base), &circuit);
        prop_assert!(sum.abs() <= 1e-9 + 1e-9 * size, "{sum:e} of {size:e} W");
    }

    #[test]
    fn each_source_does_its_part((nodes, branches) in networks()) {
        let circuit = Circuit::new(&text(&branches));
        let base = circuit.running();
        let together = healthy(&base);
        let sources: Vec<ElementId> = (0u32..)
            .zip(&branches)
            .filter(|(_, branch)| branch.volts.is_some())
            .map(|(index, _)| ElementId(index))
            .collect();
        let mut sums = vec![0.0; nodes];
        for &alone in &sources {
            let silent: Vec<Change> = sources
                .iter()
                .filter(|&&other| other != alone)
                .map(|&other| Change::Emf(other, 0.0))
                .collect();
            let point = base.solve(&silent, None, &mut Scratch::default()).expect("it is linear");
            for (node, sum) in sums.iter_mut().enumerate() {
                *sum += point.node_volts(circuit.node(&name(node)));
            }
        }
        let largest = branches.iter().filter_map(|b| b.volts).fold(1.0, f64::max);
        for (node, sum) in sums.iter().enumerate() {
            let found = together.node_volts(circuit.node(&name(node)));
            prop_assert!((found - sum).abs() <= 1e-8 * largest, "{found} for {sum}");
        }
    }

    /// A source in one branch drives the same current through another as it would the other way about.
    #[test]
    fn source_and_ammeter_may_change_places((_, mut branches) in networks()) {
        for branch in &mut branches {
            branch.volts = None;
        }
        prop_assume!(branches.len() >= 2);
        let last = branches.len() - 1;
        let through = |driven: usize, watched: usize| {
            let mut branches = branches.clone();
            branches[driven].volts = Some(100.0);
            let circuit = Circuit::new(&text(&branches));
            let base = circuit.running();
            let watched = ElementId(u32::try_from(watched).expect("a few branches"));
            healthy(&base).element_amps(watched)
        };
        let (there, back) = (through(0, last), through(last, 0));
        let largest = through(0, 0).abs().max(through(last, last).abs());
        prop_assert!((there - back).abs() <= 1e-10 * largest + 1e-12, "{there:e} and {back:e}");
    }
}
