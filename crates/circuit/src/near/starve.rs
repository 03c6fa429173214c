//! Devices that a failure leaves without supply.
//!
//! Behind an open rail whole rows of tubes go dark at once, each into the same corner of its law, and
//! steps along the tangents of working tubes get there slowly. How they are in a dead network is known (`Centre::dead_look`):
//! they are put on those tangents, and the first step is made anew. Where that was a poor guess, it costs a step.

use super::frame::between;
use super::newton::{NearScratch, Settling};

/// A first step smaller than this, as sizes are measured, leaves no device without supply.
const LEAST_STEP: f64 = 1.0;

/// A device has supply that has more than so many volts at an electrode;
const FED: f64 = 1.0;

/// it has lost it where each has less than the first of these, or than the second and half of what it had.
const LOST: (f64, f64) = (0.1, 10.0);

impl Settling<'_> {
    /// Puts the devices that the first step, of this size, leaves without supply on their tangents in a dead network,
    /// and makes that step anew; whether there are any. One alone is left to those who lead it (`few.rs`).
    pub(super) fn starve(&self, size: f64, scratch: &mut NearScratch) -> Option<bool> {
        if size < LEAST_STEP || self.goes_wild(scratch) {
            return Some(false);
        }
        let is_starved = |&device: &usize| self.is_starved(device, scratch);
        let starved: Vec<usize> = (0..scratch.seats.len()).filter(is_starved).collect();
        if starved.len() < 2 {
            return Some(false);
        }
        for &device in &starved {
            let Some(dead) = self.centre.dead_look(self.base, device) else {
                return Some(false);
            };
            scratch.seats[device].looks[0] = *dead;
            scratch.turned_by(device);
        }
        let mut left = std::mem::take(&mut scratch.residual);
        self.leave(scratch, &mut left);
        scratch.residual = left;
        self.step_anew(scratch)?;
        Some(true)
    }

    /// Whether the step takes a port further below nought than it was above: what the others do then
    /// is that device's doing, and not a lack of supply.
    fn goes_wild(&self, scratch: &NearScratch) -> bool {
        let ports = self.centre.state.volts.iter().zip(&self.frame.port_ends);
        let mut wild = ports.map(|(v, &ends)| v - between(ends, &scratch.step) < -v.abs() - FED);
        wild.any(|is_wild| is_wild)
    }

    /// Whether the step takes a device's supply away. None whose condition has changed: it would be dead in another way.
    fn is_starved(&self, device: usize, scratch: &NearScratch) -> bool {
        let seat = &scratch.seats[device];
        if seat.is_turned || !self.values.present[device] {
            return false;
        }
        let socket = self.frame.socket(device);
        let (volts, step) = (&seat.here().volts, socket.volts(&scratch.step));
        let mut ports = volts.iter().zip(&step).take(socket.ports());
        volts.iter().any(|v| *v > FED)
            && ports.all(|(v, d)| v - d < LOST.0.max(LOST.1.min(0.5 * v)))
    }
}
