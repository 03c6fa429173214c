//! Which nodes of a stage can carry a current at all.
//!
//! What hangs on the rest of the stage at one node, with neither a source nor a device in it, carries no direct current: all of it
//! stands at that node's voltage, and a path from it is a path from there. Nor does an island without either. Such nodes
//! are left out where places are counted, so that a part that is connected to nothing, or drawn and not used, changes no answer.

use deadstage_netlist::{COMMON, PartKind, Stage};
use petgraph::unionfind::UnionFind;

/// By node, whether it is the common, or some source or device may drive a current through it.
pub(crate) fn live_nodes(stage: &Stage) -> Vec<bool> {
    let count = stage.nodes.len();
    let common = COMMON.0 as usize;
    let mut live = vec![true; count];
    // Whatever a single node holds up comes off with it.
    for cut in 0..count {
        let mut parted = UnionFind::<usize>::new(count);
        let mut driven = Vec::new();
        for part in &stage.parts {
            let ends = part.kind.terminals().into_iter();
            let mut ends = ends.map(|node| node.0 as usize).filter(|&node| node != cut);
            let Some(first) = ends.next() else { continue };
            ends.for_each(|node| {
                parted.union(first, node);
            });
            if may_drive(&part.kind) {
                driven.push(first);
            }
        }
        if cut != common {
            driven.push(common);
        }
        let mut is_driven = vec![false; count];
        for node in driven {
            is_driven[parted.find(node)] = true;
        }
        for (node, live) in live.iter_mut().enumerate() {
            *live &= node == cut || is_driven[parted.find(node)];
        }
    }
    live
}

/// Whether a part may drive a current by itself: a tube's grid does, by what its cathode sends it.
fn may_drive(kind: &PartKind) -> bool {
    match kind {
        PartKind::Supply { .. }
        | PartKind::Rectifier { .. }
        | PartKind::Tube { .. }
        | PartKind::Diode { .. }
        | PartKind::Regulator { .. }
        | PartKind::Transistor { .. } => true,
        PartKind::Resistor { .. }
        | PartKind::Potentiometer { .. }
        | PartKind::Capacitor { .. }
        | PartKind::Choke { .. }
        | PartKind::Winding { .. }
        | PartKind::Lamp { .. }
        | PartKind::Fuse { .. }
        | PartKind::Link { .. }
        | PartKind::Thermistor { .. }
        | PartKind::Switch { .. }
        | PartKind::Relay { .. }
        | PartKind::Contact { .. }
        | PartKind::Meter { .. } => false,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::test_bench::{TRIODE, stage};

    fn dead(more: &str) -> Vec<String> {
        let stage = stage(&format!("{TRIODE}{more}"));
        let live = live_nodes(&stage);
        let nodes = stage.nodes.iter().zip(live);
        nodes
            .filter(|(_, live)| !live)
            .map(|(node, _)| node.name.clone())
            .collect()
    }

    #[test]
    fn every_node_of_a_working_stage_is_live() {
        assert_eq!(dead(""), [""; 0]);
        // A second supply on an island of its own drives that.
        assert_eq!(
            dead("supply B2 6V from up to down\nresistor R9 1k from up to down\n"),
            [""; 0]
        );
        // What a coupling capacitor leads to is live: it may leak.
        assert_eq!(
            dead("capacitor C9 1n mica from plate to chassis\n"),
            [""; 0]
        );
    }

    #[test]
    fn islands_and_stubs_are_dead() {
        let more = "resistor R11 1k from lone to far\n\
                    resistor R12 1k from plate to end\n\
                    resistor R13 1k from grid to x\nresistor R14 1k from x to y\n\
                    resistor R15 1k from x to z\nresistor R16 1k from y to z\n\
                    winding T9 100 from sound to chassis\nresistor R17 8 from sound to chassis\n";
        assert_eq!(dead(more), ["lone", "far", "end", "x", "y", "z", "sound"]);
    }
}
