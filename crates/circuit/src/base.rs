//! A network in one situation, ready for any number of failures.

use std::sync::OnceLock;

use deadstage_parts::Device;

use crate::error::SolveError;
use crate::faulted::Faulted;
use crate::linear::Linear;
use crate::near::{Centres, NearScratch};
use crate::network::{CLOSED_CONTACT_OHMS, DeviceId, ElementRole, LEAST_OHMS, Network};
use crate::operating::{LinearPart, OperatingPoint};
use crate::overlay::{Change, DeviceChange, Overlay};
use crate::plain;
use crate::ports::{self, NotSettled, PortNetwork, PortScratch, PortState};
use crate::situation::{Situation, Values};

/// How often a relay may change its mind before it is called unsteady.
pub(crate) const MOST_FLIPS: usize = 8;

/// A network in one situation: its linear part solved, its healthy state known.
#[derive(Clone, Debug)]
pub struct Base<'n> {
    pub(crate) network: &'n Network,
    situation: Situation,
    values: Values,
    pub(crate) linear: Linear,
    /// By relay: pulled in when healthy.
    energised: Vec<bool>,
    /// Columns of A⁻¹ for every port.
    port_columns: Vec<Vec<f64>>,
    healthy: PortState,
    /// The healthy state but with every regulator dark, where a search for who strikes starts.
    dark: Option<PortState>,
    /// Devices that strike.
    pub(crate) regulators: Vec<usize>,
    /// The known points with the equations about them; made at first need.
    centres: OnceLock<Option<Box<Centres>>>,
}

/// Buffers for solving; one a thread.
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    pub(crate) ports: PortScratch,
    pub(crate) column: Vec<f64>,
    pub(crate) adjoint: Vec<f64>,
    pub(crate) weights: Vec<f64>,
    pub(crate) loaded: PortNetwork,
    pub(crate) loaded_state: PortState,
    pub(crate) unknowns: Vec<f64>,
    pub(crate) near: NearScratch,
}

impl<'n> Base<'n> {
    /// Solves the healthy network in `situation`.
    ///
    /// # Errors
    /// Sources in a loop, relays or regulators without a steady state, or no
    /// operating point found.
    pub fn new(
        network: &'n Network,
        situation: &Situation,
        scratch: &mut Scratch,
    ) -> Result<Self, SolveError> {
        let mut energised = vec![false; network.relays.len()];
        for _ in 0..MOST_FLIPS {
            let mut base = Self::with_relays(network, situation, &energised)?;
            let point = base.solve_fixed(&[], None, scratch)?;
            let found = point.energised_relays();
            let healthy = point.into_state();
            base.healthy = healthy;
            if !situation.power || found == energised {
                base.dark = base.dark_state(scratch);
                return Ok(base);
            }
            energised = found;
        }
        Err(unsteady(network, &energised))
    }

    fn with_relays(
        network: &'n Network,
        situation: &Situation,
        energised: &[bool],
    ) -> Result<Self, SolveError> {
        let values = Values::of(network, situation, energised);
        let linear = Linear::new(network, &values).map_err(|at| singular(network, at.0))?;
        let port_columns = linear
            .port_taps
            .iter()
            .map(|&tap| {
                let mut column = Vec::new();
                linear.column(tap, &mut column);
                column
            })
            .collect();
        Ok(Self {
            network,
            situation: situation.clone(),
            values,
            linear,
            energised: energised.to_vec(),
            port_columns,
            healthy: PortState {
                volts: vec![0.0; network.port_count],
                ..PortState::default()
            },
            dark: None,
            regulators: (0..network.devices.len())
                .filter(|&device| strike_volts(&network.devices[device].law).is_some())
                .collect(),
            centres: OnceLock::new(),
        })
    }

    /// Every regulator dark.
    pub(crate) fn dark_overlay(&self) -> Overlay {
        let ids = (0u32..).map(DeviceId);
        ids.zip(&self.network.devices)
            .filter(|(_, slot)| strike_volts(&slot.law).is_some())
            .map(|(id, _)| Change::Device(id, DeviceChange::NotFiring))
            .collect()
    }

    /// The known points to follow failures from; `None` also where the network is
    /// too large to know its response everywhere.
    pub(crate) fn centres(&self, scratch: &mut Scratch) -> Option<&Centres> {
        self.centres
            .get_or_init(|| Centres::new(self, scratch).map(Box::new))
            .as_deref()
    }

    fn dark_state(&self, scratch: &mut Scratch) -> Option<PortState> {
        let out = self.dark_overlay();
        if out.is_empty() {
            return None;
        }
        let point = self.solve_fixed(&out, None, scratch).ok()?;
        Some(point.into_state())
    }

    /// The network.
    pub fn network(&self) -> &'n Network {
        self.network
    }

    /// The situation.
    pub fn situation(&self) -> &Situation {
        &self.situation
    }

    /// Values of the healthy elements and devices.
    pub fn values(&self) -> &Values {
        &self.values
    }

    /// Relays that are pulled in when healthy, in the order of [`Network::relays`].
    pub fn energised(&self) -> &[bool] {
        &self.energised
    }

    /// The operating point with `overlay` laid over the network, starting
    /// from `start` (the healthy state if not given).
    ///
    /// # Errors
    /// As [`Base::new`].
    pub fn solve(
        &self,
        overlay: &[Change],
        start: Option<&PortState>,
        scratch: &mut Scratch,
    ) -> Result<OperatingPoint<'_>, SolveError> {
        if self.network.relays.is_empty() || !self.situation.power {
            return self.solve_fixed(overlay, start, scratch);
        }
        let mut energised = self.energised.clone();
        for _ in 0..MOST_FLIPS {
            let mut changes: Overlay = overlay.to_vec();
            self.move_contacts(&energised, &mut changes);
            let point = self.solve_fixed(&changes, start, scratch)?;
            let found = point.energised_relays();
            if found == energised {
                return Ok(point);
            }
            energised = found;
        }
        Err(unsteady(self.network, &energised))
    }

    /// Adds the contacts that other relay states move, but for those a failure holds.
    pub(crate) fn move_contacts(&self, energised: &[bool], changes: &mut Overlay) {
        let held: Vec<_> = changes
            .iter()
            .filter_map(|c| match c {
                Change::Ohms(element, _) => Some(*element),
                _ => None,
            })
            .collect();
        for (relay, (&now, &before)) in self
            .network
            .relays
            .iter()
            .zip(energised.iter().zip(&self.energised))
        {
            if now == before {
                continue;
            }
            for (index, element) in (0u32..).zip(&self.network.elements) {
                let ElementRole::Contact {
                    relay: coil,
                    normally_open,
                } = &element.role
                else {
                    continue;
                };
                let id = crate::network::ElementId(index);
                if *coil != relay.part || held.contains(&id) {
                    continue;
                }
                let ohms = if now == *normally_open {
                    CLOSED_CONTACT_OHMS
                } else {
                    f64::INFINITY
                };
                changes.push(Change::Ohms(id, ohms));
            }
        }
    }

    /// Solves with the relays held as they are.
    pub(crate) fn solve_fixed(
        &self,
        overlay: &[Change],
        start: Option<&PortState>,
        scratch: &mut Scratch,
    ) -> Result<OperatingPoint<'_>, SolveError> {
        let network = self.network;
        let mut values = self.values.clone();
        values.change_devices(network, overlay);
        let linear = match Faulted::new(&self.linear, &values, overlay) {
            Some(faulted) => {
                for change in overlay {
                    match *change {
                        Change::Ohms(element, ohms) => {
                            values.elements[element.0 as usize].ohms = ohms.max(LEAST_OHMS);
                        }
                        Change::Emf(element, emf) => values.elements[element.0 as usize].emf = emf,
                        Change::Shunt { from, to, ohms } => {
                            values.shunts.push((from, to, ohms.max(LEAST_OHMS)));
                        }
                        Change::Pin { .. } | Change::Device(..) => {}
                    }
                }
                LinearPart::Updated(faulted)
            }
            None => {
                values.change_elements(overlay);
                LinearPart::Anew(
                    Linear::new(network, &values).map_err(|at| singular(network, at.0))?,
                )
            }
        };
        let touched = match &linear {
            LinearPart::Updated(faulted) => !faulted.is_bare(),
            LinearPart::Anew(_) => true,
        };
        let columns: Vec<Vec<f64>> = if touched {
            self.linear
                .port_taps
                .iter()
                .map(|&tap| {
                    let mut column = Vec::new();
                    linear.column(tap, &mut column);
                    column
                })
                .collect()
        } else {
            self.port_columns.clone()
        };
        let mut seen = PortNetwork::default();
        let count = network.port_count;
        seen.resistance.reset(count, count);
        for (q, column) in columns.iter().enumerate() {
            for (p, tap) in self.linear.port_taps.iter().enumerate() {
                seen.resistance[(p, q)] = tap.of(column);
            }
        }
        for (device, slot) in network.devices.iter().enumerate() {
            let range = slot.first_port..slot.first_port + slot.ports.len();
            for p in range.clone() {
                seen.resistance[(p, p)] += values.port_ohms[p];
                for q in range.clone() {
                    seen.resistance[(p, q)] += values.common_ohms[device];
                }
            }
        }
        seen.open = self
            .linear
            .port_taps
            .iter()
            .map(|tap| tap.of(linear.open()))
            .collect();
        let mut state = start.unwrap_or(&self.healthy).clone();
        self.settle(overlay, &mut values, &seen, &mut state, scratch)?;
        Ok(OperatingPoint::new(
            network,
            &self.linear,
            self.situation.power,
            values,
            linear,
            columns,
            seen,
            state,
        ))
    }

    /// Newton in the ports, with the regulators' glow decided: all dark
    /// first, then whichever has reached its striking voltage.
    fn settle(
        &self,
        overlay: &[Change],
        values: &mut Values,
        seen: &PortNetwork,
        state: &mut PortState,
        scratch: &mut Scratch,
    ) -> Result<(), SolveError> {
        let network = self.network;
        let regulators: Vec<usize> = self
            .regulators
            .iter()
            .copied()
            .filter(|&index| values.present[index])
            .collect();
        for &index in &regulators {
            values.conditions[index].fired = false;
        }
        let mut lit = None;
        if let (Some(dark), false) = (&self.dark, regulators.is_empty()) {
            lit = Some(std::mem::replace(state, dark.clone()));
        }
        self.newton(overlay, values, seen, state, scratch)?;
        for _ in 0..=regulators.len() {
            let mut struck = false;
            for &index in &regulators {
                let volts = state.volts[network.devices[index].first_port];
                let strike = strike_volts(&network.devices[index].law).unwrap_or(f64::INFINITY);
                let condition = &mut values.conditions[index];
                if !condition.fired && volts >= strike * condition.volts {
                    condition.fired = true;
                    struck = true;
                }
            }
            if !struck {
                break;
            }
            if let Some(lit) = lit.take() {
                *state = lit;
            }
            self.newton(overlay, values, seen, state, scratch)?;
        }
        Ok(())
    }

    fn newton(
        &self,
        overlay: &[Change],
        values: &Values,
        seen: &PortNetwork,
        state: &mut PortState,
        scratch: &mut Scratch,
    ) -> Result<(), SolveError> {
        let network = self.network;
        let began = state.clone();
        let first = match ports::solve(network, values, seen, 1.0, state, &mut scratch.ports) {
            Ok(()) => return Ok(()),
            Err(trouble) => trouble,
        };
        let second = match ports::ramp(network, values, seen, state, &mut scratch.ports) {
            Ok(()) => return Ok(()),
            Err(trouble) => trouble,
        };
        // Last, the whole network with leaks that are taken away step by step; its
        // matrix is dense, so a network too large for that is given up here.
        if self.linear.inverse().is_none() {
            return Err(self.not_converged([first, second, second]));
        }
        let mut whole = self.values.clone();
        whole.change_devices(network, overlay);
        whole.conditions.clone_from(&values.conditions);
        whole.present.clone_from(&values.present);
        whole.change_elements(overlay);
        match plain::leak_steps(network, &whole) {
            Some(volts) => {
                *state = began;
                state.volts = volts;
                ports::solve(network, values, seen, 1.0, state, &mut scratch.ports)
                    .map_err(|third| self.not_converged([first, second, third]))
            }
            None => Err(self.not_converged([first, second, second])),
        }
    }

    fn not_converged(&self, troubles: [NotSettled; 3]) -> SolveError {
        let network = self.network;
        let node_of = |port: usize| {
            network
                .devices
                .iter()
                .find(|slot| (slot.first_port..slot.first_port + slot.ports.len()).contains(&port))
                .map_or(0, |slot| slot.ports[port - slot.first_port])
        };
        let mut nodes: Vec<String> = Vec::new();
        for trouble in troubles {
            let name = network.node_names[node_of(trouble.port)].clone();
            if !nodes.contains(&name) {
                nodes.push(name);
            }
        }
        SolveError::NotConverged {
            nodes,
            trace: [
                "Newton from the healthy state",
                "the sources raised from zero",
                "leaks taken away",
            ]
            .iter()
            .zip(troubles)
            .map(|(what, t)| format!("{what}: stuck after {} steps", t.steps))
            .collect(),
        }
    }
}

pub(crate) fn singular(network: &Network, unknown: usize) -> SolveError {
    let node = network.node_names.get(unknown + 1);
    SolveError::Singular {
        nodes: vec![
            node.cloned()
                .unwrap_or_else(|| "a loop of sources or bare wire".to_owned()),
        ],
    }
}

fn unsteady(network: &Network, energised: &[bool]) -> SolveError {
    let part = network
        .relays
        .iter()
        .zip(energised)
        .find(|(_, on)| **on)
        .or_else(|| network.relays.iter().zip(energised).next())
        .map_or_else(String::new, |(relay, _)| {
            network.part_names[relay.part.0 as usize].clone()
        });
    SolveError::NoSteadyState { part }
}

/// Voltage at which a regulator strikes; `None` for any other device.
pub(crate) fn strike_volts(device: &Device) -> Option<f64> {
    match device {
        Device::Regulator(law) => Some(law.strike_volts()),
        _ => None,
    }
}
