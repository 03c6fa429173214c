//! What a person must be told beside the numbers: parts past their ratings,
//! regulators that do not regulate, a second steady state, what is estimated.

use deadstage_circuit::{Change, DeviceChange, DeviceId, PortState, Scratch};
use deadstage_netlist::{Access, Dielectric, Drive, Part, PartId, PartKind, engineering};
use deadstage_parts::{Device, RegulatorLaw, tube_table};

use super::View;
use crate::outcome::{ChartPanel, ChartPart};

/// Two states are the same where no node differs by more than this, volts, or this share.
const SAME_VOLTS: f64 = 0.5;
const SAME_SHARE: f64 = 0.01;

/// An electrolytic may stand this far the wrong way round, volts: its oxide bears it (common practice, no source).
const REVERSED_VOLTS: f64 = 1.0;

/// A relay this close to the current it needs, as a share of it, may do either.
const RELAY_MARGIN: f64 = 0.1;

/// A panel meter may stand this share of its scale below its stop before it counts as driven backwards.
const BACKWARDS_SHARE: f64 = 0.02;

impl View<'_> {
    /// What is out of the ordinary in this state: it holds wherever the stage
    /// is solved, not only on a chart.
    pub(crate) fn warnings(
        &self,
        parts: &[ChartPart],
        panels: &[ChartPanel],
        scratch: &mut Scratch,
    ) -> Vec<String> {
        let mut said: Vec<String> = parts.iter().filter_map(over_rating).collect();
        for (id, part) in (0u32..).map(PartId).zip(&self.stage.parts) {
            said.extend(self.warning(id, part));
        }
        said.extend(panels.iter().filter_map(off_scale));
        said.extend(self.second_state(scratch));
        said
    }

    /// What belongs to a chart: how its numbers are meant.
    pub(super) fn notes(&self) -> Vec<String> {
        let mut said = Vec::new();
        for (id, part) in (0u32..).map(PartId).zip(&self.stage.parts) {
            said.extend(self.note(id, part));
        }
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

    fn warning(&self, id: PartId, part: &Part) -> Option<String> {
        let name = &part.name;
        match &part.kind {
            PartKind::Regulator { .. } => self.regulator(id),
            PartKind::Rectifier { tube_type, .. } => self.rectifier_load(id, tube_type),
            PartKind::Potentiometer { ohms, .. } => {
                // What a length of track bears is its share of the rating: the limit is the current.
                let rating = part.rating_watts?.0;
                let most = (rating / ohms.0).sqrt();
                let halves = self.network.part(id).elements.iter().take(2);
                let amps = halves
                    .map(|&half| self.at.element_amps(half).abs())
                    .fold(0.0, f64::max);
                let whole = self.heat_of_elements(id) > rating;
                (amps > most && !whole).then(|| {
                    format!(
                        "{name}: {} through its track, which bears {}.",
                        engineering(amps, "A"),
                        engineering(most, "A")
                    )
                })
            }
            PartKind::Capacitor {
                dielectric,
                from,
                to,
                ..
            } => {
                let volts = self.at.node_volts(from.0 as usize) - self.at.node_volts(to.0 as usize);
                if *dielectric == Dielectric::Electrolytic && volts < -REVERSED_VOLTS {
                    return Some(format!(
                        "{name} stands the wrong way round, by {}.",
                        engineering(-volts, "V")
                    ));
                }
                let rating = part.rating_volts?.0;
                (volts.abs() > rating).then(|| {
                    format!(
                        "{name}: {} across it, over its rating of {}.",
                        engineering(volts.abs(), "V"),
                        engineering(rating, "V")
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
                        engineering(amps, "A"),
                        engineering(pulls_in.0, "A")
                    )
                })
            }
            _ => None,
        }
    }

    fn note(&self, id: PartId, part: &Part) -> Option<String> {
        let name = &part.name;
        match &part.kind {
            PartKind::Potentiometer { position: None, .. } => Some(format!(
                "The position of {name} is not known: half-way is charted, low and high allow for any."
            )),
            PartKind::Rectifier { .. } => self.ripple(id),
            PartKind::Relay { .. } => {
                let coil = *self.network.part(id).elements.first()?;
                let relay = self.network.relays.iter().position(|r| r.part == id)?;
                let pulled = self.base.energised().get(relay).copied()?;
                let amps = engineering(self.at.element_amps(coil).abs(), "A");
                Some(if pulled {
                    format!("{name} is pulled in, on {amps}.")
                } else {
                    format!("{name} is at rest, on {amps}.")
                })
            }
            PartKind::Tube {
                drive: Some(drive), ..
            } => {
                let stated = match drive {
                    Drive::Peak(volts) => format!("{} peak", engineering(volts.0, "V")),
                    Drive::GridCurrent(amps) => {
                        format!("{} of grid current", engineering(amps.0, "A"))
                    }
                };
                Some(format!(
                    "{name} is charted with the drive stated, {stated}: its currents are estimates, and of its plate's watts a part leaves as signal."
                ))
            }
            _ => None,
        }
    }

    fn regulator(&self, id: PartId) -> Option<String> {
        let name = &self.stage.part(id).name;
        let device = self.network.part(id).device?;
        let Device::Regulator(law) = &self.network.device(device).law else {
            return None;
        };
        let volts = *self.at.device_volts(device).first()?;
        if !self.at.fired(device) {
            return Some(dark(name, law, volts));
        }
        let amps = *self.at.device_amps(device).first()?;
        let (least, most) = law.range_amps();
        let beyond = if amps < least {
            format!("below the {} that keep it steady", engineering(least, "A"))
        } else if amps > most {
            format!("above the {} that it bears", engineering(most, "A"))
        } else {
            return None;
        };
        Some(format!(
            "{name} glows on {}, {beyond}.",
            engineering(amps, "A")
        ))
    }

    /// A rectifier tube that delivers more than its type may.
    fn rectifier_load(&self, id: PartId, tube_type: &str) -> Option<String> {
        let device = self.network.part(id).device?;
        let delivered = -self.at.device_amps(device).first()?;
        let most = tube_table()
            .find(tube_type)?
            .units
            .first()?
            .ratings
            .dc_amps?;
        (delivered > most).then(|| {
            format!(
                "{} delivers {}; the most for its type is {}.",
                self.stage.part(id).name,
                engineering(delivered, "A"),
                engineering(most, "A")
            )
        })
    }

    /// Whether the same stage also rests elsewhere: started from nothing, and
    /// from where it stands with each tube out in turn, which is how a pair
    /// that holds each other off is thrown over.
    fn second_state(&self, scratch: &mut Scratch) -> Option<String> {
        let cold = PortState {
            volts: vec![0.0; self.network.port_count],
            ..PortState::default()
        };
        let mut starts = vec![cold];
        for (index, slot) in (0u32..).zip(&self.network.devices) {
            let out = [Change::Device(DeviceId(index), DeviceChange::Absent)];
            if matches!(slot.law, Device::Rectifier(_)) {
                continue;
            }
            if let Ok(point) = self.base.solve(&out, None, scratch) {
                starts.push(point.state().clone());
            }
        }
        for start in starts {
            let Ok(other) = self.base.solve(&[], Some(&start), scratch) else {
                continue;
            };
            let furthest = (1..self.stage.nodes.len())
                .map(|node| (node, self.at.node_volts(node), other.node_volts(node)))
                .filter(|(_, here, there)| {
                    (here - there).abs() > SAME_VOLTS.max(SAME_SHARE * here.abs())
                })
                .max_by(|a, b| (a.1 - a.2).abs().total_cmp(&(b.1 - b.2).abs()));
            if let Some((node, here, there)) = furthest {
                return Some(format!(
                    "The stage can also come to rest in a second state, in which {} stands at {} and not at {}: a healthy unit may be found in either.",
                    self.stage.nodes[node].name,
                    engineering(there, "V"),
                    engineering(here, "V")
                ));
            }
        }
        None
    }
}

fn dark(name: &str, law: &RegulatorLaw, volts: f64) -> String {
    let strike = engineering(law.strike_volts(), "V");
    let stands = engineering(volts, "V");
    if volts > law.maintaining_volts() {
        format!(
            "{name} is dark: {stands} across it, {strike} to be sure that it strikes. Once struck it would stay lit."
        )
    } else {
        format!("{name} is dark: {stands} across it, {strike} to strike it.")
    }
}

/// More heat than the rating; a tube's is that of its type.
fn over_rating(part: &ChartPart) -> Option<String> {
    let rating = part.rating_watts.filter(|rating| part.watts > *rating)?;
    Some(format!(
        "{} turns {} into heat, over its rating of {}.",
        part.part,
        engineering(part.watts, "W"),
        engineering(rating, "W")
    ))
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
