//! A network in one situation, ready for any number of failures.

use crate::continuation::newton::Precision;
use crate::error::SolveError;
use crate::network::{ElementId, ElementRole, Network};
use crate::overlay::{Change, Overlay};
use crate::reading::OperatingPoint;
use crate::reading::known::Known;
use crate::scratch::Scratch;
use crate::situation::{Situation, Values};
use crate::solve::relays::{self, Tried};
use crate::solve::solver::Solver;
use crate::state::PortState;

/// A network in one situation: its healthy state known, with the equations about it.
#[derive(Clone, Debug)]
pub struct Base<'n> {
    known: Known<'n>,
    /// By relay: pulled in when healthy.
    energised: Vec<bool>,
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
        Ok(found.swap_remove(0))
    }

    /// Every state of the healthy network in `situation` that holds by itself, as far as they are found: two halves of
    /// a flip-flop, relays that lock each other out. At least one.
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

    /// This state and those beside it.
    fn states(self, scratch: &mut Scratch) -> Vec<Self> {
        if !self.situation().power {
            return vec![self];
        }
        let beside = self.known.states_beside(&mut scratch.newton);
        let others = beside.into_iter().map(|known| Self {
            known,
            energised: self.energised.clone(),
        });
        let others: Vec<Self> = others.collect();
        std::iter::once(self).chain(others).collect()
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
            let known = Known::from_nothing(solver, scratch)?;
            let holds = |known: &Known<'n>, scratch: &mut Scratch| {
                let point = known.point(&[], None, Precision::Currents, scratch)?;
                Ok(match situation.power {
                    true => point.energised_relays(),
                    false => energised.to_vec(),
                })
            };
            let mut held = holds(&known, scratch)?;
            let mut found = Self {
                known,
                energised: energised.to_vec(),
            };
            if held == energised {
                // A state that does not hold by itself may be another for the relays.
                found.known = found.known.stabilised(&mut scratch.newton);
                held = holds(&found.known, scratch)?;
            }
            Ok(Tried { held, found })
        });
        match steady {
            Ok(steady) => Ok(steady.into_iter().map(|(_, base)| base).collect()),
            Err(trouble) => Err(trouble.unwrap_or_else(|| unsteady(network, &first))),
        }
    }

    /// The network.
    pub fn network(&self) -> &'n Network {
        self.known.solver.network
    }

    /// The situation.
    pub fn situation(&self) -> &Situation {
        &self.known.solver.situation
    }

    /// Values of the healthy elements and devices.
    pub fn values(&self) -> &Values {
        &self.known.solver.values
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
            return self.known.point(overlay, start, precision, scratch);
        }
        let found = relays::steady(&self.energised, false, |energised| {
            let mut changes: Overlay = overlay.to_vec();
            self.move_contacts(energised, &mut changes);
            let found = self.known.point(&changes, start, precision, scratch)?;
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
