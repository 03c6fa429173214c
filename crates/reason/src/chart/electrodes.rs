//! What of the tubes hangs at a node: `V1 plate`, `V1 pin 6`.

use deadstage_circuit::electrode_name;
use deadstage_netlist::{Electrode, NodeId, PartId, PartKind, Stage, TubeNames};

use super::bottle_name;

/// By node, the electrodes there as a point names them, each with its pins behind it.
pub(super) fn by_node(stage: &Stage, names: &TubeNames) -> Vec<Vec<String>> {
    let mut all = vec![Vec::new(); stage.nodes.len()];
    for (id, part) in (0u32..).map(PartId).zip(&stage.parts) {
        let wired = wired(&part.kind);
        if wired.is_empty() {
            continue;
        }
        let name = bottle_name(stage, id);
        for (NodeId(node), electrode, word) in wired {
            let here = &mut all[node as usize];
            here.push(format!("{name} {word}"));
            let pins = electrode.map(|electrode| pins(stage, &part.kind, electrode, names));
            for pin in pins.into_iter().flatten() {
                here.push(format!("{} pin {pin}", part.name));
            }
        }
    }
    all
}

/// Electrodes of a part: where each is, which of a tube's it is, and its word.
fn wired(kind: &PartKind) -> Vec<(NodeId, Option<Electrode>, &'static str)> {
    let tube = |at: NodeId, electrode| (at, Some(electrode), electrode_name(electrode));
    match kind {
        PartKind::Tube { electrodes, .. } => electrodes
            .iter()
            .map(|&(electrode, at)| tube(at, electrode))
            .collect(),
        PartKind::Regulator { from, to, .. } => {
            vec![tube(*from, Electrode::Plate), tube(*to, Electrode::Cathode)]
        }
        PartKind::Diode {
            from,
            to,
            diode_type,
        } if is_solid(diode_type) => vec![(*from, None, "anode"), (*to, None, "cathode")],
        PartKind::Diode { from, to, .. } => {
            vec![tube(*from, Electrode::Plate), tube(*to, Electrode::Cathode)]
        }
        // Its plates are on the winding, where there is no DC to probe.
        PartKind::Rectifier { from, .. } => vec![tube(*from, Electrode::Cathode)],
        PartKind::Transistor {
            emitter,
            base,
            collector,
            ..
        } => vec![
            (*emitter, None, "emitter"),
            (*base, None, "base"),
            (*collector, None, "collector"),
        ],
        PartKind::Potentiometer { wiper, .. } => vec![(*wiper, None, "wiper")],
        _ => Vec::new(),
    }
}

/// Pins of an electrode by the basing of the part's type; none where the stage defines the type itself.
fn pins(stage: &Stage, kind: &PartKind, electrode: Electrode, names: &TubeNames) -> Vec<u8> {
    let (tube_type, unit) = match kind {
        PartKind::Tube {
            tube_type, unit, ..
        } => (tube_type, unit.unwrap_or(1)),
        PartKind::Regulator { tube_type, .. } | PartKind::Rectifier { tube_type, .. } => {
            (tube_type, 1)
        }
        PartKind::Diode { diode_type, .. } => (diode_type, 1),
        _ => return Vec::new(),
    };
    let own = stage
        .tube_types
        .iter()
        .any(|defined| defined.name.eq_ignore_ascii_case(tube_type));
    if own {
        return Vec::new();
    }
    names
        .find(tube_type)
        .and_then(|known| known.units.get(usize::from(unit).saturating_sub(1)))
        .into_iter()
        .flatten()
        // Pin 0 stands for a top cap.
        .filter(|(of, pin)| *of == electrode && *pin != 0)
        .map(|(_, pin)| *pin)
        .collect()
}

/// Whether a diode's type is a solid one, which no heater turns on.
pub(super) fn is_solid(diode_type: &str) -> bool {
    ["silicon", "germanium", "selenium"]
        .iter()
        .any(|solid| diode_type.eq_ignore_ascii_case(solid))
}
