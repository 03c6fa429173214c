//! Which choke a rectifier works into, and on what mains: what the text says
//! only by where things are wired.

use deadstage_netlist::{COMMON, NodeId, PartId, PartKind, Stage};
use deadstage_parts::MAINS_HERTZ;

/// Mains of 150 V and below is taken as 60 Hz, above as 50 Hz (common practice, no source).
const HIGHEST_60_HERTZ_VOLTS: f64 = 150.0;

/// Frequency that the stage's mains is taken to have, hertz.
pub fn mains_hertz(stage: &Stage) -> f64 {
    match stage.line {
        Some(line) if line.0 > HIGHEST_60_HERTZ_VOLTS => 50.0,
        _ => MAINS_HERTZ,
    }
}

/// The choke that carries all that a rectifier delivers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct InputChoke {
    /// The choke.
    pub part: PartId,
    /// Its inductance, where written.
    pub henries: Option<f64>,
    /// Positive and negative end of what it feeds.
    pub behind: (NodeId, NodeId),
}

/// The choke at a rectifier's output, or else in its return.
///
/// At the common node of the stage much else is wired: there a choke counts
/// only where nothing but it and the rectifier is.
pub fn input_choke(stage: &Stage, output: NodeId, back: NodeId) -> Option<InputChoke> {
    let at = |node: NodeId| {
        let choke = (0u32..)
            .map(PartId)
            .zip(&stage.parts)
            .find_map(|(id, part)| {
                let PartKind::Choke {
                    henries, from, to, ..
                } = part.kind
                else {
                    return None;
                };
                let other = if from == node {
                    to
                } else if to == node {
                    from
                } else {
                    return None;
                };
                Some((id, henries.map(|h| h.0), other))
            })?;
        (node != COMMON || parts_at(stage, node) == 2).then_some(choke)
    };
    if let Some((part, henries, other)) = at(output) {
        return Some(InputChoke {
            part,
            henries,
            behind: (other, back),
        });
    }
    let (part, henries, other) = at(back)?;
    Some(InputChoke {
        part,
        henries,
        behind: (output, other),
    })
}

/// Parts wired to a node.
fn parts_at(stage: &Stage, node: NodeId) -> usize {
    let parts = stage.parts.iter();
    parts
        .filter(|part| part.kind.terminals().contains(&node))
        .count()
}
