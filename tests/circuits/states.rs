//! Every state of a circuit that the plain solver comes to from starts all over the place.

use deadstage_circuit::plain;
use deadstage_circuit::{Base, Network, PortState, Values};
use deadstage_parts::MAX_PORTS;
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

use super::check::{self, Found};
use super::reference::should_strike;

/// Two states are one whose node voltages differ by less than this, V.
pub const SAME_VOLTS: f64 = 0.01;

/// States that hold by themselves, by their node voltages (the common's first): those that Newton's method on the
/// whole network finds from so many random starts, and whose equations have the sign of one that holds.
#[must_use]
pub fn from_everywhere(
    network: &Network,
    values: &Values,
    highest: f64,
    starts: u32,
    seed: u64,
) -> Vec<Vec<f64>> {
    let mut rng = Pcg64Mcg::seed_from_u64(seed);
    let mut states: Vec<Vec<f64>> = Vec::new();
    for _ in 0..starts {
        let mut volts = vec![0.0];
        volts.extend((1..network.nodes).map(|_| rng.random_range(-0.2..1.0) * highest));
        let ports = ports_at(network, values, &volts);
        let Ok(found) = plain::solve_from(network, values, &volts, &ports) else {
            continue;
        };
        let across = |device: usize| found.port_volts[network.devices[device].first_port];
        if should_strike(network, values, across).is_some() {
            continue;
        }
        volts.truncate(1);
        volts.extend(&found.unknowns[..network.nodes - 1]);
        let found = Found {
            // Only the voltages have a say in the slopes.
            element_amps: vec![0.0; network.elements.len()],
            port_volts: found.port_volts,
            port_amps: found.port_amps,
            node_volts: volts,
        };
        let holds = check::may_hold(network, values, &found) == Some(true);
        if holds && !states.iter().any(|known| is_same(known, &found.node_volts)) {
            states.push(found.node_volts);
        }
    }
    states
}

/// Whether two states are one.
#[must_use]
pub fn is_same(one: &[f64], other: &[f64]) -> bool {
    one.iter()
        .zip(other)
        .all(|(a, b)| (a - b).abs() < SAME_VOLTS)
}

/// Every device where these node voltages put it, its pins without resistance.
fn ports_at(network: &Network, values: &Values, volts: &[f64]) -> PortState {
    let mut state = PortState::default();
    for (device, slot) in network.devices.iter().enumerate() {
        let mut at = [0.0; MAX_PORTS];
        for (v, &node) in at.iter_mut().zip(&slot.ports) {
            *v = volts[node] - volts[slot.common];
        }
        let currents = values.device_currents(network, device, &at);
        state.volts.extend(&at[..slot.ports.len()]);
        state.amps.extend(&currents.amps[..slot.ports.len()]);
        state.currents.push(currents);
    }
    state
}

/// The node voltages of a network's healthy state.
///
/// # Errors
/// What the solver says, which has found it before.
pub fn node_volts(base: &Base<'_>) -> Result<Found, deadstage_circuit::SolveError> {
    let point = base.solve(&[], None, &mut deadstage_circuit::Scratch::default())?;
    Ok(Found::of(base.network(), &point))
}
