//! Volts, amperes and watts of every part.

use std::f64::consts::{FRAC_1_PI, SQRT_2};

use deadstage_circuit::{DeviceId, ElementId, electrode_name};
use deadstage_netlist::{Electrode, FilterInput, PartId, PartKind, RectifierConnection};
use deadstage_parts::{Device, MAX_PORTS};

use super::{View, bottle_name};
use crate::outcome::{ChartPart, TubeRating};
use crate::ratings::Rated;

/// Mean of a parabolic arch over its height, weighted by itself.
const ARCH_MEAN: f64 = 0.8;

impl View<'_> {
    /// In the order of the file; a tube or transistor has an entry for each
    /// electrode, its volts against the cathode (emitter) and its current
    /// flowing from the circuit into it.
    pub(crate) fn parts(&self) -> Vec<ChartPart> {
        let mut all = Vec::new();
        for (id, part) in (0u32..).map(PartId).zip(&self.stage.parts) {
            let model = self.network.part(id);
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
        let (volts, amps) = match &part.kind {
            // What it delivers at `from`.
            PartKind::Supply { .. } => (
                self.at.element_volts(element),
                -self.at.element_amps(element),
            ),
            // Over the whole track, and what goes in at its first end.
            PartKind::Potentiometer { from, to, .. } => (
                self.at.node_volts(from.0 as usize) - self.at.node_volts(to.0 as usize),
                self.at.element_amps(element),
            ),
            _ => (
                self.at.element_volts(element),
                self.at.element_amps(element),
            ),
        };
        ChartPart {
            part: part.name.clone(),
            volts,
            amps,
            watts: self.heat_of_elements(id),
            rating_watts: part.rating_watts.map(|w| w.0),
            tube_rating: None,
        }
    }

    /// Heat of a part made of resistances, watts: of a supply that of its source resistance.
    pub(super) fn heat_of_elements(&self, id: PartId) -> f64 {
        self.network
            .part(id)
            .elements
            .iter()
            .map(|&element| {
                let ohms = self.at.values().elements[element.0 as usize].ohms;
                let amps = self.at.element_amps(element);
                // An open contact has no current, and its heat is nought rather than nothing.
                if amps == 0.0 { 0.0 } else { amps * amps * ohms }
            })
            .sum()
    }

    fn two_terminal(&self, id: PartId, device: DeviceId) -> ChartPart {
        let part = self.stage.part(id);
        let at = self.at;
        let slot = self.network.device(device);
        let volts = at.node_volts(slot.ports[0]) - at.node_volts(slot.common);
        let into = at.device_amps(device)[0];
        let (amps, watts) = match part.kind {
            PartKind::Rectifier {
                connection,
                winding_volts,
                filter,
                ..
            } => {
                let winding = winding_volts.0 * self.base.situation().line_ratio;
                let heat = rectifier_heat(connection, winding, filter, volts, -into);
                (-into, heat)
            }
            // A diode's contact current may flow against its voltage: that is no heat.
            _ => (into, (volts * into).max(0.0)),
        };
        ChartPart {
            part: part.name.clone(),
            volts,
            amps,
            watts,
            rating_watts: part.rating_watts.map(|w| w.0),
            tube_rating: None,
        }
    }

    /// Heat at every port of a device, watts.
    pub(super) fn port_heats(&self, device: DeviceId) -> [f64; MAX_PORTS] {
        let mut volts = [0.0; MAX_PORTS];
        for (to, from) in volts.iter_mut().zip(self.at.device_volts(device)) {
            *to = *from;
        }
        let index = device.0 as usize;
        let values = self.at.values();
        let mut heats = match &self.network.device(device).law {
            Device::Driven(stage) if values.present[index] => {
                stage.heats(&volts, &values.conditions[index])
            }
            _ => {
                let mut heats = volts;
                for (port, heat) in heats.iter_mut().enumerate() {
                    *heat *= self.at.device_amps(device).get(port).unwrap_or(&0.0);
                }
                heats
            }
        };
        // Electrons that reach a negative grid of themselves carry no heat to it.
        for heat in &mut heats {
            *heat = heat.max(0.0);
        }
        heats
    }

    fn electrodes(&self, id: PartId, device: DeviceId, all: &mut Vec<ChartPart>) {
        let part = self.stage.part(id);
        let at = self.at;
        let slot = self.network.device(device);
        let amps = at.device_amps(device);
        let common = at.node_volts(slot.common);
        let bottle = bottle_name(self.stage, id);
        let rated = Rated::of(self.stage, id);
        let heats = self.port_heats(device);
        let names: &[&str] = match part.kind {
            PartKind::Transistor { .. } => &["base", "collector", "emitter"],
            _ => &[],
        };
        for (port, (&node, &into)) in slot.ports.iter().zip(amps).enumerate() {
            let electrode = slot.electrodes.get(port).copied();
            let name = electrode
                .map(|electrode| electrode_name(as_written(&part.kind, electrode)))
                .or_else(|| names.get(port).copied())
                .unwrap_or("electrode");
            let volts = at.node_volts(node) - common;
            all.push(ChartPart {
                part: format!("{bottle} {name}"),
                volts,
                amps: into,
                watts: heats[port],
                rating_watts: electrode.and_then(|e| rated?.watts(e)),
                tube_rating: rated.map(|rated| TubeRating {
                    system: rated.tube.rated_by,
                    continuous_watts: electrode.and_then(|e| rated.continuous_watts(e)),
                }),
            });
        }
        let mut through: f64 = amps.iter().sum();
        // The target of a tuning indicator is a law of its own.
        for (other, slot) in (0u32..).map(DeviceId).zip(&self.network.devices) {
            if slot.part != id || other == device {
                continue;
            }
            let (volts, into) = (at.device_volts(other)[0], at.device_amps(other)[0]);
            through += into;
            let name = slot.electrodes.first().copied().map(electrode_name);
            all.push(ChartPart {
                part: format!("{bottle} {}", name.unwrap_or("electrode")),
                volts,
                amps: into,
                watts: (volts * into).max(0.0),
                rating_watts: None,
                tube_rating: None,
            });
        }
        all.push(ChartPart {
            part: format!("{bottle} {}", names.last().copied().unwrap_or("cathode")),
            volts: 0.0,
            amps: -through,
            watts: 0.0,
            rating_watts: None,
            tube_rating: None,
        });
    }
}

/// Heat in a rectifier and its winding, watts, at the output voltage and current given.
///
/// It is the mean of what the winding's voltage has over the output, times the
/// current. Capacitor input: the winding tops the output by an arch that is
/// nearly a parabola, and the current through a resistance follows it, so the
/// mean is 4/5 of the arch's height (5/6 where the current goes by the 3/2
/// power: a tube alone). Choke input: the current is steady, so it is the
/// average of the rectified wave less the output.
fn rectifier_heat(
    connection: RectifierConnection,
    winding_volts: f64,
    filter: FilterInput,
    volts: f64,
    amps: f64,
) -> f64 {
    let peak = winding_volts * SQRT_2;
    let over = match (filter, connection) {
        (FilterInput::Capacitor, RectifierConnection::Doubler) => ARCH_MEAN * (2.0 * peak - volts),
        (FilterInput::Capacitor, _) => ARCH_MEAN * (peak - volts),
        (FilterInput::Choke, RectifierConnection::HalfWave) => peak * FRAC_1_PI - volts,
        (FilterInput::Choke, _) => 2.0 * peak * FRAC_1_PI - volts,
    };
    (over * amps).max(0.0)
}

/// The circuit has one port for grid 3 and for a suppressor: the word that the stage file used.
fn as_written(kind: &PartKind, electrode: Electrode) -> Electrode {
    match kind {
        PartKind::Tube { electrodes, .. }
            if electrode == Electrode::Grid3
                && !electrodes.iter().any(|(wired, _)| *wired == electrode) =>
        {
            Electrode::Suppressor
        }
        _ => electrode,
    }
}
