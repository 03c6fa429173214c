//! A network in one situation, ready for any number of failures.

use std::cmp::Ordering;

use crate::continuation::expansion::ExpansionPoint;
use crate::continuation::newton::Precision;
use crate::error::SolveError;
use crate::linalg::dense::{Lu, Matrix};
use crate::network::{ElementId, ElementRole, Network, strike_volts};
use crate::overlay::{Change, Overlay};
use crate::reading::OperatingPoint;
use crate::scratch::Scratch;
use crate::situation::{Situation, Values};
use crate::solve::relays::{self, Tried};
use crate::solve::solver::{Glow, Solver};
use crate::state::PortState;

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
    /// Solves the healthy network in `situation`. Where it has several states that hold by themselves, this is
    /// the first of [`all`](Self::all).
    ///
    /// # Errors
    /// A relay without a steady state, no operating point found, or a network too closely meshed.
    pub fn new(
        network: &'n Network,
        situation: &Situation,
        scratch: &mut Scratch,
    ) -> Result<Self, SolveError> {
        let mut found = Self::with_steady_relays(network, situation, false, scratch)?;
        let mut base = found.swap_remove(0);
        if situation.power && !base.solver.is_stable(&base.healthy) {
            base = base.states(scratch).swap_remove(0);
        }
        Ok(base)
    }

    /// Every state of the healthy network in `situation` that holds by itself, as far as they are found: two halves of
    /// a flip-flop, relays that lock each other out. At least one; where the search from nothing ended in one that does not
    /// hold, the first is that in which the device that the stage names first of those that differ draws the most.
    ///
    /// # Errors
    /// As [`Base::new`].
    pub fn all(
        network: &'n Network,
        situation: &Situation,
        scratch: &mut Scratch,
    ) -> Result<Vec<Self>, SolveError> {
        let found = Self::with_steady_relays(network, situation, true, scratch)?;
        let mut all = Vec::new();
        for base in found {
            all.extend(base.states(scratch));
        }
        Ok(all)
    }

    /// This state, if it holds by itself, and those beside it.
    fn states(self, scratch: &mut Scratch) -> Vec<Self> {
        if !self.situation().power {
            return vec![self];
        }
        let glow = self.solver.glow_in(&self.healthy.values);
        let newton = &mut scratch.newton;
        let beside = self.solver.states_beside(&self.healthy, &glow, newton);
        let others = beside.into_iter().filter_map(|state| {
            let healthy = self.solver.expand(&state.glow, state.found)?;
            Some(Self {
                healthy,
                ..self.clone()
            })
        });
        let mut states: Vec<Self> = others.collect();
        // One that does not hold is still better than none.
        if states.is_empty() || self.solver.is_stable(&self.healthy) {
            states.insert(0, self);
            return states;
        }
        let draws = |base: &Self| -> Vec<f64> {
            let devices = base.healthy.linearisations.iter();
            devices.map(|at| at.currents.amps[0]).collect()
        };
        states.sort_by(|one, other| {
            let pairs = draws(one).into_iter().zip(draws(other));
            let mut differ = pairs.filter(|(a, b)| (a - b).abs() > 1e-3 * a.abs().max(b.abs()));
            differ
                .next()
                .map_or(Ordering::Equal, |(a, b)| b.total_cmp(&a))
        });
        states
    }

    /// The states of relays that are steady: the first found, or all.
    fn with_steady_relays(
        network: &'n Network,
        situation: &Situation,
        wants_all: bool,
        scratch: &mut Scratch,
    ) -> Result<Vec<Self>, SolveError> {
        let first = vec![false; network.relays.len()];
        let steady = relays::steady(&first, wants_all, |energised| {
            let solver = Solver::new(network, situation, energised)?;
            let mut base = Self::about_nothing(solver, energised.to_vec(), scratch)?;
            let point = base.solve_held(&[], None, Precision::Currents, scratch)?;
            let held = if situation.power {
                point.energised_relays()
            } else {
                energised.to_vec()
            };
            let (glow, healthy) = point.into_parts();
            let expanded = base.solver.expand(&glow, healthy);
            base.healthy = expanded.ok_or_else(|| no_expansion(network))?;
            Ok(Tried { held, found: base })
        });
        match steady {
            Ok(steady) => Ok(steady.into_iter().map(|(_, base)| base).collect()),
            Err(trouble) => Err(trouble.unwrap_or_else(|| unsteady(network, &first))),
        }
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
        let found = relays::steady(&self.energised, false, |energised| {
            let mut changes: Overlay = overlay.to_vec();
            self.move_contacts(energised, &mut changes);
            let found = self.solve_held(&changes, start, precision, scratch)?;
            let held = found.energised_relays();
            Ok(Tried { held, found })
        });
        match found {
            Ok(mut steady) => Ok(steady.swap_remove(0).1),
            Err(trouble) => {
                Err(trouble.unwrap_or_else(|| unsteady(self.network(), &self.energised)))
            }
        }
    }

    /// Adds the contacts that other relay states move, but for those a failure holds.
    fn move_contacts(&self, energised: &[bool], changes: &mut Overlay) {
        if energised == self.energised {
            return;
        }
        let is_held = |id: ElementId| {
            let held = |c: &Change| matches!(c, Change::Ohms(element, _) if *element == id);
            changes.iter().any(held)
        };
        let network = self.network();
        let moved = Values::of(network, self.situation(), energised);
        let pairs = self.values().elements.iter().zip(&moved.elements);
        let differ = (0u32..)
            .map(ElementId)
            .zip(pairs)
            .filter(|(id, (now, then))| {
                matches!(network.element(*id).role, ElementRole::Contact { .. })
                    && now.ohms != then.ohms
                    && !is_held(*id)
            });
        let contacts: Overlay = differ
            .map(|(id, (_, then))| Change::Ohms(id, then.ohms))
            .collect();
        changes.extend(contacts);
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
