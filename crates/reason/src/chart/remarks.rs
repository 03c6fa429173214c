//! What a person must be told beside the numbers of a chart.

use deadstage_netlist::{Drive, PartId, PartKind, engineering};

use super::View;

impl View<'_> {
    pub(super) fn remarks(&self) -> Vec<String> {
        let at = self.nominal();
        let mut said = Vec::new();
        for (id, part) in (0u32..).map(PartId).zip(&self.stage.parts) {
            let name = &part.name;
            let model = self.network().part(id);
            match &part.kind {
                PartKind::Potentiometer { position: None, .. } => said.push(format!(
                    "The position of {name} is not known: half-way is charted, low and high allow for any."
                )),
                PartKind::Regulator { .. }
                    if model.device.is_some_and(|device| !at.fired(device)) =>
                {
                    said.push(format!("{name} does not strike in this setting."));
                }
                PartKind::Relay { pulls_in, .. } => {
                    let pulled = model
                        .elements
                        .first()
                        .is_some_and(|&coil| at.element_amps(coil).abs() >= pulls_in.0);
                    said.push(if pulled {
                        format!("{name} is pulled in.")
                    } else {
                        format!("{name} is at rest.")
                    });
                }
                PartKind::Capacitor { from, to, .. } => {
                    let volts = at.node_volts(from.0 as usize) - at.node_volts(to.0 as usize);
                    if let Some(rating) = part.rating_volts
                        && volts.abs() > rating.0
                    {
                        said.push(format!(
                            "{name} stands at {}, over its rating of {}.",
                            engineering(volts.abs(), "V"),
                            engineering(rating.0, "V")
                        ));
                    }
                }
                PartKind::Tube {
                    drive: Some(drive), ..
                } => said.push(match drive {
                    Drive::Peak(volts) => format!(
                        "{name} is charted with the drive stated, {} peak: its currents are estimates.",
                        engineering(volts.0, "V")
                    ),
                    Drive::GridCurrent(amps) => format!(
                        "{name} is charted with the drive stated, {} of grid current: its currents are estimates.",
                        engineering(amps.0, "A")
                    ),
                }),
                _ => {}
            }
        }
        said
    }
}
