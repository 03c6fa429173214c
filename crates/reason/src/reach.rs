//! Where a probe can be put, and what voltages are about.

use deadstage_netlist::{Access, Place, Stage};

use crate::model::Model;

/// Nodes a probe reaches, the common left out: the stage's test points, or every node where it names none.
pub(crate) fn probe_nodes(stage: &Stage) -> Vec<usize> {
    let mut nodes: Vec<usize> = if stage.test_points.is_empty() {
        (1..stage.nodes.len()).collect()
    } else {
        stage
            .test_points
            .iter()
            .filter_map(|t| match t.point.place {
                Place::Node(node) => Some(node.0 as usize),
                _ => None,
            })
            .filter(|node| *node != 0)
            .collect()
    };
    nodes.sort_unstable();
    nodes.dedup();
    nodes
}

/// How hard a place is to get at.
pub(crate) fn access(stage: &Stage, place: Place) -> Access {
    stage
        .test_points
        .iter()
        .find(|t| t.point.place == place)
        .map_or(Access::Easy, |t| t.access)
}

/// Highest voltage against common of the healthy unit in any situation, volts.
pub(crate) fn highest_volts(model: &Model<'_>) -> f64 {
    let mut scratch = deadstage_circuit::Scratch::default();
    let mut highest = 0.0f64;
    for base in &model.bases[0] {
        if !base.situation().power {
            continue;
        }
        if let Ok(point) = base.solve(&[], None, &mut scratch) {
            for node in 1..model.stage.nodes.len() {
                highest = highest.max(point.node_volts(node).abs());
            }
        }
    }
    highest
}
