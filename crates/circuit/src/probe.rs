//! What can be measured.

use deadstage_netlist::PartId;

use crate::network::{DeviceId, ElementId, Network};

/// One thing that a meter can be put to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Probe {
    /// Volts from one node to another, with the meter's resistance across them.
    Volts {
        /// Node at the red lead.
        from: usize,
        /// Node at the black lead.
        to: usize,
        /// The meter's resistance, ohms; `None` draws nothing.
        load: Option<f64>,
    },
    /// Ohms between two nodes, power off.
    Ohms {
        /// One node.
        from: usize,
        /// The other.
        to: usize,
    },
    /// A current.
    Amps(Flow),
}

/// Where a current is taken.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Flow {
    /// Through an element, from its first node to its second.
    Element(ElementId),
    /// Into a port of a device.
    Port(DeviceId, usize),
}

impl Flow {
    /// The current through a part with two ends; a tube's is that of its plate.
    pub fn through(network: &Network, part: PartId) -> Option<Self> {
        let model = network.part(part);
        match (model.device, model.elements.first()) {
            (Some(device), _) => Some(Self::Port(device, 0)),
            (None, Some(&element)) => Some(Self::Element(element)),
            (None, None) => None,
        }
    }
}
