//! Ripple at the first filter capacitor of a rectifier.

use deadstage_circuit::{input_choke, mains_hertz};
use deadstage_netlist::{
    COMMON, FilterInput, NodeId, PartId, PartKind, RectifierConnection, Stage,
};
use deadstage_parts::{Connection, Device, Filter, RectifierLaw};

use super::View;
use super::remarks::quantity;

/// Ripple at one filter capacitor.
struct Ripple {
    node: NodeId,
    volts_rms: f64,
    delivered_amps: f64,
    farads: f64,
}

impl View<'_> {
    /// What the healthy supplies have of ripple, in a sentence; `None` where it can't be told of any.
    pub(super) fn ripple(&self) -> Option<String> {
        let hertz = mains_hertz(self.stage);
        let found: Vec<String> = (0u32..)
            .zip(&self.stage.parts)
            .filter_map(|(id, _)| self.ripple_of(PartId(id), hertz))
            .map(|ripple| {
                format!(
                    "{} {} RMS ({} drawn, {} µF)",
                    self.stage.node(ripple.node).name,
                    quantity(ripple.volts_rms, "V"),
                    quantity(ripple.delivered_amps, "A"),
                    microfarads(ripple.farads),
                )
            })
            .collect();
        (!found.is_empty()).then(|| {
            format!(
                "Ripple of a healthy supply, estimated, on {hertz} Hz mains: {}. Much more means a weak or open capacitor, or one side of the rectifier dead.",
                found.join(", ")
            )
        })
    }

    fn ripple_of(&self, id: PartId, hertz: f64) -> Option<Ripple> {
        let PartKind::Rectifier {
            connection,
            winding_volts,
            winding_ohms,
            filter,
            from,
            to,
            ..
        } = &self.stage.part(id).kind
        else {
            return None;
        };
        let device = self.network.part(id).device?;
        let Device::Rectifier(law) = &self.network.device(device).law else {
            return None;
        };
        let (filter, (plus, minus)) = match filter {
            FilterInput::Capacitor => (Filter::Capacitor, (*from, *to)),
            FilterInput::Choke => {
                let choke = input_choke(self.stage, *from, *to)?;
                let henries = Some(choke.henries?);
                (Filter::Choke { henries }, choke.behind)
            }
        };
        let connection = match connection {
            RectifierConnection::FullWave => Connection::FullWave,
            RectifierConnection::HalfWave => Connection::HalfWave,
            RectifierConnection::Bridge => Connection::Bridge,
            RectifierConnection::Doubler => Connection::Doubler,
        };
        let volts = winding_volts.0 * self.base.situation().line_ratio;
        let law =
            RectifierLaw::new(law.element(), connection, volts, winding_ohms.0, filter).ok()?;
        let farads = capacitance(self.stage, plus, minus);
        let delivered_amps = -self.at.device_amps(device).first()?;
        Some(Ripple {
            node: if plus == COMMON { minus } else { plus },
            volts_rms: law.ripple_volts(delivered_amps, farads, hertz)?,
            delivered_amps,
            farads,
        })
    }
}

/// Capacitance between two nodes; where there is none, that of the one that
/// is not common to anywhere: the way back may lead through a meter's shunt.
fn capacitance(stage: &Stage, plus: NodeId, minus: NodeId) -> f64 {
    let sum = |wanted: &dyn Fn(NodeId, NodeId) -> bool| -> f64 {
        stage
            .parts
            .iter()
            .filter_map(|part| match &part.kind {
                PartKind::Capacitor {
                    farads, from, to, ..
                } if wanted(*from, *to) => Some(farads.0),
                _ => None,
            })
            .sum()
    };
    let between = sum(&|from, to| (from, to) == (plus, minus) || (from, to) == (minus, plus));
    if between > 0.0 {
        return between;
    }
    let node = if plus == COMMON { minus } else { plus };
    sum(&|from, to| from == node || to == node)
}

/// As the trade writes it, in microfarads up to any size.
fn microfarads(farads: f64) -> String {
    let text = format!("{:.3}", farads * 1e6);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}
