//! Under what circumstances a unit is looked at, and what each element then is.

use deadstage_netlist::{PartId, SettingId};
use deadstage_parts::{Condition, PortCurrents, PortVolts};

use crate::network::{ElementRole, LEAST_OHMS, Network};
use crate::overlay::{Change, DeviceChange};

/// Circumstances that hold for some readings and not for others.
#[derive(Clone, Debug, PartialEq)]
pub struct Situation {
    /// Control setting; `None` for a unit that has none.
    pub setting: Option<SettingId>,
    /// Mains voltage as a ratio of what the stage assumes.
    pub line_ratio: f64,
    /// Parts whose bottle is out of its socket.
    pub pulled: Vec<PartId>,
    /// Parts with one lead off.
    pub lifted: Vec<PartId>,
    /// Power on; off is how ohms are taken: sources isolated, tubes cold.
    pub power: bool,
    /// A current sent through a part from outside, as a meter is calibrated.
    pub bench: Option<BenchCurrent>,
}

/// A known current into one node and out of another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct BenchCurrent {
    /// Node index that it goes into.
    pub from: usize,
    /// Node index that it is taken out of.
    pub to: usize,
    /// Amperes.
    pub amps: f64,
}

impl Situation {
    /// Power on, in this setting, at the mains voltage the stage assumes.
    pub fn running(setting: Option<SettingId>) -> Self {
        Self {
            setting,
            line_ratio: 1.0,
            pulled: Vec::new(),
            lifted: Vec::new(),
            power: true,
            bench: None,
        }
    }

    /// The same with the power off.
    #[must_use]
    pub fn power_off(mut self) -> Self {
        self.power = false;
        self
    }
}

/// What an element is in one situation, perhaps with a failure.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ElementValue {
    /// Ohms; infinite if open.
    pub ohms: f64,
    /// Volts in series.
    pub emf: f64,
}

/// Everything that the equations need in one situation.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Values {
    /// By element.
    pub elements: Vec<ElementValue>,
    /// By device.
    pub conditions: Vec<Condition>,
    /// By device: in its socket and supplied.
    pub present: Vec<bool>,
    /// Resistance in series with the common terminal of each device, ohms.
    pub common_ohms: Vec<f64>,
    /// Resistance in series with each port of the network, ohms.
    pub port_ohms: Vec<f64>,
    /// Extra paths: two nodes and ohms.
    pub shunts: Vec<(usize, usize, f64)>,
    /// A current from outside.
    pub bench: Option<BenchCurrent>,
}

/// Leakage across the insulation of a device that is there, from each port to the common terminal, S: a node that hangs
/// on devices alone has a voltage though all of them are cut off. Common practice, no source.
pub const INSULATION_SIEMENS: f64 = 2e-13;

impl Values {
    /// The print's values in `situation`, relay coils of `energised` pulled in.
    pub fn of(network: &Network, situation: &Situation, energised: &[bool]) -> Self {
        let is_energised = |part: PartId| {
            network
                .relays
                .iter()
                .zip(energised)
                .any(|(relay, &on)| on && relay.part == part)
        };
        let elements = network
            .elements
            .iter()
            .map(|element| {
                let mut ohms = element.ohms;
                let mut emf = element.emf;
                match &element.role {
                    ElementRole::Plain | ElementRole::Leakage => {}
                    ElementRole::Warmed { cold_ohms } => {
                        if !situation.power {
                            ohms = *cold_ohms;
                        }
                    }
                    ElementRole::Source { follows_line } => {
                        if !situation.power {
                            ohms = f64::INFINITY;
                            emf = 0.0;
                        } else if *follows_line {
                            emf *= situation.line_ratio;
                        }
                    }
                    ElementRole::Switch(closed_in) => {
                        if !situation.setting.is_some_and(|s| closed_in.contains(&s)) {
                            ohms = f64::INFINITY;
                        }
                    }
                    ElementRole::Contact {
                        relay,
                        normally_open,
                    } => {
                        if is_energised(*relay) != *normally_open {
                            ohms = f64::INFINITY;
                        }
                    }
                }
                let out = |parts: &[PartId]| parts.contains(&element.part);
                if out(&situation.lifted) || out(&situation.pulled) {
                    ohms = f64::INFINITY;
                }
                ElementValue { ohms, emf }
            })
            .collect();
        let present = network
            .devices
            .iter()
            .map(|slot| {
                situation.power
                    && !situation.pulled.contains(&slot.part)
                    && !situation.lifted.contains(&slot.part)
            })
            .collect();
        let conditions = network
            .devices
            .iter()
            .map(|slot| Condition {
                volts: if slot.follows_line {
                    situation.line_ratio
                } else {
                    1.0
                },
                choke: match slot.input_choke {
                    Some(choke) if situation.lifted.contains(&choke) => f64::INFINITY,
                    _ => 1.0,
                },
                ..Condition::default()
            })
            .collect();
        Self {
            elements,
            conditions,
            present,
            common_ohms: vec![0.0; network.devices.len()],
            port_ohms: vec![0.0; network.port_count],
            shunts: Vec::new(),
            bench: situation.bench,
        }
    }

    /// Whether there is resistance in a device's pins.
    pub(crate) fn has_pins(&self, network: &Network, device: usize) -> bool {
        let slot = &network.devices[device];
        let own = &self.port_ohms[slot.first_port..slot.first_port + slot.ports.len()];
        self.common_ohms[device] != 0.0 || own.iter().any(|ohms| *ohms != 0.0)
    }

    /// The pairs of nodes that devices which are there tie to one another, by their insulation if by nothing else.
    pub(crate) fn insulated<'a>(
        &'a self,
        network: &'a Network,
    ) -> impl Iterator<Item = (usize, usize)> + 'a {
        let devices = network.devices.iter().zip(&self.present);
        let there = devices.filter(|(_, present)| **present);
        there.flat_map(|(slot, _)| slot.ports.iter().map(|&port| (port, slot.common)))
    }

    /// Currents into the ports of a device at these volts and their slopes, with what its insulation leaks; nothing of a
    /// device that is not there.
    #[inline]
    pub fn device_currents(
        &self,
        network: &Network,
        device: usize,
        volts: &PortVolts,
    ) -> PortCurrents {
        if !self.present[device] {
            return PortCurrents::default();
        }
        let slot = &network.devices[device];
        let mut currents = slot.law.currents(volts, &self.conditions[device]);
        for (port, volts) in volts.iter().enumerate().take(slot.ports.len()) {
            currents.amps[port] += INSULATION_SIEMENS * volts;
            currents.siemens[port][port] += INSULATION_SIEMENS;
        }
        currents
    }

    /// The same with every source, and every winding that feeds a rectifier, at this share of its voltage.
    pub(crate) fn with_supplies_at(&self, network: &Network, share: f64) -> Self {
        let mut lowered = self.clone();
        for element in &mut lowered.elements {
            element.emf *= share;
        }
        for (condition, slot) in lowered.conditions.iter_mut().zip(&network.devices) {
            if slot.follows_line {
                condition.volts *= share;
            }
        }
        if let Some(bench) = &mut lowered.bench {
            bench.amps *= share;
        }
        lowered
    }

    /// Takes over what another has, but for elements and shunts, in the memory at hand.
    pub(crate) fn copy_devices(&mut self, other: &Self) {
        self.conditions.clone_from(&other.conditions);
        self.present.clone_from(&other.present);
        self.common_ohms.clone_from(&other.common_ohms);
        self.port_ohms.clone_from(&other.port_ohms);
        self.bench = other.bench;
    }

    /// Lays the device and pin changes of an overlay over these values.
    pub fn change_devices(&mut self, network: &Network, overlay: &[Change]) {
        for change in overlay {
            match *change {
                Change::Pin { device, port, ohms } => match port {
                    None => self.common_ohms[device.0 as usize] += ohms,
                    Some(port) => {
                        self.port_ohms[network.device(device).first_port + port] += ohms;
                    }
                },
                Change::Device(device, change) => {
                    let condition = &mut self.conditions[device.0 as usize];
                    match change {
                        DeviceChange::Perveance(ratio) => condition.perveance *= ratio,
                        DeviceChange::Gas(fraction) => condition.gas += fraction,
                        DeviceChange::Volts(ratio) => condition.volts *= ratio,
                        DeviceChange::Sides(fraction) => condition.sides *= fraction,
                        DeviceChange::NoReservoir => condition.reservoir = false,
                        DeviceChange::Choke(ratio) => condition.choke *= ratio,
                        DeviceChange::Mu(ratio) => condition.mu *= ratio,
                        DeviceChange::ContactVolts(volts) => condition.contact_volts += volts,
                        DeviceChange::ScreenShare(ratio) => condition.screen_share *= ratio,
                        DeviceChange::GridCurrent(ratio) => condition.grid_current *= ratio,
                        DeviceChange::Knee(ratio) => condition.knee *= ratio,
                        DeviceChange::Drive(ratio) => condition.drive *= ratio,
                        DeviceChange::Moved(of, amount) => {
                            *condition = condition.moved(of, amount);
                        }
                        DeviceChange::NotFiring | DeviceChange::Absent => {
                            self.present[device.0 as usize] = false;
                        }
                    }
                }
                Change::Ohms(..) | Change::Emf(..) | Change::Shunt { .. } => {}
            }
        }
    }

    /// Lays the changes of resistances and sources over these values, for a
    /// solution that builds its equations anew.
    pub fn change_elements(&mut self, overlay: &[Change]) {
        for change in overlay {
            match *change {
                Change::Ohms(element, ohms) => {
                    let value = &mut self.elements[element.0 as usize];
                    value.ohms = ohms.max(LEAST_OHMS);
                }
                Change::Emf(element, volts) => self.elements[element.0 as usize].emf = volts,
                Change::Shunt { from, to, ohms } => {
                    self.shunts.push((from, to, ohms.max(LEAST_OHMS)));
                }
                Change::Pin { .. } | Change::Device(..) => {}
            }
        }
    }
}
