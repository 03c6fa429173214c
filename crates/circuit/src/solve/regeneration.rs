//! Which devices may hold one another, and which cannot.
//!
//! Each device is a node of a graph; an edge goes where the swing of one reaches a control of another, and its weight is how
//! far that one's own output may swing for it: the share of the swing that comes through the network, all devices out,
//! times the amplification factor. Where no way round multiplies to more than one, a difference dies away on its way
//! round, and the state is the only one. What this leaves out of the search for further states is
//! all of an ordinary chain, whose way back runs through the supply's resistance alone.

use deadstage_parts::Device;
use petgraph::algo::{find_negative_cycle, tarjan_scc};
use petgraph::graph::{DiGraph, NodeIndex};
use petgraph::visit::{EdgeFiltered, EdgeRef};

use super::solver::Solver;
use crate::equations::factors::Factors;
use crate::network::DeviceId;

/// Amplification factor taken for what has no figure of its own: pentodes and transistors.
const MOST_GAIN: f64 = 1000.0;

/// An edge of less weight than this counts for nothing: no stage in a loop makes up for it.
const LEAST_WEIGHT: f64 = 1e-6;

/// Loops of more devices than this are not followed round: all of them are taken to hold one another.
const MOST_FOLLOWED: usize = 300;

impl Solver<'_> {
    /// Of these devices, those that lie in a loop which may hold itself.
    pub(super) fn regenerative(&self, devices: Vec<DeviceId>) -> Vec<DeviceId> {
        let Some(graph) = self.control_graph(&devices) else {
            return devices;
        };
        let mut found: Vec<DeviceId> = Vec::new();
        let components = tarjan_scc(&graph);
        let mut component = vec![0; graph.node_count()];
        for (index, loops) in components.iter().enumerate() {
            for node in loops {
                component[node.index()] = index;
            }
        }
        let of = |node: NodeIndex| component[node.index()];
        let within = EdgeFiltered::from_fn(&graph, |edge| of(edge.source()) == of(edge.target()));
        for loops in &components {
            let holds = match loops.as_slice() {
                [] | [_] => false,
                [first, ..] => {
                    loops.len() > MOST_FOLLOWED || find_negative_cycle(&within, *first).is_some()
                }
            };
            if holds {
                found.extend(loops.iter().map(|node| graph[*node]));
            }
        }
        found.sort_unstable_by_key(|device| device.0);
        found
    }

    /// By device, which others its swing reaches; the weights are −ln of those above. `None`: the network without devices
    /// has no solution.
    fn control_graph(&self, devices: &[DeviceId]) -> Option<DiGraph<DeviceId, f64>> {
        let mut values = self.values.clone();
        values.present.fill(false);
        let stamped = self.pattern.stamped(self.network, &values, &[]);
        let mut factors = Factors::default();
        factors.begin(&stamped);
        factors.finish(&self.pattern.elimination, &stamped.extras)?;
        let mut graph = DiGraph::new();
        let nodes: Vec<_> = devices.iter().map(|d| graph.add_node(*d)).collect();
        for (from, device) in nodes.iter().zip(devices) {
            let reached = self.reached(*device, devices, &mut factors);
            for (to, weight) in nodes.iter().zip(reached) {
                if from != to && weight > LEAST_WEIGHT {
                    graph.add_edge(*from, *to, -weight.ln());
                }
            }
        }
        Some(graph)
    }

    /// By device, how far its output may swing, in volts, where that of `by` swings by one volt.
    fn reached(&self, by: DeviceId, devices: &[DeviceId], factors: &mut Factors) -> Vec<f64> {
        let elimination = &self.pattern.elimination;
        let slot = &self.network.devices[by.0 as usize];
        // What the control itself draws is not what holds another.
        let ports = slot.ports.iter().enumerate();
        let outputs = ports
            .filter(|(port, _)| *port != CONTROL)
            .map(|(_, node)| *node);
        let mut ends: Vec<usize> = outputs.chain([slot.common]).collect();
        ends.sort_unstable();
        ends.dedup();
        let mut reached = vec![0.0_f64; devices.len()];
        for node in ends.into_iter().filter(|node| *node != 0) {
            let tap = self.pattern.tap(node, 0);
            let mut rise = vec![0.0; elimination.size() + 1];
            tap.add_to(&mut rise, 1.0);
            factors.solve(elimination, &mut rise);
            let own = tap.of(&rise);
            for (weight, device) in reached.iter_mut().zip(devices) {
                let slot = &self.network.devices[device.0 as usize];
                let taps = &self.pattern.port_taps[slot.first_port..][..slot.law.ports()];
                let moved = taps[CONTROL..]
                    .iter()
                    .map(|tap| (tap.of(&rise) / own).abs());
                let most = moved.fold(0.0, f64::max) * gain(&slot.law);
                *weight = weight.max(most);
            }
        }
        reached
    }
}

/// Port between control and cathode.
const CONTROL: usize = 1;

/// The most that an output swings for one volt at a control: a triode without load has its amplification factor, with one less.
fn gain(law: &Device) -> f64 {
    match law {
        Device::Tube(tube) if tube.ports() == 2 => tube.amplification_factor(),
        _ => MOST_GAIN,
    }
}
