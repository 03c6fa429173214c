//! Kirchhoff's current law at a point, and the currents of wires by it.
//!
//! Milliohms between two nodes of some hundred volts: the difference of their voltages says nothing of the current
//! between them. That follows from what all else brings to the nodes: along a tree of such wires, leaves first, each
//! carries what those behind it need. Where wires close a loop the last of it goes by its volts.

use petgraph::unionfind::UnionFind;

use super::OperatingPoint;
use crate::equations::tap::STRAY_LEAK_OHMS;
use crate::network::{ElementId, LEAST_OHMS, STIFF_OHMS};

/// Currents of elements, and of further paths, of so little resistance that the law tells them better than their volts.
#[derive(Clone, Debug, Default)]
pub(super) struct StiffCurrents {
    /// By element; `None` where its volts tell.
    elements: Vec<Option<f64>>,
    /// By further path.
    shunts: Vec<Option<f64>>,
}

/// A wire of the tree, or one that closes a loop.
#[derive(Clone, Copy)]
struct Wire {
    from: usize,
    to: usize,
    /// Element, or behind the elements a further path.
    index: usize,
}

impl OperatingPoint<'_> {
    /// Current of an element whose volts do not tell it.
    pub(super) fn stiff_amps(&self, id: ElementId) -> Option<f64> {
        let ohms = self.values().elements[id.0 as usize].ohms;
        if ohms >= STIFF_OHMS {
            return None;
        }
        self.stiff().elements[id.0 as usize]
    }

    fn stiff(&self) -> &StiffCurrents {
        self.stiff.get_or_init(|| self.find_stiff())
    }

    fn find_stiff(&self) -> StiffCurrents {
        let network = self.network();
        let values = self.values();
        let elements = network.elements.iter().zip(&values.elements);
        let elements = elements.map(|(e, value)| (e.from, e.to, value.ohms));
        let paths: Vec<_> = elements.chain(values.shunts.iter().copied()).collect();
        let mut joined = UnionFind::<usize>::new(network.nodes);
        let mut tree: Vec<Wire> = Vec::new();
        let mut told = vec![None; paths.len()];
        for (index, &(from, to, ohms)) in paths.iter().enumerate() {
            if ohms < STIFF_OHMS && from != to && joined.union(from, to) {
                tree.push(Wire { from, to, index });
            }
        }
        let mut needs = self.left_over(|index| tree.iter().any(|wire| wire.index == index));
        for (wire, amps) in follow_leaves(network.nodes, &tree, &mut needs) {
            told[wire.index] = Some(amps);
        }
        let shunts = told.split_off(network.elements.len());
        StiffCurrents {
            elements: told,
            shunts,
        }
    }

    /// Currents out of every node, but for those of paths that are left out.
    fn left_over(&self, is_out: impl Fn(usize) -> bool) -> Vec<f64> {
        let mut left = vec![0.0; self.network().nodes];
        self.each_current(is_out, |_, _| None, |node, amps| left[node] += amps);
        left
    }

    /// Calls `add` with every current out of a node. A path whose current is `known` has that, others what their volts say.
    fn each_current(
        &self,
        is_out: impl Fn(usize) -> bool,
        known: impl Fn(usize, bool) -> Option<f64>,
        mut add: impl FnMut(usize, f64),
    ) {
        let network = self.network();
        let values = self.values();
        let x = &self.converged.unknowns;
        let volts = |from: usize, to: usize| self.pattern.tap(from, to).of(x);
        let elements = network.elements.iter().zip(&values.elements);
        for (index, (element, value)) in elements.enumerate() {
            if !is_out(index) {
                let told = || (volts(element.from, element.to) - value.emf) / value.ohms;
                let amps = known(index, true).unwrap_or_else(told);
                add(element.from, amps);
                add(element.to, -amps);
            }
        }
        for (index, &(from, to, ohms)) in values.shunts.iter().enumerate() {
            if !is_out(network.elements.len() + index) {
                let told = || volts(from, to) / ohms.max(LEAST_OHMS);
                let amps = known(index, false).unwrap_or_else(told);
                add(from, amps);
                add(to, -amps);
            }
        }
        for slot in &network.devices {
            for (port, &node) in slot.ports.iter().enumerate() {
                let amps = self.converged.state.amps[slot.first_port + port];
                add(node, amps);
                add(slot.common, -amps);
            }
        }
        if let Some(bench) = values.bench {
            add(bench.from, -bench.amps);
            add(bench.to, bench.amps);
        }
        for node in self.pattern.stray_nodes(network, values) {
            add(node, self.node_volts(node) / STRAY_LEAK_OHMS);
        }
    }

    /// Largest current left over at any node: the node's index, what is left over, and what passes there, A.
    /// Every element and device is asked again for its current.
    pub fn kirchhoff(&self) -> (usize, f64, f64) {
        let nodes = self.network().nodes;
        let (mut left, mut through) = (vec![0.0; nodes], vec![0.0f64; nodes]);
        let stiff = self.stiff();
        let known = |index: usize, is_element: bool| match is_element {
            true => stiff.elements[index],
            false => stiff.shunts[index],
        };
        self.each_current(
            |_| false,
            known,
            |node, amps| {
                left[node] += amps;
                through[node] += amps.abs();
            },
        );
        let nodes = left.iter().enumerate().skip(1);
        let (node, amps) = nodes.fold((0, 0.0), |worst: (usize, f64), (node, amps)| {
            if amps.abs() > worst.1 {
                (node, amps.abs())
            } else {
                worst
            }
        });
        (node, amps, through[node])
    }
}

/// Takes the leaves off a forest one after another, each wire with the current that what hangs behind it `needs`,
/// the common node last of all.
fn follow_leaves(nodes: usize, tree: &[Wire], needs: &mut [f64]) -> Vec<(Wire, f64)> {
    let mut at: Vec<Vec<usize>> = vec![Vec::new(); nodes];
    for (k, wire) in tree.iter().enumerate() {
        at[wire.from].push(k);
        at[wire.to].push(k);
    }
    let mut degree: Vec<usize> = at.iter().map(Vec::len).collect();
    let mut leaves: Vec<usize> = (1..nodes).filter(|&node| degree[node] == 1).collect();
    let mut is_off = vec![false; tree.len()];
    let mut found = Vec::with_capacity(tree.len());
    while let Some(leaf) = leaves.pop() {
        let Some(&k) = at[leaf].iter().find(|&&k| !is_off[k]) else {
            continue;
        };
        let wire = tree[k];
        let other = wire.from + wire.to - leaf;
        is_off[k] = true;
        // All currents out of the leaf add up to nothing.
        let out = -needs[leaf];
        found.push((wire, if leaf == wire.from { out } else { -out }));
        needs[leaf] = 0.0;
        needs[other] -= out;
        degree[leaf] = 0;
        degree[other] -= 1;
        if degree[other] == 1 && other != 0 {
            leaves.push(other);
        }
    }
    found
}
