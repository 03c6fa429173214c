//! Where the devices are: voltages, currents and slopes at all ports.

use deadstage_parts::{MAX_PORTS, PortCurrents};

use crate::equations::linearisation::Linearisation;
use crate::network::Network;
use crate::situation::Values;

/// No port is driven past this voltage while iterating: the laws hold within it.
pub(crate) const MOST_VOLTS: f64 = 1e6;

/// Voltages, currents and slopes at all ports.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct PortState {
    /// Volts.
    pub volts: Vec<f64>,
    /// Amperes into the ports.
    pub amps: Vec<f64>,
    /// By device, its currents and slopes.
    pub currents: Vec<PortCurrents>,
}

impl PortState {
    /// Every device at these volts of the ports.
    pub(crate) fn at(network: &Network, values: &Values, port_volts: Vec<f64>) -> Self {
        let mut state = Self {
            amps: Vec::with_capacity(port_volts.len()),
            currents: Vec::with_capacity(network.devices.len()),
            volts: port_volts,
        };
        for (device, slot) in network.devices.iter().enumerate() {
            let ports = slot.ports.len();
            let mut volts = [0.0; MAX_PORTS];
            volts[..ports].copy_from_slice(&state.volts[slot.first_port..][..ports]);
            let currents = values.device_currents(network, device, &volts);
            state.amps.extend_from_slice(&currents.amps[..ports]);
            state.currents.push(currents);
        }
        state
    }

    /// Every device as it is in this state.
    pub(crate) fn linearisations(&self, network: &Network) -> Vec<Linearisation> {
        let pairs = network.devices.iter().zip(&self.currents);
        pairs
            .map(|(slot, currents)| {
                let mut at = Linearisation::new([0.0; MAX_PORTS], *currents);
                let range = slot.first_port..slot.first_port + slot.ports.len();
                at.volts[..slot.ports.len()].copy_from_slice(&self.volts[range.clone()]);
                at.currents.amps[..slot.ports.len()].copy_from_slice(&self.amps[range]);
                at
            })
            .collect()
    }
}
