//! In which column each tube stands: signal runs from left to right.

use crate::roles::Role;
use crate::wiring::Wiring;
use deadstage_netlist::Electrode;
use petgraph::algo::has_path_connecting;
use petgraph::graph::{DiGraph, NodeIndex};
use petgraph::unionfind::UnionFind;
use std::collections::BTreeMap;

/// Parts between a plate and the next grid, at most.
const FARTHEST: usize = 8;

/// A tube's place: its part and its column.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Seat {
    pub(crate) part: usize,
    pub(crate) column: usize,
}

/// Seats of all devices, columns in order, each column from above.
///
/// `stacked` stand on another's load, in its column; `pairs` stand one over the other.
pub(crate) fn seats(
    wiring: &Wiring,
    roles: &[Role],
    stacked: &[usize],
    pairs: &[[usize; 2]],
) -> Vec<Seat> {
    let devices: Vec<usize> = (0..wiring.parts.len())
        .filter(|&part| wiring.parts[part].is_device())
        .collect();
    let index: BTreeMap<usize, usize> = devices.iter().enumerate().map(|(i, &d)| (d, i)).collect();
    let mut graph = DiGraph::<(), ()>::new();
    let nodes: Vec<NodeIndex> = devices.iter().map(|_| graph.add_node(())).collect();
    let mut groups = UnionFind::<usize>::new(devices.len());
    let mut arcs: Vec<(usize, usize, usize)> = Vec::new();
    for (from, &device) in devices.iter().enumerate() {
        for (to, length) in reach(wiring, roles, device) {
            arcs.push((length, from, index[&to]));
        }
    }
    arcs.sort_unstable();
    for (_, from, to) in arcs {
        groups.union(from, to);
        if !has_path_connecting(&graph, nodes[to], nodes[from], None) {
            graph.add_edge(nodes[from], nodes[to], ());
        }
    }
    let mut twins = twins(wiring, roles, &devices);
    twins.extend(pairs.iter().map(|pair| (index[&pair[0]], index[&pair[1]])));
    for &(a, b) in &twins {
        groups.union(a, b);
    }
    let columns = columns(&graph, &nodes, &twins);
    flow(&devices, &columns, &groups, stacked)
}

/// Longest way from a beginning; twins stand in one column.
fn columns(graph: &DiGraph<(), ()>, nodes: &[NodeIndex], twins: &[(usize, usize)]) -> Vec<usize> {
    let mut columns = vec![0usize; nodes.len()];
    // Twins may push each other on without end: so many rounds are enough for any chain.
    for _ in 0..=nodes.len() {
        let before = columns.clone();
        for edge in graph.edge_indices() {
            if let Some((from, to)) = graph.edge_endpoints(edge) {
                let least = columns[from.index()] + 1;
                columns[to.index()] = columns[to.index()].max(least);
            }
        }
        for &(a, b) in twins {
            let linked = has_path_connecting(graph, nodes[a], nodes[b], None)
                || has_path_connecting(graph, nodes[b], nodes[a], None);
            if !linked {
                let both = columns[a].max(columns[b]);
                columns[a] = both;
                columns[b] = both;
            }
        }
        if columns == before {
            break;
        }
    }
    columns
}

/// One component behind the other, in the order of the parts list.
fn flow(
    devices: &[usize],
    columns: &[usize],
    groups: &UnionFind<usize>,
    stacked: &[usize],
) -> Vec<Seat> {
    let mut order: Vec<usize> = Vec::new();
    for i in 0..devices.len() {
        let group = groups.find(i);
        if !order.contains(&group) {
            order.push(group);
        }
    }
    let mut seats = Vec::new();
    let mut first = 0;
    for group in order {
        let mut used: Vec<usize> = (0..devices.len())
            .filter(|&i| groups.find(i) == group && !stacked.contains(&devices[i]))
            .map(|i| columns[i])
            .collect();
        used.sort_unstable();
        used.dedup();
        for i in (0..devices.len()).filter(|&i| groups.find(i) == group) {
            if let Ok(column) = used.binary_search(&columns[i])
                && !stacked.contains(&devices[i])
            {
                seats.push(Seat {
                    part: devices[i],
                    column: first + column,
                });
            }
        }
        first += used.len();
    }
    seats.sort_by_key(|seat| (seat.column, seat.part));
    seats
}

/// Devices whose grids a device drives, and over how many parts.
fn reach(wiring: &Wiring, roles: &[Role], device: usize) -> Vec<(usize, usize)> {
    let mut found: BTreeMap<usize, usize> = BTreeMap::new();
    for (electrode, toll) in [(Electrode::Plate, 0), (Electrode::Cathode, 3)] {
        let Some(pin) = wiring.parts[device].electrode(electrode) else {
            continue;
        };
        let start = wiring.net(device, pin);
        if roles[start] != Role::Signal {
            continue;
        }
        let mut seen = vec![start];
        let mut front = vec![start];
        for length in 0..FARTHEST {
            let mut next = Vec::new();
            for net in front {
                let mut drives = false;
                for &(part, pin) in &wiring.on[net] {
                    let entry = wiring.parts[part].pins[pin].electrode;
                    if part != device && matches!(entry, Some(Electrode::Grid | Electrode::Grid3)) {
                        drives = true;
                        let total = length + toll;
                        let best = found.entry(part).or_insert(total);
                        *best = (*best).min(total);
                    }
                }
                if !drives {
                    next.extend(neighbours(wiring, roles, net));
                }
            }
            next.retain(|net| !seen.contains(net));
            next.sort_unstable();
            next.dedup();
            seen.extend(&next);
            front = next;
        }
    }
    found.into_iter().collect()
}

/// Signal nets one part away, through a transformer too.
fn neighbours(wiring: &Wiring, roles: &[Role], net: usize) -> Vec<usize> {
    let mut nets = Vec::new();
    for part in wiring.parts_on(net) {
        if wiring.parts[part].is_device() {
            continue;
        }
        nets.extend(wiring.beyond(part, net));
        if let Some(transformer) = wiring.parts[part].transformer {
            for mate in &wiring.parts {
                if mate.transformer == Some(transformer) {
                    nets.extend(mate.pins.iter().map(|pin| pin.net));
                }
            }
        }
    }
    nets.retain(|&far| roles[far] == Role::Signal && far != net);
    nets
}

/// Pairs that share a cathode.
fn twins(wiring: &Wiring, roles: &[Role], devices: &[usize]) -> Vec<(usize, usize)> {
    let cathode = |device: usize| {
        let pin = wiring.parts[device].electrode(Electrode::Cathode)?;
        let net = wiring.net(device, pin);
        (roles[net] == Role::Signal).then_some(net)
    };
    let mut twins = Vec::new();
    for (a, &first) in devices.iter().enumerate() {
        for (b, &second) in devices.iter().enumerate().skip(a + 1) {
            if cathode(first).is_some() && cathode(first) == cathode(second) {
                twins.push((a, b));
            }
        }
    }
    twins
}
