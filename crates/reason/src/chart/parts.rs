//! Volts, amperes and watts of every part.

use deadstage_circuit::{DeviceId, ElementId, electrode_name};
use deadstage_netlist::{Electrode, PartId, PartKind};
use deadstage_parts::table::Ratings;
use deadstage_parts::tube_table;

use super::{View, bottle_name};
use crate::outcome::ChartPart;

impl View<'_> {
    /// In the order of the file; a tube or transistor has an entry for each
    /// electrode, its current flowing from the circuit into it.
    pub(super) fn parts(&self) -> Vec<ChartPart> {
        let mut all = Vec::new();
        for (id, part) in (0u32..).map(PartId).zip(&self.stage.parts) {
            let model = self.network().part(id);
            match (&part.kind, model.device) {
                (PartKind::Tube { .. } | PartKind::Transistor { .. }, Some(device)) => {
                    self.electrodes(id, device, &mut all);
                }
                (_, Some(device)) => all.push(self.two_terminal(id, device)),
                (_, None) => {
                    if let Some(&element) = model.elements.first() {
                        all.push(self.linear(id, element));
                    }
                }
            }
        }
        all
    }

    fn linear(&self, id: PartId, element: ElementId) -> ChartPart {
        let part = self.stage.part(id);
        let at = self.nominal();
        let elements = &self.network().part(id).elements;
        let heat = |e: ElementId| {
            let ohms = at.values().elements[e.0 as usize].ohms;
            let amps = at.element_amps(e);
            // An open contact has no current, and its heat is nought rather than nothing.
            if amps == 0.0 { 0.0 } else { amps * amps * ohms }
        };
        let (volts, amps, watts) = match &part.kind {
            // What it delivers at `from`; its heat is that of its source resistance.
            PartKind::Supply { .. } => (
                at.element_volts(element),
                -at.element_amps(element),
                heat(element),
            ),
            PartKind::Potentiometer { from, to, .. } => (
                at.node_volts(from.0 as usize) - at.node_volts(to.0 as usize),
                at.element_amps(element),
                elements.iter().map(|&e| heat(e)).sum(),
            ),
            _ => (
                at.element_volts(element),
                at.element_amps(element),
                heat(element),
            ),
        };
        ChartPart {
            part: part.name.clone(),
            volts,
            amps,
            watts,
            rating_watts: part.rating_watts.map(|w| w.0),
        }
    }

    fn two_terminal(&self, id: PartId, device: DeviceId) -> ChartPart {
        let part = self.stage.part(id);
        let at = self.nominal();
        let slot = self.network().device(device);
        let volts = at.node_volts(slot.ports[0]) - at.node_volts(slot.common);
        let into = at.device_amps(device)[0];
        let (amps, watts) = match part.kind {
            // A rectifier's heat depends on the shape of its current, which this chart has not.
            PartKind::Rectifier { .. } => (-into, f64::NAN),
            _ => (into, volts * into),
        };
        ChartPart {
            part: part.name.clone(),
            volts,
            amps,
            watts,
            rating_watts: part.rating_watts.map(|w| w.0),
        }
    }

    fn electrodes(&self, id: PartId, device: DeviceId, all: &mut Vec<ChartPart>) {
        let part = self.stage.part(id);
        let at = self.nominal();
        let slot = self.network().device(device);
        let amps = at.device_amps(device);
        let common = at.node_volts(slot.common);
        let bottle = bottle_name(self.stage, id);
        let ratings = self.ratings(id);
        let names: &[&str] = match part.kind {
            PartKind::Transistor { .. } => &["base", "collector", "emitter"],
            _ => &[],
        };
        for (port, (&node, &into)) in slot.ports.iter().zip(amps).enumerate() {
            let electrode = slot.electrodes.get(port).copied();
            let name = electrode
                .map(electrode_name)
                .or_else(|| names.get(port).copied())
                .unwrap_or("electrode");
            let volts = at.node_volts(node) - common;
            all.push(ChartPart {
                part: format!("{bottle} {name}"),
                volts,
                amps: into,
                watts: volts * into,
                rating_watts: match electrode {
                    Some(Electrode::Plate) => ratings.and_then(|r| r.plate_watts),
                    Some(Electrode::Screen) => ratings.and_then(|r| r.screen_watts),
                    _ => None,
                },
            });
        }
        all.push(ChartPart {
            part: format!("{bottle} {}", names.last().copied().unwrap_or("cathode")),
            volts: 0.0,
            amps: -amps.iter().sum::<f64>(),
            watts: 0.0,
            rating_watts: None,
        });
    }

    fn ratings(&self, id: PartId) -> Option<&'static Ratings> {
        let PartKind::Tube {
            tube_type, unit, ..
        } = &self.stage.part(id).kind
        else {
            return None;
        };
        let own = self
            .stage
            .tube_types
            .iter()
            .any(|t| t.name.eq_ignore_ascii_case(tube_type));
        if own {
            return None;
        }
        let index = usize::from(unit.unwrap_or(1)).saturating_sub(1);
        tube_table()
            .find(tube_type)
            .and_then(|tube| tube.units.get(index))
            .map(|unit| &unit.ratings)
    }
}
