//! What the plain reference solver finds, with regulators that strike and relays that pull in.

use deadstage_circuit::plain::{self, PlainSolution};
use deadstage_circuit::{Change, ElementValue, Network, Situation, Values};
use deadstage_parts::Device;

use super::check::STIFF_OHMS;

/// Relays of which every combination is tried, at most, and nodes in all these combinations together.
const MOST_RELAYS: usize = 6;
const MOST_NODES: usize = 2000;

/// The values of a situation with failures in it and relays held.
#[must_use]
pub fn values_of(
    network: &Network,
    situation: &Situation,
    overlay: &[Change],
    energised: &[bool],
) -> Values {
    let mut values = Values::of(network, situation, energised);
    values.change_devices(network, overlay);
    values.change_elements(overlay);
    values
}

/// By device, the volts that strike it; regulators that are there alone have any.
fn strike_volts<'a>(
    network: &'a Network,
    values: &'a Values,
) -> impl Iterator<Item = (usize, f64)> + 'a {
    network
        .devices
        .iter()
        .enumerate()
        .filter_map(|(device, slot)| match &slot.law {
            Device::Regulator(law) if values.present[device] => {
                Some((device, law.strike_volts() * values.conditions[device].volts))
            }
            _ => None,
        })
}

/// A regulator that stays dark though it has the volts to strike, by its device.
#[must_use]
pub fn should_strike(
    network: &Network,
    values: &Values,
    volts: impl Fn(usize) -> f64,
) -> Option<usize> {
    strike_volts(network, values)
        .find(|&(device, strike)| {
            !values.conditions[device].fired && volts(device) > strike * (1.0 + 1e-9)
        })
        .map(|(device, _)| device)
}

/// The state of `values` with every regulator dark at first, then those lit that have the volts.
#[must_use]
pub fn settle(network: &Network, values: &mut Values) -> Option<PlainSolution> {
    for condition in &mut values.conditions {
        condition.fired = false;
    }
    loop {
        let found = plain::solve(network, values).ok()?;
        let port = |device: usize| found.port_volts[network.devices[device].first_port];
        let Some(device) = should_strike(network, values, port) else {
            return Some(found);
        };
        values.conditions[device].fired = true;
    }
}

/// Amperes through an element, from its first node to its second.
fn element_amps(network: &Network, values: &Values, found: &PlainSolution, element: usize) -> f64 {
    let value = values.elements[element];
    let is_stiff = |ohms: f64| ohms < STIFF_OHMS;
    if is_stiff(value.ohms) {
        // Their currents are the last of the unknowns, shunts' behind those of elements.
        let shunts = values.shunts.iter().filter(|s| is_stiff(s.2)).count();
        let stiff =
            |elements: &[ElementValue]| elements.iter().filter(|v| is_stiff(v.ohms)).count();
        let all = stiff(&values.elements);
        let before = stiff(&values.elements[..element]);
        return found.unknowns[found.unknowns.len() - shunts - all + before];
    }
    let volts = |node: usize| node.checked_sub(1).map_or(0.0, |i| found.unknowns[i]);
    let of = &network.elements[element];
    (volts(of.from) - volts(of.to) - value.emf) / value.ohms
}

/// Whether some combination of relays agrees with its own coil currents; `None` where they are
/// too many to try, or where the reference finds no state of one.
#[must_use]
pub fn has_steady_state(
    network: &Network,
    situation: &Situation,
    overlay: &[Change],
) -> Option<bool> {
    let count = network.relays.len();
    if count > MOST_RELAYS || network.nodes << count > MOST_NODES {
        return None;
    }
    let mut all_found = true;
    for combination in 0..1usize << count {
        let energised: Vec<bool> = (0..count).map(|k| combination >> k & 1 == 1).collect();
        let mut values = values_of(network, situation, overlay, &energised);
        let Some(found) = settle(network, &mut values) else {
            all_found = false;
            continue;
        };
        let agrees = network.relays.iter().zip(&energised).all(|(relay, &on)| {
            let amps = element_amps(network, &values, &found, relay.coil.0 as usize);
            (amps.abs() >= relay.pulls_in) == on
        });
        if agrees {
            return Some(true);
        }
    }
    all_found.then_some(false)
}
