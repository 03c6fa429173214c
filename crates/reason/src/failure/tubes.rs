//! Failures of an amplifying tube, of one section or of the whole bottle.

use deadstage_circuit::{DeviceId, Network};
use deadstage_netlist::{Electrode, PartId, PartKind, Stage};
use deadstage_parts::{FailureRow, Measure, Mode, ParameterPrior};

use super::{Action, Add};

/// Everything of a section that one cathode feeds: a tuning indicator's target besides its triode.
fn devices_of(network: &Network, id: PartId) -> Vec<DeviceId> {
    (0u32..)
        .map(DeviceId)
        .zip(&network.devices)
        .filter(|(_, slot)| slot.part == id)
        .map(|(device, _)| device)
        .collect()
}

/// Failures of a tube, of one section or of the whole bottle.
pub(super) fn tube_failures(
    stage: &Stage,
    network: &Network,
    id: PartId,
    row: &FailureRow,
    sections: &[PartId],
    add: &mut Add<'_>,
) {
    let Some(device) = network.part(id).device else {
        return;
    };
    let PartKind::Tube { unit, .. } = &stage.part(id).kind else {
        return;
    };
    let slot = network.device(device);
    let several = sections.len() > 1;
    let section = if several { unit.or(Some(1)) } else { None };
    let first = sections.first() == Some(&id);
    let prior = row.prior_for(None);
    // A heater serves every section: half of these failures are the bottle's.
    let own_share = if several { 0.5 } else { 1.0 };
    let own = devices_of(network, id);
    let bottle: Vec<DeviceId> = sections
        .iter()
        .flat_map(|s| devices_of(network, *s))
        .collect();
    match row.mode {
        Mode::Weak => {
            add(own_share, section, Action::Perveance(own), None, prior);
            if several && first {
                add(0.5, None, Action::Perveance(bottle), None, prior);
            }
        }
        Mode::Dead => {
            add(own_share, section, Action::Absent(own), None, prior);
            if several && first {
                add(0.5, None, Action::Absent(bottle), None, prior);
            }
        }
        Mode::Gassy if slot.ports.len() > 1 => add(1.0, section, Action::Gas(device), None, prior),
        Mode::HeaterCathodeLeak => add(1.0, section, Action::Shunt(slot.common, 0), None, prior),
        Mode::GridCathodeShort if slot.ports.len() > 1 => {
            add(
                1.0,
                section,
                Action::Shunt(slot.ports[1], slot.common),
                None,
                prior,
            );
        }
        Mode::PoorContact => {
            let mut pins: Vec<(Option<usize>, &'static str)> = vec![(None, "at the cathode pin")];
            for (port, electrode) in slot.electrodes.iter().enumerate() {
                match electrode {
                    Electrode::Plate => pins.push((Some(port), "at the plate pin")),
                    Electrode::Screen => pins.push((Some(port), "at the screen pin")),
                    Electrode::Grid => pins.push((Some(port), "at the grid pin")),
                    _ => {}
                }
            }
            // A heater pin with resistance in it starves the cathode.
            let share = 1.0 / (pins.len() + 1) as f64;
            for (port, place) in pins {
                add(
                    share,
                    section,
                    Action::Pin(device, port),
                    Some(place),
                    prior,
                );
            }
            let starved = ParameterPrior::Uniform {
                low: 0.02,
                high: 0.6,
                measure: Measure::Ratio,
            };
            add(
                share,
                if several { None } else { section },
                Action::Perveance(if several { bottle } else { own }),
                Some("at a heater pin"),
                starved,
            );
        }
        _ => {}
    }
}
