//! The network's nodal equations: which entries there may be, worked out once.
//!
//! The unknowns are the node voltages in the order of elimination; behind
//! them stands a place for the common node, which is always at nought.

use std::sync::Arc;

use deadstage_parts::MAX_PORTS;

use super::socket::Socket;
use super::tap::{Tap, untied};
use crate::linalg::elimination::Elimination;
use crate::network::Network;
use crate::situation::Values;

/// The pattern of a network's equations.
#[derive(Clone, Debug)]
pub(crate) struct NodalPattern {
    pub(crate) elimination: Arc<Elimination>,
    sockets: Vec<Socket>,
    /// By port of the network.
    pub(crate) port_taps: Vec<Tap>,
    /// The same, by the places of the unknowns.
    pub(crate) port_ends: Vec<[u32; 2]>,
    /// By unknown, and behind them, its node.
    pub(super) nodes: Vec<u32>,
}

impl NodalPattern {
    /// `None`: the network is too closely meshed.
    pub(crate) fn new(network: &Network) -> Option<Self> {
        let size = network.nodes - 1;
        let unknown = |node: usize| node.checked_sub(1).unwrap_or(size);
        let mut places = Vec::with_capacity(network.elements.len());
        let mut join = |a: usize, b: usize| {
            if a != size && b != size && a != b {
                places.push((a, b));
            }
        };
        for element in &network.elements {
            join(unknown(element.from), unknown(element.to));
        }
        for slot in &network.devices {
            for (k, &port) in slot.ports.iter().enumerate() {
                join(unknown(port), unknown(slot.common));
                for &other in &slot.ports[k + 1..] {
                    join(unknown(port), unknown(other));
                }
            }
        }
        let elimination = Arc::new(Elimination::new(size, &places)?);
        let sockets = network
            .devices
            .iter()
            .map(|slot| {
                let ports = slot.ports.len();
                let mut socket = Socket {
                    ports,
                    nodes: [0; MAX_PORTS + 1],
                    places: [[0; MAX_PORTS + 1]; MAX_PORTS + 1],
                };
                let all = slot.ports.iter().copied().chain([slot.common]);
                for (at, node) in socket.nodes.iter_mut().zip(all) {
                    *at = index(&elimination, node);
                }
                for a in 0..=ports {
                    for b in 0..=ports {
                        let (row, column) = (socket.nodes[a], socket.nodes[b]);
                        socket.places[a][b] =
                            u32::try_from(place(&elimination, row, column)?).ok()?;
                    }
                }
                Some(socket)
            })
            .collect::<Option<_>>()?;
        let mut this = Self {
            elimination,
            sockets,
            port_taps: Vec::new(),
            port_ends: Vec::new(),
            nodes: vec![0; network.nodes],
        };
        for (node, name) in (0..network.nodes).zip(0u32..) {
            this.nodes[index(&this.elimination, node) as usize] = name;
        }
        this.port_taps = network
            .devices
            .iter()
            .flat_map(|slot| slot.ports.iter().map(|&port| (port, slot.common)))
            .map(|(port, common)| this.tap(port, common))
            .collect();
        let ends = |socket: &Socket| {
            (0..socket.ports)
                .map(|p| socket.ends(p))
                .collect::<Vec<_>>()
        };
        this.port_ends = this.sockets.iter().flat_map(ends).collect();
        Some(this)
    }

    /// Voltage between two nodes, in the order of the unknowns.
    pub(crate) fn tap(&self, from: usize, to: usize) -> Tap {
        let step = |node: usize| Some(self.elimination.step_of(node.checked_sub(1)?));
        Tap::of_unknowns(step(from), step(to))
    }

    /// Where a node stands among the unknowns; the common one behind them.
    pub(crate) fn index(&self, node: usize) -> usize {
        index(&self.elimination, node) as usize
    }

    /// Nodes that hang on a stray leak with these values, by their own numbers.
    pub(crate) fn stray_nodes(&self, network: &Network, values: &Values) -> Vec<usize> {
        let elements = network.elements.iter().zip(&values.elements);
        let elements = elements.map(|(e, value)| (e.from, e.to, value.ohms));
        let paths = elements.chain(values.shunts.iter().copied());
        let paths = paths.filter(|path| path.2.is_finite());
        untied(
            network.nodes,
            paths
                .map(|(from, to, _)| (from, to))
                .chain(values.insulated(network)),
        )
    }

    /// Socket of a device.
    pub(crate) fn socket(&self, device: usize) -> &Socket {
        &self.sockets[device]
    }
}

/// Index of a node among the unknowns; the common's is behind them.
pub(super) fn index(elimination: &Elimination, node: usize) -> u32 {
    let step = node
        .checked_sub(1)
        .map(|unknown| elimination.step_of(unknown));
    u32::try_from(step.unwrap_or(elimination.size())).unwrap_or(u32::MAX)
}

/// KeptColumn of an entry; that of the common node is nowhere.
pub(super) fn place(elimination: &Elimination, row: u32, column: u32) -> Option<usize> {
    if row.max(column) as usize == elimination.size() {
        return Some(elimination.nowhere());
    }
    elimination.find(row, column)
}

/// Voltage between two unknowns.
#[inline]
pub(crate) fn between([from, to]: [u32; 2], x: &[f64]) -> f64 {
    x[from as usize] - x[to as usize]
}
