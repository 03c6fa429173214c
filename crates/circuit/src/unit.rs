//! A healthy unit as one might come to the bench: every part somewhere within its tolerance.

use std::collections::BTreeMap;

use crate::network::{ElementRole, Network, ParameterKind};
use crate::overlay::{Change, DeviceChange, Overlay};
use crate::situation::Values;
use deadstage_parts::Trait;

/// What a unit differs by from the print, whose `values` are given: parameter by parameter
/// ([`Network::parameters`]) so much of its own measure, the logarithm of ohms and volts for one. Wipers stay where they are.
#[must_use]
pub fn unit(network: &Network, values: &Values, off: &[f64]) -> Overlay {
    let mut overlay = Overlay::new();
    // The mains and a source's own share of it come together.
    let mut emf: BTreeMap<usize, f64> = BTreeMap::new();
    for (parameter, &off) in network.parameters.iter().zip(off) {
        match &parameter.kind {
            _ if off == 0.0 => {}
            ParameterKind::Ohms(elements) => overlay.extend(elements.iter().filter_map(|id| {
                let ohms = values.elements[id.0 as usize].ohms;
                ohms.is_finite()
                    .then(|| Change::Ohms(*id, ohms * off.exp()))
            })),
            ParameterKind::Wiper(..) => {}
            ParameterKind::Emf(id) => *emf.entry(id.0 as usize).or_default() += off,
            ParameterKind::Line => {
                for (index, element) in network.elements.iter().enumerate() {
                    if matches!(element.role, ElementRole::Source { follows_line: true }) {
                        *emf.entry(index).or_default() += off;
                    }
                }
                let devices = (0u32..).zip(&network.devices);
                overlay.extend(
                    devices
                        .filter(|(_, slot)| slot.follows_line)
                        .map(|(id, _)| {
                            let change = DeviceChange::Moved(Trait::Volts, off);
                            Change::Device(crate::network::DeviceId(id), change)
                        }),
                );
            }
            ParameterKind::Device(id, of) => {
                overlay.push(Change::Device(*id, DeviceChange::Moved(*of, off)));
            }
        }
    }
    overlay.extend((0u32..).zip(&values.elements).filter_map(|(id, value)| {
        let off = emf.get(&(id as usize))?;
        Some(Change::Emf(
            crate::network::ElementId(id),
            value.emf * off.exp(),
        ))
    }));
    overlay
}
