//! What a person must be told beside the numbers: parts past their ratings,
//! regulators that do not regulate, a second steady state, what is estimated.

use deadstage_circuit::{OperatingPoint, Scratch};
use deadstage_netlist::{Access, Dielectric, Drive, Part, PartId, PartKind, engineering};
use deadstage_parts::{Device, RegulatorLaw};

use super::View;
use crate::outcome::{ChartPanel, ChartPart};

/// An electrolytic may stand this far the wrong way round, volts: its oxide bears it (common practice, no source).
const REVERSED_VOLTS: f64 = 1.0;

/// A relay this close to the current it needs, as a share of it, may do either.
const RELAY_MARGIN: f64 = 0.1;

/// A panel meter may stand this share of its scale below its stop before it counts as driven backwards.
const BACKWARDS_SHARE: f64 = 0.02;

/// Below this a number is what the solver leaves over, in volts, amperes or watts.
const DUST: f64 = 1e-5;

impl View<'_> {
    /// What is out of the ordinary in this state, of all `states` that the stage may rest in: it holds
    /// wherever the stage is solved, not only on a chart.
    pub(crate) fn warnings(
        &self,
        parts: &[ChartPart],
        panels: &[ChartPanel],
        states: &[OperatingPoint<'_>],
        scratch: &mut Scratch,
    ) -> Vec<String> {
        let mut said = self.overloads(parts);
        for (id, part) in (0u32..).map(PartId).zip(&self.stage.parts) {
            said.extend(self.warning(id, part, scratch));
        }
        said.extend(panels.iter().filter_map(off_scale));
        said.extend(self.other_state(states));
        said
    }

    /// What belongs to a chart: how its numbers are meant.
    pub(super) fn notes(&self) -> Vec<String> {
        let mut said = Vec::new();
        for part in &self.stage.parts {
            if let PartKind::Potentiometer { position: None, .. } = part.kind {
                said.push(format!(
                    "The position of {} is not known: half-way is charted, low and high allow for any.",
                    part.name
                ));
            }
        }
        said.extend(self.ripple());
        said.extend(self.relays());
        said.extend(self.driven());
        let hazards: Vec<&str> = self
            .stage
            .test_points
            .iter()
            .filter(|test| test.access == Access::Hazard)
            .map(|test| test.point.label.as_str())
            .collect();
        if !hazards.is_empty() {
            said.push(format!(
                "Dangerous to probe live, by the stage file: {}. Clip the meter on with the power off and the capacitors proved empty, then stand clear.",
                hazards.join(", ")
            ));
        }
        said
    }

    /// Which relays are pulled in and which at rest, and on what.
    fn relays(&self) -> Vec<String> {
        let mut states = [Vec::new(), Vec::new()];
        for (relay, pulled) in self.network.relays.iter().zip(self.base.energised()) {
            states[usize::from(*pulled)].push(format!(
                "{} ({})",
                self.stage.part(relay.part).name,
                quantity(self.at.element_amps(relay.coil).abs(), "A")
            ));
        }
        let [resting, pulled] = states;
        [("Relays pulled in", pulled), ("Relays at rest", resting)]
            .into_iter()
            .filter(|(_, relays)| !relays.is_empty())
            .map(|(state, relays)| format!("{state}: {}.", relays.join(", ")))
            .collect()
    }

    /// Tubes whose currents depend on their signal.
    fn driven(&self) -> Option<String> {
        let stages: Vec<String> = self
            .stage
            .parts
            .iter()
            .filter_map(|part| match &part.kind {
                PartKind::Tube {
                    drive: Some(drive), ..
                } => Some(match drive {
                    Drive::Peak(volts) => {
                        format!("{} ({} peak)", part.name, quantity(volts.0, "V"))
                    }
                    Drive::GridCurrent(amps) => {
                        format!("{} ({} of grid current)", part.name, quantity(amps.0, "A"))
                    }
                }),
                _ => None,
            })
            .collect();
        (!stages.is_empty()).then(|| {
            format!(
                "Charted with the drive stated: {}. The currents of a driven tube and the heat of its plate are estimates.",
                stages.join(", ")
            )
        })
    }

    fn warning(&self, id: PartId, part: &Part, scratch: &mut Scratch) -> Option<String> {
        let name = &part.name;
        match &part.kind {
            PartKind::Regulator { .. } => self.regulator(id, scratch),
            PartKind::Rectifier { .. } => self.below_critical(id),
            PartKind::Capacitor { dielectric, .. } => {
                let volts = self.capacitor_volts(id)?;
                (*dielectric == Dielectric::Electrolytic && is_reversed(volts)).then(|| {
                    format!(
                        "{name} stands the wrong way round, by {}.",
                        quantity(-volts, "V")
                    )
                })
            }
            PartKind::Relay { pulls_in, .. } => {
                let coil = *self.network.part(id).elements.first()?;
                let amps = self.at.element_amps(coil).abs();
                let off = (amps / pulls_in.0 - 1.0).abs();
                (off < RELAY_MARGIN).then(|| {
                    format!(
                        "{name} has {} and needs {}: it may pull in or not.",
                        quantity(amps, "A"),
                        quantity(pulls_in.0, "A")
                    )
                })
            }
            _ => None,
        }
    }

    fn regulator(&self, id: PartId, scratch: &mut Scratch) -> Option<String> {
        let name = &self.stage.part(id).name;
        let device = self.network.part(id).device?;
        let law = self.regulator_law(id)?;
        let volts = *self.at.device_volts(device).first()?;
        if !self.at.fired(device) {
            return Some(dark(name, law, volts));
        }
        let amps = *self.at.device_amps(device).first()?;
        let (least, _) = law.range_amps();
        if amps < least {
            return Some(format!(
                "{name} glows on {}, below the {} that keep it steady.",
                quantity(amps, "A"),
                quantity(least, "A")
            ));
        }
        // A healthy tube may need all that its sheet asks for.
        let offered = self.volts_while_dark(id, scratch)?;
        let sure = law.sure_strike_volts();
        (offered < sure).then(|| {
            format!(
                "{name} has {} to strike from: most tubes strike at {}, some only at {}, so a healthy one may be found dark.",
                quantity(offered, "V"),
                quantity(law.strike_volts(), "V"),
                quantity(sure, "V")
            )
        })
    }

    /// A supply with choke input that is loaded too lightly for its choke.
    fn below_critical(&self, id: PartId) -> Option<String> {
        let device = self.network.part(id).device?;
        let slot = self.network.device(device);
        let Device::Rectifier(law) = &slot.law else {
            return None;
        };
        let delivered = -self.at.device_amps(device).first()?;
        let least = law.critical_amps()? * self.at.values().conditions[device.0 as usize].volts;
        let choke = self.stage.part(slot.input_choke?);
        let volts = *self.at.device_volts(device).first()?;
        (volts > DUST && delivered < least).then(|| {
            format!(
                "{} delivers {}, less than the {} that {} needs: its output climbs from the average of the rectified wave towards the peak.",
                self.stage.part(id).name,
                quantity(delivered, "A"),
                quantity(least, "A"),
                choke.name,
            )
        })
    }

    /// What is furthest off in another state of the same stage.
    pub(crate) fn other_state(&self, others: &[OperatingPoint<'_>]) -> Option<String> {
        let nodes = 1..self.stage.nodes.len();
        let apart = |other: &OperatingPoint<'_>, node| {
            (self.at.node_volts(node) - other.node_volts(node)).abs()
        };
        let (node, there) = others
            .iter()
            .flat_map(|other| nodes.clone().map(move |node| (node, other)))
            .max_by(|a, b| apart(a.1, a.0).total_cmp(&apart(b.1, b.0)))?;
        (apart(there, node) > 0.0).then(|| {
            format!(
                "The stage can also come to rest in a second state, in which {} stands at {} and not at {}: a healthy unit may be found in either.",
                self.stage.nodes[node].name,
                quantity(there.node_volts(node), "V"),
                quantity(self.at.node_volts(node), "V")
            )
        })
    }
}

/// Whether an electrolytic with so many volts stands the wrong way round.
pub(super) fn is_reversed(volts: f64) -> bool {
    volts < -REVERSED_VOLTS
}

fn dark(name: &str, law: &RegulatorLaw, volts: f64) -> String {
    let strike = quantity(law.sure_strike_volts(), "V");
    let stands = quantity(volts, "V");
    if volts > law.maintaining_volts() {
        format!(
            "{name} is dark: {stands} across it, {strike} to be sure that it strikes. Once struck it would stay lit."
        )
    } else {
        format!("{name} is dark: {stands} across it, {strike} to strike it.")
    }
}

fn off_scale(panel: &ChartPanel) -> Option<String> {
    let full = panel.full_scale;
    if panel.reading > full {
        Some(format!("{} is driven past its full scale.", panel.meter))
    } else if panel.reading < -BACKWARDS_SHARE * full.abs() {
        Some(format!("{} is driven backwards.", panel.meter))
    } else {
        None
    }
}

/// Three digits, without zeros that say nothing: `45 V`, `7.16 mA`.
pub(super) fn quantity(value: f64, unit: &str) -> String {
    let value = if value.abs() < DUST { 0.0 } else { value };
    let text = engineering(value, unit);
    match text.split_once(' ') {
        Some((number, unit)) if number.contains('.') => {
            format!(
                "{} {unit}",
                number.trim_end_matches('0').trim_end_matches('.')
            )
        }
        _ => text,
    }
}
