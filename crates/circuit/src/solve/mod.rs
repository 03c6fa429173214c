//! An operating point from nothing.
//!
//! Newton's method converges from near by; from far off it may not. What is tried, in this order,
//! is what a person would do with the unit itself, each from dearer to do than the last:
//!
//! 1. from all nodes at nought, damped;
//! 2. the supplies raised from nothing, as with a variable transformer: each state starts the next;
//! 3. the unit switched on and left to itself (`transient.rs`): its own capacitors, and a few picofarads
//!    of wiring at each node, charge step by step. What it settles to is a state that it would be found in.

mod regeneration;
pub(crate) mod relays;
pub(crate) mod solver;
pub(crate) mod states;
mod transient;

use crate::continuation::expansion::ExpansionPoint;
use crate::continuation::newton::{Converged, NewtonProblem, NewtonScratch, Precision, Stalled};
use crate::equations::pattern::NodalPattern;
use crate::equations::stamped::Companion;
use crate::error::{Attempt, SolveError};
use crate::network::Network;
use crate::overlay::Change;
use crate::situation::Values;
use crate::state::PortState;

/// Steps from far off before giving up.
const MOST_STEPS: usize = 120;

/// First step of the supplies, as a share of what they are, and the least.
const FIRST_RISE: f64 = 0.25;
const LEAST_RISE: f64 = 1e-4;

/// A network whose operating point is sought.
#[derive(Clone, Copy)]
pub(crate) struct Sought<'a> {
    pub(crate) network: &'a Network,
    pub(crate) pattern: &'a NodalPattern,
    /// Without the overlay.
    pub(crate) bare: &'a Values,
    pub(crate) overlay: &'a [Change],
    /// What the devices are, with the overlay.
    pub(crate) values: &'a Values,
}

/// Where a search stands.
#[derive(Clone, Debug)]
pub(crate) struct Place {
    /// Node voltages in the order of the unknowns, and behind them the common's.
    pub(crate) unknowns: Vec<f64>,
    /// Volts at the devices themselves.
    pub(crate) port_volts: Vec<f64>,
}

impl From<Converged> for Place {
    fn from(found: Converged) -> Self {
        Self {
            unknowns: found.unknowns,
            port_volts: found.state.volts,
        }
    }
}

impl Sought<'_> {
    /// All nodes at nought.
    pub(crate) fn nought(&self) -> Place {
        Place {
            unknowns: vec![0.0; self.pattern.elimination.size() + 1],
            port_volts: vec![0.0; self.network.port_count],
        }
    }

    /// The operating point.
    ///
    /// # Errors
    /// [`SolveError::NotConverged`] with what was tried.
    pub(crate) fn find(&self, scratch: &mut NewtonScratch) -> Result<Converged, SolveError> {
        let nought = self.nought();
        let at_once = match self.settle(&nought, &[], scratch) {
            Ok(found) => return Ok(found),
            Err(stalled) => self.attempt("from nothing, damped", stalled),
        };
        let raised = match self.raise(scratch) {
            Ok(found) => return Ok(found),
            Err((share, stalled)) => {
                let to = format!("supplies raised to {:.0} %", 100.0 * share);
                self.attempt(&to, stalled)
            }
        };
        let left_alone = match self.switch_on(&nought, scratch) {
            Ok(found) => return Ok(found),
            Err((seconds, stalled)) => {
                let after = format!("switched on and left for {seconds:.0e} s");
                self.attempt(&after, stalled)
            }
        };
        Err(SolveError::not_converged(vec![at_once, raised, left_alone]))
    }

    /// Newton's method from a place.
    pub(crate) fn settle(
        &self,
        place: &Place,
        companions: &[Companion],
        scratch: &mut NewtonScratch,
    ) -> Result<Converged, Stalled> {
        let network = self.network;
        let state = PortState::at(network, self.bare, place.port_volts.clone());
        let expansion = ExpansionPoint::at(
            network,
            self.pattern,
            self.bare.clone(),
            companions,
            place.unknowns.clone(),
            state,
        );
        let Some(expansion) = expansion else {
            return Err(Stalled {
                steps: 0,
                port: None,
            });
        };
        let problem = NewtonProblem {
            network,
            pattern: self.pattern,
            expansion: &expansion,
            overlay: self.overlay,
            values: self.values,
            most_steps: MOST_STEPS,
            precision: Precision::Currents,
        };
        problem.settle_from_afar(scratch)
    }

    /// Raises the supplies from nothing. `Err`: the share that they came to, and where it stalled then.
    fn raise(&self, scratch: &mut NewtonScratch) -> Result<Converged, (f64, Stalled)> {
        let mut place = self.nought();
        let (mut share, mut rise) = (0.0, FIRST_RISE);
        loop {
            let next = f64::min(1.0, share + rise);
            let (bare, values) = (
                self.bare.with_supplies_at(self.network, next),
                self.values.with_supplies_at(self.network, next),
            );
            let overlay: Vec<Change> = self.overlay.iter().map(|c| c.scaled(next)).collect();
            let lowered = Sought {
                bare: &bare,
                overlay: &overlay,
                values: &values,
                ..*self
            };
            match lowered.settle(&place, &[], scratch) {
                Ok(found) if next >= 1.0 => return Ok(found),
                Ok(found) => {
                    place = found.into();
                    share = next;
                    rise *= 2.0;
                }
                Err(stalled) => {
                    rise *= 0.25;
                    if rise < LEAST_RISE {
                        return Err((share, stalled));
                    }
                }
            }
        }
    }

    fn attempt(&self, what: &str, stalled: Stalled) -> Attempt {
        let port = stalled.port;
        Attempt {
            what: what.to_owned(),
            steps: stalled.steps,
            node: port.map(|port| self.network.node_names[self.network.port_node(port)].clone()),
        }
    }
}
