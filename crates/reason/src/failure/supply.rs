//! Failures of a supply's filter: of what they leave it depends on how it is wired.

use deadstage_circuit::{Base, DeviceId, DeviceSlot, Network, input_choke};
use deadstage_netlist::{
    COMMON, FilterInput, NodeId, PartId, PartKind, RectifierConnection, Stage,
};
use deadstage_parts::{self as parts, Measure, Mode, ParameterPrior};

use super::{Action, Failure};

/// From this capacitance on a capacitor behind a rectifier is its reservoir, farads (common practice, no source).
const RESERVOIR_FARADS: f64 = 1e-6;

/// The rectifier whose only reservoir this part is, and how far above the average of the rectified
/// wave its output may then stand: not at all before a choke, up to the peak before a
/// resistor and the next capacitor, which no average law follows (an estimate).
pub(super) fn reservoir_of(
    stage: &Stage,
    network: &Network,
    id: PartId,
) -> Option<(DeviceId, ParameterPrior)> {
    let across = |ends: Option<(NodeId, NodeId)>, other: (NodeId, NodeId)| {
        ends.is_some_and(|(a, b)| (a, b) == other || (b, a) == other)
    };
    let PartKind::Capacitor { .. } = stage.part(id).kind else {
        return None;
    };
    let ends = stage.part(id).kind.ends()?;
    let reservoirs = stage.parts.iter().filter(|part| match part.kind {
        PartKind::Capacitor { farads, .. } => {
            farads.0 >= RESERVOIR_FARADS && across(part.kind.ends(), ends)
        }
        _ => false,
    });
    let is_large = reservoirs.count() == 1
        && matches!(stage.part(id).kind, PartKind::Capacitor { farads, .. } if farads.0 >= RESERVOIR_FARADS);
    let (rectifier, plus) =
        (0u32..)
            .map(PartId)
            .zip(&stage.parts)
            .find_map(|(rectifier, part)| match part.kind {
                PartKind::Rectifier {
                    connection,
                    filter: FilterInput::Capacitor,
                    from,
                    to,
                    ..
                } if connection != RectifierConnection::Doubler
                    && across(Some((from, to)), ends) =>
                {
                    Some((rectifier, if from.0 == 0 { to } else { from }))
                }
                _ => None,
            })?;
    let device = network.part(rectifier).device.filter(|_| is_large)?;
    let before_choke = stage.parts.iter().any(|part| match part.kind {
        PartKind::Choke { from, to, .. } | PartKind::Winding { from, to, .. } => {
            from == plus || to == plus
        }
        _ => false,
    });
    let prior = if before_choke {
        ParameterPrior::None
    } else {
        ParameterPrior::Uniform {
            low: 1.0,
            high: 1.4,
            measure: Measure::Ratio,
        }
    };
    Some((device, prior))
}

/// The supply whose input choke this part is, where a reservoir's worth of capacitance lies
/// behind it: without, the load takes the rectified wave as it is, choke or none.
pub(super) fn choked_by(stage: &Stage, network: &Network, id: PartId) -> Option<DeviceId> {
    let of_choke = |slot: &DeviceSlot| slot.input_choke == Some(id);
    let index = network.devices.iter().position(of_choke)?;
    let slot = &network.devices[index];
    let node = |index: usize| u32::try_from(index).ok().map(NodeId);
    let choke = input_choke(stage, node(*slot.ports.first()?)?, node(slot.common)?)?;
    let (plus, minus) = choke.behind;
    let fed = if plus == COMMON { minus } else { plus };
    let smoothed = stage.parts.iter().any(|part| match part.kind {
        PartKind::Capacitor {
            farads, from, to, ..
        } => farads.0 >= RESERVOIR_FARADS && (from == fed || to == fed),
        _ => false,
    });
    let device = DeviceId(u32::try_from(index).ok()?);
    smoothed.then_some(device)
}

impl Failure {
    /// What is left of an input choke's inductance, as a ratio, at `value` of the parameter.
    pub(super) fn choke_left(&self, value: f64, device: DeviceId, base: &Base<'_>) -> Option<f64> {
        let network = base.network();
        let parts::Device::Rectifier(law) = &network.device(device).law else {
            return None;
        };
        let element = *network.part(self.part).elements.first()?;
        let print = network.element(element).ohms;
        match (&self.action, self.mode) {
            (Action::Ohms(_), Mode::Short) => Some(law.choke_bridged(value)),
            (Action::Ohms(_), _) => Some(law.choke_left(print, value)),
            (Action::Ratio(_), _) => Some(law.choke_left(print, value * print)),
            (Action::Series(_), _) => Some(law.choke_left(print, print + value)),
            _ => None,
        }
    }
}
