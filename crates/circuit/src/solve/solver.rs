//! A network in one situation, and its operating point from wherever one is known.

use super::Sought;
use crate::continuation::expansion::ExpansionPoint;
use crate::continuation::newton::{Converged, MOST_STEPS, NewtonProblem, NewtonScratch, Precision};
use crate::equations::pattern::NodalPattern;
use crate::error::SolveError;
use crate::network::{Network, strike_volts};
use crate::overlay::Change;
use crate::situation::{Situation, Values};
use crate::state::PortState;

/// Which of [`Solver::regulators`] glow.
pub(crate) type Glow = Vec<bool>;

/// A network in one situation.
#[derive(Clone, Debug)]
pub(crate) struct Solver<'n> {
    pub(crate) network: &'n Network,
    pub(crate) situation: Situation,
    /// Elements and devices of a healthy unit, every regulator dark.
    pub(crate) values: Values,
    pub(crate) pattern: NodalPattern,
    /// Devices that strike.
    pub(crate) regulators: Vec<usize>,
}

impl<'n> Solver<'n> {
    /// The relays of `energised` are pulled in.
    ///
    /// # Errors
    /// [`SolveError::TooMeshed`].
    pub(crate) fn new(
        network: &'n Network,
        situation: &Situation,
        energised: &[bool],
    ) -> Result<Self, SolveError> {
        let too_meshed = || SolveError::TooMeshed {
            nodes: network.nodes,
            elements: network.elements.len(),
        };
        let devices = network.devices.iter().enumerate();
        let strikes = devices.filter(|(_, slot)| strike_volts(&slot.law).is_some());
        Ok(Self {
            network,
            situation: situation.clone(),
            values: Values::of(network, situation, energised),
            pattern: NodalPattern::new(network).ok_or_else(too_meshed)?,
            regulators: strikes.map(|(device, _)| device).collect(),
        })
    }

    /// Lets these regulators glow in `values`.
    pub(crate) fn lay_glow(&self, glow: &[bool], values: &mut Values) {
        for (&device, &fired) in self.regulators.iter().zip(glow) {
            values.conditions[device].fired = fired;
        }
    }

    /// Which regulators glow in `values`.
    pub(crate) fn glow_in(&self, values: &Values) -> Glow {
        let fired = self.regulators.iter();
        fired.map(|&d| values.conditions[d].fired).collect()
    }

    /// The operating point with `overlay` laid over the network and regulators as they `glow`: from an expansion
    /// point, its devices perhaps where they `start`, and if that fails from nothing.
    ///
    /// # Errors
    /// [`SolveError::NotConverged`].
    pub(crate) fn locate(
        &self,
        expansion: &ExpansionPoint,
        overlay: &[Change],
        glow: &[bool],
        start: Option<&PortState>,
        precision: Precision,
        scratch: &mut NewtonScratch,
    ) -> Result<Converged, SolveError> {
        let mut changed = std::mem::take(&mut scratch.values);
        let is_device = |change: &Change| matches!(change, Change::Pin { .. } | Change::Device(..));
        let values = if !glow.is_empty() || overlay.iter().any(is_device) {
            changed.copy_devices(&self.values);
            changed.change_devices(self.network, overlay);
            self.lay_glow(glow, &mut changed);
            &changed
        } else {
            &self.values
        };
        self.pattern.lay(
            self.network,
            overlay,
            values,
            &expansion.stamped,
            &mut scratch.stamped,
        );
        let problem = NewtonProblem {
            network: self.network,
            pattern: &self.pattern,
            expansion,
            overlay,
            values,
            most_steps: MOST_STEPS,
            precision,
        };
        let mut found = problem.settle(start, scratch);
        if found.is_err() && start.is_some() {
            found = problem.settle(None, scratch);
        }
        let found = found.or_else(|_| {
            let sought = Sought {
                network: self.network,
                pattern: &self.pattern,
                bare: &self.values,
                overlay,
                values,
            };
            sought.find(scratch)
        });
        scratch.values = changed;
        found
    }

    /// The operating point of the healthy network, every regulator dark, from nothing.
    ///
    /// # Errors
    /// [`SolveError::NotConverged`].
    pub(crate) fn locate_from_nothing(
        &self,
        scratch: &mut NewtonScratch,
    ) -> Result<Converged, SolveError> {
        let sought = Sought {
            network: self.network,
            pattern: &self.pattern,
            bare: &self.values,
            overlay: &[],
            values: &self.values,
        };
        sought.find(scratch)
    }

    /// The equations about an operating point of the healthy network.
    ///
    /// # Errors
    /// [`SolveError::Singular`].
    pub(crate) fn expand(
        &self,
        glow: &[bool],
        found: Converged,
    ) -> Result<ExpansionPoint, SolveError> {
        let mut values = self.values.clone();
        self.lay_glow(glow, &mut values);
        let Converged { state, unknowns } = found;
        let (network, pattern) = (self.network, &self.pattern);
        let expansion = ExpansionPoint::at(network, pattern, values, &[], unknowns, state);
        let mut expansion = expansion.ok_or_else(|| SolveError::Singular {
            nodes: network.node_names.get(1).cloned().into_iter().collect(),
        })?;
        expansion.note_departures(network);
        Ok(expansion)
    }
}
