//! Devices that a failure leaves without supply.
//!
//! Behind an open rail whole rows of tubes go dark at once, each into the same corner of its law, and
//! steps along the tangents of working tubes get there slowly. How they are in a dead network is known ([`NewtonProblem::unfed`]):
//! they are put on those tangents, and the first step is made anew. Where that was a poor guess, it costs a step.

use super::{NewtonProblem, NewtonScratch};
use crate::continuation::expansion::ExpansionPoint;
use crate::equations::linearisation::Linearisation;
use crate::equations::pattern::between;
use crate::state::PortState;
use deadstage_parts::Device;

/// A first step smaller than this, as sizes are measured, leaves no device without supply.
const LEAST_STEP: f64 = 1.0;

/// A device has supply that has more than so many volts at an electrode;
const FED: f64 = 1.0;

/// it has lost it where each has less than the first of these, or than the second and half of what it had.
const LOST: (f64, f64) = (0.1, 10.0);

impl NewtonProblem<'_> {
    /// Puts the devices that the first step, of this size, leaves without supply on their tangents in a dead network,
    /// and makes that step anew; whether there are any. One alone is left to those who lead it (`local.rs`).
    pub(crate) fn meet_supply_loss(&self, size: f64, scratch: &mut NewtonScratch) -> Option<bool> {
        if size < LEAST_STEP || self.overshoots_polarity(scratch) {
            return Some(false);
        }
        let loses_supply = |&device: &usize| self.loses_supply(device, scratch);
        let unfed: Vec<usize> = (0..scratch.iterates.len()).filter(loses_supply).collect();
        if unfed.len() < 2 {
            return Some(false);
        }
        for &device in &unfed {
            let Some(dead) = self.unfed(device) else {
                return Some(false);
            };
            scratch.iterates[device].linearisations[0] = *dead;
            scratch.turned_by(device);
        }
        let mut left = std::mem::take(&mut scratch.residual);
        self.add_residual(scratch, &mut left);
        scratch.residual = left;
        self.step_anew(scratch)?;
        Some(true)
    }

    /// How a device is in the expansion point's network with every source dead, where that is known.
    fn unfed(&self, device: usize) -> Option<&Linearisation> {
        let is_supply = matches!(self.network.devices[device].law, Device::Rectifier(_));
        let all = self
            .expansion
            .unfed
            .get_or_init(|| self.find_unfed().unwrap_or_default());
        all.get(device).filter(|_| !is_supply)
    }

    fn find_unfed(&self) -> Option<Vec<Linearisation>> {
        let network = self.network;
        let mut values = self.expansion.values.clone();
        for element in &mut values.elements {
            element.emf = 0.0;
        }
        for (present, slot) in values.present.iter_mut().zip(&network.devices) {
            *present &= !matches!(slot.law, Device::Rectifier(_));
        }
        let nought = PortState::at(network, &values, vec![0.0; network.port_count]);
        let unknowns = vec![0.0; self.pattern.elimination.size() + 1];
        let dead = ExpansionPoint::at(network, self.pattern, values, &[], unknowns, nought)?;
        // The caller's buffers are in use.
        let mut scratch = NewtonScratch::default();
        let problem = NewtonProblem {
            expansion: &dead,
            overlay: &[],
            values: &dead.values,
            ..*self
        };
        let found = problem.settle_from_afar(&mut scratch).ok()?;
        Some(found.state.linearisations(network))
    }

    /// Whether the step takes a port further below nought than it was above: what the others do then
    /// is that device's doing, and not a lack of supply.
    fn overshoots_polarity(&self, scratch: &NewtonScratch) -> bool {
        let ports = self
            .expansion
            .state
            .volts
            .iter()
            .zip(&self.pattern.port_ends);
        let mut wild = ports.map(|(v, &ends)| v - between(ends, &scratch.step) < -v.abs() - FED);
        wild.any(|is_wild| is_wild)
    }

    /// Whether the step takes a device's supply away. None whose condition has changed: it would be dead in another way.
    fn loses_supply(&self, device: usize, scratch: &NewtonScratch) -> bool {
        let iterate = &scratch.iterates[device];
        if iterate.is_turned || !self.values.present[device] {
            return false;
        }
        let socket = self.pattern.socket(device);
        let (volts, step) = (&iterate.here().volts, socket.volts(&scratch.step));
        let mut ports = volts.iter().zip(&step).take(socket.ports());
        volts.iter().any(|v| *v > FED)
            && ports.all(|(v, d)| v - d < LOST.0.max(LOST.1.min(0.5 * v)))
    }
}
