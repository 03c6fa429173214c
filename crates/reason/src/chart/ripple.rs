//! Ripple at the first filter capacitor of a rectifier.

use deadstage_netlist::{
    FilterInput, NodeId, PartId, PartKind, RectifierConnection, Stage, engineering,
};
use deadstage_parts::{Connection, Device, Filter, RectifierLaw};

use super::View;

/// Mains of 150 V and below is taken as 60 Hz, above as 50 Hz (common practice, no source).
const HIGHEST_60_HERTZ_VOLTS: f64 = 150.0;

impl View<'_> {
    /// What a healthy supply has of ripple, in a sentence; `None` where it can't be told.
    pub(super) fn ripple(&self, id: PartId) -> Option<String> {
        let part = self.stage.part(id);
        let PartKind::Rectifier {
            connection,
            winding_volts,
            winding_ohms,
            filter,
            from,
            to,
            ..
        } = &part.kind
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
                let (henries, ends) = behind_choke(self.stage, (*from, *to))?;
                (
                    Filter::Choke {
                        henries: Some(henries),
                    },
                    ends,
                )
            }
        };
        let farads = capacitance(self.stage, plus, minus);
        let connection = match connection {
            RectifierConnection::FullWave => Connection::FullWave,
            RectifierConnection::HalfWave => Connection::HalfWave,
            RectifierConnection::Bridge => Connection::Bridge,
            RectifierConnection::Doubler => Connection::Doubler,
        };
        let volts = winding_volts.0 * self.base.situation().line_ratio;
        let law =
            RectifierLaw::new(law.element(), connection, volts, winding_ohms.0, filter).ok()?;
        let hertz = match self.stage.line {
            Some(line) if line.0 > HIGHEST_60_HERTZ_VOLTS => 50.0,
            _ => 60.0,
        };
        let delivered = -self.at.device_amps(device).first()?;
        let ripple = law.ripple_volts(delivered, farads, hertz)?;
        let node = if plus.0 == 0 { minus } else { plus };
        Some(format!(
            "Ripple at {}, estimated: {} RMS on {hertz} Hz mains, {} drawn, {} there. Much more means a weak or open capacitor, or one side of the rectifier dead.",
            self.stage.node(node).name,
            engineering(ripple, "V"),
            engineering(delivered, "A"),
            engineering(farads, "F"),
        ))
    }
}

/// Inductance of the choke at the rectifier's output or in its return, and
/// the two ends of what it feeds.
fn behind_choke(stage: &Stage, (from, to): (NodeId, NodeId)) -> Option<(f64, (NodeId, NodeId))> {
    let at = |output: NodeId| {
        stage.parts.iter().find_map(|part| match &part.kind {
            PartKind::Choke {
                henries: Some(henries),
                from,
                to,
                ..
            } if *from == output => Some((henries.0, *to)),
            PartKind::Choke {
                henries: Some(henries),
                from,
                to,
                ..
            } if *to == output => Some((henries.0, *from)),
            _ => None,
        })
    };
    if let Some((henries, behind)) = at(from) {
        return Some((henries, (behind, to)));
    }
    at(to).map(|(henries, behind)| (henries, (from, behind)))
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
    let node = if plus.0 == 0 { minus } else { plus };
    sum(&|from, to| from == node || to == node)
}
