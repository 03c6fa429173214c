//! Which currents a suspect changes, with the voltages that show it.

use deadstage_circuit::{DeviceId, ElementId, Network, OperatingPoint, Scratch};
use deadstage_netlist::{PartId, PartKind, engineering};
use deadstage_parts::Mode;

use super::Explainer;
use crate::failure::Action;
use crate::weigh::Weighed;
use crate::wording;

/// Below this share of its healthy current a tube is said to draw none.
const NO_CURRENT: f64 = 0.03;

/// Least voltage on a plate's load that a current is shown by, volts.
const LEAST_DROP: f64 = 0.5;

/// A current that has not changed by this factor is not worth a word.
const CHANGED: f64 = 1.15;

impl Explainer<'_, '_> {
    /// What the failed parts pass and what the hardest hit tube or part then draws.
    pub(super) fn say_currents(&self, weighed: &Weighed, scratch: &mut Scratch) -> Option<String> {
        let base = &self.scales.model.bases[weighed.law][self.running?];
        let healthy = base.solve(&[], None, scratch).ok()?;
        let faulty = self.solve(weighed, base, scratch)?;
        let mut said = Vec::new();
        for (failure, _) in self.present(weighed) {
            // What a leak passes is what the rest of the circuit suffers from.
            if let (Action::Ohms(elements), Mode::Leaky | Mode::Short) =
                (&failure.action, failure.mode)
                && let Some(&element) = elements.first()
                && matches!(
                    self.stage().part(failure.part).kind,
                    PartKind::Capacitor { .. }
                )
            {
                said.push(format!(
                    "{} passes {}",
                    self.stage().part(failure.part).name,
                    engineering(faulty.element_amps(element).abs(), "A")
                ));
            }
        }
        said.extend(
            self.say_tube(base.network(), &healthy, &faulty)
                .or_else(|| self.say_part(base.network(), &healthy, &faulty)),
        );
        (!said.is_empty()).then(|| wording::listed(&said))
    }

    /// The tube whose current has changed most, with the voltages that show it.
    fn say_tube(
        &self,
        network: &Network,
        healthy: &OperatingPoint<'_>,
        faulty: &OperatingPoint<'_>,
    ) -> Option<String> {
        let total = |at: &OperatingPoint<'_>, id| at.device_amps(id).iter().sum::<f64>();
        let (id, before, now) = (0u32..)
            .zip(&network.devices)
            .filter(|(_, slot)| !slot.electrodes.is_empty())
            .map(|(index, _)| {
                let id = DeviceId(index);
                (id, total(healthy, id), total(faulty, id))
            })
            .filter(|(_, before, now)| changed(*before, *now) > CHANGED)
            .max_by(|a, b| {
                changed(a.1, a.2)
                    .total_cmp(&changed(b.1, b.2))
                    .then(b.0.cmp(&a.0))
            })?;
        let slot = network.device(id);
        let mut shown = Vec::new();
        let plate = slot.ports.first().copied()?;
        if let Some((part, volts)) = self.carrier(network, plate, healthy, faulty) {
            shown.push(format!(
                "{} across {}",
                wording::volts(volts),
                self.stage().part(part).name
            ));
        }
        if slot.common != 0 {
            shown.push(format!(
                "{} at its cathode",
                wording::volts(faulty.node_volts(slot.common))
            ));
        }
        let name = self.tube_name(slot.part);
        let draws = if now.abs() < NO_CURRENT * before.abs() {
            format!("{name} draws no current")
        } else {
            format!(
                "{name} draws {} instead of {}",
                engineering(now, "A"),
                engineering(before, "A")
            )
        };
        Some(if shown.is_empty() {
            draws
        } else {
            format!("{draws} ({})", wording::listed(&shown))
        })
    }

    /// The load at a plate that carries most when healthy, and the volts across it in the faulty state.
    fn carrier(
        &self,
        network: &Network,
        plate: usize,
        healthy: &OperatingPoint<'_>,
        faulty: &OperatingPoint<'_>,
    ) -> Option<(PartId, f64)> {
        (0u32..)
            .map(ElementId)
            .zip(&network.elements)
            .filter(|(_, e)| {
                (e.from == plate || e.to == plate)
                    && matches!(
                        self.stage().part(e.part).kind,
                        PartKind::Resistor { .. }
                            | PartKind::Choke { .. }
                            | PartKind::Winding { .. }
                    )
            })
            // What a small coil drops shows nothing.
            .filter(|(id, _)| healthy.element_volts(*id).abs() >= LEAST_DROP)
            .max_by(|(a, _), (b, _)| {
                let amps = |id| healthy.element_amps(id).abs();
                amps(*a).total_cmp(&amps(*b)).then(b.cmp(a))
            })
            .map(|(id, e)| (e.part, faulty.element_volts(id).abs()))
    }

    fn tube_name(&self, id: PartId) -> String {
        let stage = self.stage();
        let part = stage.part(id);
        match part.kind {
            PartKind::Tube { unit, .. } if stage.parts_named(&part.name).count() > 1 => {
                wording::part(stage, id, unit)
            }
            _ => part.name.clone(),
        }
    }

    /// Where no tube's current has changed: the resistance whose has, by heat gained or lost.
    fn say_part(
        &self,
        network: &Network,
        healthy: &OperatingPoint<'_>,
        faulty: &OperatingPoint<'_>,
    ) -> Option<String> {
        let (part, before, now, _) = (0u32..)
            .zip(&network.elements)
            .filter(|(_, element)| {
                matches!(
                    self.stage().part(element.part).kind,
                    PartKind::Resistor { .. }
                        | PartKind::Supply { .. }
                        | PartKind::Choke { .. }
                        | PartKind::Winding { .. }
                )
            })
            .map(|(index, element)| {
                let id = ElementId(index);
                let (before, now) = (
                    healthy.element_amps(id).abs(),
                    faulty.element_amps(id).abs(),
                );
                let heat = (now * now - before * before).abs() * element.ohms;
                (element.part, before, now, heat)
            })
            .filter(|(_, before, now, _)| changed(*before, *now) > CHANGED)
            .max_by(|a, b| a.3.total_cmp(&b.3).then(b.0.cmp(&a.0)))?;
        let name = &self.stage().part(part).name;
        Some(if now < NO_CURRENT * before {
            format!("{name} carries no current")
        } else {
            format!(
                "{name} carries {} instead of {}",
                engineering(now, "A"),
                engineering(before, "A")
            )
        })
    }
}

/// By which factor a current has changed, up or down; a microampere is as good as none.
fn changed(before: f64, now: f64) -> f64 {
    const NOTHING: f64 = 1e-6;
    let (before, now) = (before.abs() + NOTHING, now.abs() + NOTHING);
    (before / now).max(now / before)
}
