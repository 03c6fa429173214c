//! A network in one situation, ready for any number of failures.

use crate::continuation::expansion::ExpansionPoint;
use crate::continuation::newton::Precision;
use crate::error::SolveError;
use crate::linalg::dense::{Lu, Matrix};
use crate::network::{CLOSED_CONTACT_OHMS, ElementId, ElementRole, Network, strike_volts};
use crate::overlay::{Change, Overlay};
use crate::reading::OperatingPoint;
use crate::scratch::Scratch;
use crate::situation::{Situation, Values};
use crate::solve::solver::{Glow, Solver};
use crate::state::PortState;

/// How often a relay may change its mind before it is called unsteady.
const MOST_FLIPS: usize = 8;

/// Volts over the striking voltage at which a regulator would strike whatever
/// the tubes about it do in the dark, as a ratio.
const SURE_STRIKE: f64 = 1.1;

/// A network in one situation: its healthy state known, with the equations about it.
#[derive(Clone, Debug)]
pub struct Base<'n> {
    solver: Solver<'n>,
    /// By relay: pulled in when healthy.
    energised: Vec<bool>,
    /// The healthy state.
    healthy: ExpansionPoint,
    /// The same with every regulator dark, where the search for who strikes starts; `None` where there are none.
    dark: Option<ExpansionPoint>,
}

impl<'n> Base<'n> {
    /// Solves the healthy network in `situation`.
    ///
    /// # Errors
    /// A relay without a steady state, no operating point found, or a network too closely meshed.
    pub fn new(
        network: &'n Network,
        situation: &Situation,
        scratch: &mut Scratch,
    ) -> Result<Self, SolveError> {
        let mut energised = vec![false; network.relays.len()];
        for _ in 0..MOST_FLIPS {
            let solver = Solver::new(network, situation, &energised)?;
            let mut base = Self::about_nothing(solver, energised, scratch)?;
            let point = base.solve_held(&[], None, Precision::Currents, scratch)?;
            let found = point.energised_relays();
            let (glow, healthy) = point.into_parts();
            base.healthy = base
                .solver
                .expand(&glow, healthy)
                .ok_or_else(|| no_expansion(network))?;
            if !situation.power || found == base.energised {
                return Ok(base);
            }
            energised = found;
        }
        Err(unsteady(network, &energised))
    }

    /// With every regulator dark.
    fn about_nothing(
        solver: Solver<'n>,
        energised: Vec<bool>,
        scratch: &mut Scratch,
    ) -> Result<Self, SolveError> {
        let found = solver.locate_from_nothing(&mut scratch.newton)?;
        let glow = vec![false; solver.regulators.len()];
        let network = solver.network;
        let dark = solver
            .expand(&glow, found)
            .ok_or_else(|| no_expansion(network))?;
        let has_dark = !glow.is_empty() && solver.situation.power;
        Ok(Self {
            dark: has_dark.then(|| dark.clone()),
            solver,
            energised,
            healthy: dark,
        })
    }

    /// The network.
    pub fn network(&self) -> &'n Network {
        self.solver.network
    }

    /// The situation.
    pub fn situation(&self) -> &Situation {
        &self.solver.situation
    }

    /// Values of the healthy elements and devices.
    pub fn values(&self) -> &Values {
        &self.solver.values
    }

    /// Relays that are pulled in when healthy, in the order of [`Network::relays`].
    pub fn energised(&self) -> &[bool] {
        &self.energised
    }

    /// The operating point with `overlay` laid over the network, its devices perhaps where they `start`: found in
    /// a few steps where most of the network stays as it is. Currents balance to 10⁻⁹ of what flows.
    ///
    /// # Errors
    /// A relay without a steady state, or no operating point found.
    pub fn solve(
        &self,
        overlay: &[Change],
        start: Option<&PortState>,
        scratch: &mut Scratch,
    ) -> Result<OperatingPoint<'_>, SolveError> {
        self.solve_to(Precision::Currents, overlay, start, scratch)
    }

    /// As [`solve`](Self::solve), as closely as is wanted.
    ///
    /// # Errors
    /// As [`solve`](Self::solve).
    pub fn solve_to(
        &self,
        precision: Precision,
        overlay: &[Change],
        start: Option<&PortState>,
        scratch: &mut Scratch,
    ) -> Result<OperatingPoint<'_>, SolveError> {
        if self.network().relays.is_empty() || !self.situation().power {
            return self.solve_held(overlay, start, precision, scratch);
        }
        let mut energised = self.energised.clone();
        for _ in 0..MOST_FLIPS {
            let mut changes: Overlay = overlay.to_vec();
            self.move_contacts(&energised, &mut changes);
            let point = self.solve_held(&changes, start, precision, scratch)?;
            let found = point.energised_relays();
            if found == energised {
                return Ok(point);
            }
            energised = found;
        }
        Err(unsteady(self.network(), &energised))
    }

    /// Adds the contacts that other relay states move, but for those a failure holds.
    fn move_contacts(&self, energised: &[bool], changes: &mut Overlay) {
        let held: Vec<_> = changes
            .iter()
            .filter_map(|c| match c {
                Change::Ohms(element, _) => Some(*element),
                _ => None,
            })
            .collect();
        let network = self.network();
        let states = energised.iter().zip(&self.energised);
        for (relay, (&now, &before)) in network.relays.iter().zip(states) {
            if now == before {
                continue;
            }
            for (id, element) in (0u32..).map(ElementId).zip(&network.elements) {
                let ElementRole::Contact {
                    relay: coil,
                    normally_open,
                } = &element.role
                else {
                    continue;
                };
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

    /// With the relays held as they are; the regulators' glow is decided: all dark
    /// first, then whichever has reached its striking voltage.
    fn solve_held(
        &self,
        overlay: &[Change],
        start: Option<&PortState>,
        precision: Precision,
        scratch: &mut Scratch,
    ) -> Result<OperatingPoint<'_>, SolveError> {
        let find = |at, glow, start, scratch: &mut Scratch| {
            OperatingPoint::find(&self.solver, at, overlay, glow, start, precision, scratch)
        };
        let Some(dark) = &self.dark else {
            return find(&self.healthy, Glow::new(), start, scratch);
        };
        // Where those that glow would strike with volts to spare, and no other
        // would, there is no need to see them all dark.
        let mut fired = self.solver.glow_in(&self.healthy.values);
        if fired.contains(&true)
            && let Ok(point) = find(&self.healthy, fired.clone(), start, scratch)
            && self.strikes_surely(&point).unwrap_or(false)
        {
            return Ok(point);
        }
        fired.fill(false);
        let mut point = find(dark, fired.clone(), None, scratch)?;
        let mut values = self.values().clone();
        values.change_devices(self.network(), overlay);
        for _ in 0..=fired.len() {
            let mut struck = false;
            for (fired, &d) in fired.iter_mut().zip(&self.solver.regulators) {
                let slot = &self.network().devices[d];
                let strike = strike_volts(&slot.law).unwrap_or(f64::INFINITY);
                let strike = strike * values.conditions[d].volts;
                if values.present[d] && !*fired && point.state().volts[slot.first_port] >= strike {
                    *fired = true;
                    struck = true;
                }
            }
            if !struck {
                break;
            }
            point = find(&self.healthy, fired.clone(), start, scratch)?;
        }
        Ok(point)
    }

    /// Whether every glowing regulator would strike out of the dark by a wide
    /// margin, as far as the network's response at the point tells, and no other
    /// would. `None`: it does not tell.
    fn strikes_surely(&self, point: &OperatingPoint<'_>) -> Option<bool> {
        let network = self.network();
        let state = point.state();
        let values = point.values();
        let regulators = &self.solver.regulators;
        let mut glowing = regulators.clone();
        glowing.retain(|&d| values.present[d] && values.conditions[d].fired);
        let port = |d: usize| network.devices[d].first_port;
        if regulators.iter().any(|&d| values.has_pins(network, d)) {
            return None;
        }
        let count = glowing.len();
        // With the glow out, v + K (1 − S K)⁻¹ i: what they see of each other through
        // the failed network, their own slopes taken out of it again.
        let taps = &self.solver.pattern.port_taps;
        let mut columns = Vec::with_capacity(count);
        let mut turned = Matrix::zeros(count, count);
        for (q, &by) in glowing.iter().enumerate() {
            let mut column = Vec::new();
            point.column(taps[port(by)], &mut column);
            for (p, &at) in glowing.iter().enumerate() {
                let slope = state.currents[at].siemens[0][0];
                turned[(p, q)] = -slope * taps[port(at)].of(&column);
            }
            turned[(q, q)] += 1.0;
            columns.push(column);
        }
        let mut lu = Lu::default();
        lu.factor(&turned).ok()?;
        let mut amps: Vec<f64> = glowing.iter().map(|&d| state.amps[port(d)]).collect();
        lu.solve(&mut amps);
        let present = regulators.iter().filter(|&&d| values.present[d]);
        let mut all = present.map(|&d| {
            let condition = &values.conditions[d];
            let strike =
                strike_volts(&network.devices[d].law).unwrap_or(f64::INFINITY) * condition.volts;
            let tap = taps[port(d)];
            let rise: f64 = columns.iter().zip(&amps).map(|(c, i)| tap.of(c) * i).sum();
            let dark = state.volts[port(d)] + rise;
            if condition.fired {
                dark >= SURE_STRIKE * strike
            } else {
                state.volts[port(d)] < strike && SURE_STRIKE * dark < strike
            }
        });
        Some(all.all(|sure| sure))
    }
}

fn no_expansion(network: &Network) -> SolveError {
    SolveError::Singular {
        nodes: network.node_names.get(1).cloned().into_iter().collect(),
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
