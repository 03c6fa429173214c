//! Where the wipers of potentiometers may stand. No sensitivity at one place
//! tells what they do at the ends of the track, so the stage is solved with
//! each of them moved.

use deadstage_circuit::{
    Change, ElementId, OperatingPoint, Parameter, ParameterKind, Probe, Scratch,
};
use deadstage_netlist::{PartId, PartKind};

use super::{SPREADS, View};

/// Parts of the track tried where the position is not known, beside the middle.
const WHOLE_TRAVEL: [f64; 4] = [0.0, 0.25, 0.75, 1.0];

/// Least part of a track that is left between wiper and end.
const END_SHARE: f64 = 1e-3;

/// The stage solved with each wiper moved as far as it may be off.
pub(super) struct Wipers<'a> {
    moved: Vec<(PartId, Vec<OperatingPoint<'a>>)>,
}

impl<'a> Wipers<'a> {
    pub(super) fn new(view: &View<'a>, scratch: &mut Scratch) -> Self {
        let mut moved = Vec::new();
        for (id, part) in (0u32..).map(PartId).zip(&view.stage.parts) {
            let PartKind::Potentiometer { ohms, position, .. } = &part.kind else {
                continue;
            };
            let halves: &[ElementId] = &view.network.part(id).elements;
            let [upper, lower, ..] = *halves else {
                continue;
            };
            let sigma = view
                .network
                .parameters
                .iter()
                .find(|p| p.part == Some(id) && matches!(p.kind, ParameterKind::Wiper(..)))
                .map_or(0.0, |p| p.sigma);
            let positions = match position {
                None => WHOLE_TRAVEL.to_vec(),
                Some(at) => vec![
                    (at - SPREADS * sigma).max(0.0),
                    (at + SPREADS * sigma).min(1.0),
                ],
            };
            let share = |part: f64| ohms.0 * part.max(END_SHARE);
            let solved = positions
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
            moved.push((id, solved));
        }
        Self { moved }
    }

    /// Whether a parameter is the place of one of these wipers.
    pub(super) fn moves(&self, parameter: &Parameter) -> bool {
        matches!(parameter.kind, ParameterKind::Wiper(..))
            && self
                .moved
                .iter()
                .any(|(part, _)| parameter.part == Some(*part))
    }

    /// How far below and above its middle `measure` of a reading goes as each
    /// wiper is moved. Their ends are not likely together: they add as squares.
    pub(super) fn travel(
        &self,
        middle: f64,
        probe: &Probe,
        measure: impl Fn(f64) -> f64,
        scratch: &mut Scratch,
    ) -> (f64, f64) {
        let (mut below, mut above) = (0.0f64, 0.0f64);
        for (_, solved) in &self.moved {
            let (mut down, mut up) = (0.0f64, 0.0f64);
            for at in solved {
                let off = measure(at.read(probe, scratch, None)) - middle;
                down = down.max(-off);
                up = up.max(off);
            }
            below = below.hypot(down);
            above = above.hypot(up);
        }
        (below, above)
    }
}
