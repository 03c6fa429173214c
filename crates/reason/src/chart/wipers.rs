//! Potentiometers whose position is not known: the whole of their travel is
//! tried, for no sensitivity at half-way tells what they do at the ends.

use deadstage_circuit::{
    Change, ElementId, OperatingPoint, Parameter, ParameterKind, Probe, Scratch,
};
use deadstage_netlist::{PartId, PartKind};

use super::View;

/// Parts of the track tried beside the middle.
const POSITIONS: [f64; 4] = [0.0, 0.25, 0.75, 1.0];

/// Least part of a track that is left between wiper and end.
const END_SHARE: f64 = 1e-3;

/// The stage solved over the travel of every potentiometer of unknown position.
pub(super) struct Wipers<'a> {
    travelled: Vec<(PartId, Vec<OperatingPoint<'a>>)>,
}

impl<'a> Wipers<'a> {
    pub(super) fn new(view: &View<'a>, scratch: &mut Scratch) -> Self {
        let mut travelled = Vec::new();
        for (id, part) in (0u32..).map(PartId).zip(&view.stage.parts) {
            let PartKind::Potentiometer {
                ohms,
                position: None,
                ..
            } = &part.kind
            else {
                continue;
            };
            let halves: &[ElementId] = &view.network.part(id).elements;
            let [upper, lower, ..] = *halves else {
                continue;
            };
            let share = |part: f64| ohms.0 * part.max(END_SHARE);
            let solved = POSITIONS
                .into_iter()
                .filter_map(|at| {
                    let overlay = [
                        Change::Ohms(upper, share(at)),
                        Change::Ohms(lower, share(1.0 - at)),
                    ];
                    // A position without an operating point is left out: the others still stand.
                    view.base.solve(&overlay, None, scratch).ok()
                })
                .collect();
            travelled.push((id, solved));
        }
        Self { travelled }
    }

    /// Whether a parameter is the position of one of them.
    pub(super) fn moves(&self, parameter: &Parameter) -> bool {
        matches!(parameter.kind, ParameterKind::Wiper(..))
            && self
                .travelled
                .iter()
                .any(|(part, _)| parameter.part == Some(*part))
    }

    /// How far a reading goes below and above what it is half-way, over the
    /// travel of each; their extremes are not likely together, so they add as squares.
    pub(super) fn travel(&self, volts: f64, probe: &Probe, scratch: &mut Scratch) -> (f64, f64) {
        let (mut below, mut above) = (0.0f64, 0.0f64);
        for (_, solved) in &self.travelled {
            let (mut down, mut up) = (0.0f64, 0.0f64);
            for at in solved {
                let moved = at.read(probe, scratch, None) - volts;
                down = down.max(-moved);
                up = up.max(moved);
            }
            below = below.hypot(down);
            above = above.hypot(up);
        }
        (below, above)
    }
}
