//! By what the states of a stage that has several are told apart: which tubes conduct, which relays are pulled in.

use deadstage_circuit::{Base, DeviceId, Network, OperatingPoint};
use deadstage_netlist::Stage;
use deadstage_parts::Device;

use super::bottle_name;
use crate::outcome::{Does, StateMark};

/// A tube marks a state whose current in one state is so many times that in another,
const DIFFERS: f64 = 1.5;

/// or would be, were the smaller one this large, A.
const LEAST_AMPS: f64 = 1e-6;

/// By state, what it is known by; nothing where there is but one.
pub(crate) fn marks(
    stage: &Stage,
    network: &Network,
    bases: &[Base<'_>],
    solved: &[OperatingPoint<'_>],
) -> Vec<Vec<StateMark>> {
    let mut marks = vec![Vec::new(); bases.len()];
    for (nth, relay) in network.relays.iter().enumerate() {
        let pulled: Vec<bool> = bases.iter().map(|base| base.energised()[nth]).collect();
        if pulled.iter().all(|one| *one == pulled[0]) {
            continue;
        }
        for (marks, pulled) in marks.iter_mut().zip(pulled) {
            marks.push(StateMark {
                part: stage.part(relay.part).name.clone(),
                does: if pulled { Does::PullsIn } else { Does::Rests },
            });
        }
    }
    for (index, slot) in (0u32..).zip(&network.devices) {
        let is_amplifier = match slot.law {
            Device::Tube(_) | Device::Driven(_) | Device::Transistor(_) => true,
            Device::Diode(_)
            | Device::Rectifier(_)
            | Device::Regulator(_)
            | Device::Lamp(_)
            | Device::Own(_) => false,
        };
        let amps: Vec<f64> = solved
            .iter()
            .map(|at| at.device_amps(DeviceId(index))[0].abs().max(LEAST_AMPS))
            .collect();
        let most = amps.iter().copied().fold(0.0, f64::max);
        let least = amps.iter().copied().fold(f64::INFINITY, f64::min);
        if !is_amplifier || most < DIFFERS * least {
            continue;
        }
        let between = (most * least).sqrt();
        for (marks, amps) in marks.iter_mut().zip(&amps) {
            marks.push(StateMark {
                part: bottle_name(stage, slot.part),
                does: if *amps > between {
                    Does::Conducts
                } else {
                    Does::IsHeldDown
                },
            });
        }
    }
    marks
}
