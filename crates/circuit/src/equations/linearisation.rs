//! A device as it was last asked, and how far its tangent there may be trusted.

use deadstage_parts::{MAX_PORTS, PortCurrents, PortVolts};

/// A device whose currents a step takes off their tangents by less than this share of themselves is not
/// asked either, by how they bent over the last step, which must have been so many times as long.
const STRAIGHT_SHARE: f64 = 1e-11;

/// See [`STRAIGHT_SHARE`]; also by how much a device may bend more than it did.
const BEND_CARE: f64 = 20.0;

/// A current that left its tangent by more than this share of itself may bend otherwise close by: so does one
/// that came up out of nothing.
const MOST_BENT: f64 = 0.5;

/// No step longer than this, volts, is trusted to be straight: it is far below the roundness of any law's corners.
pub(crate) const LONGEST_STRAIGHT: f64 = 1e-3;

/// A device as it was last asked.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Linearisation {
    /// At its electrodes.
    pub(crate) volts: PortVolts,
    pub(crate) currents: PortCurrents,
    /// By port, how far its current left its tangent, A,
    leaves: [f64; MAX_PORTS],
    /// over steps of the ports of so many volts; 0 if it was not seen.
    span: PortVolts,
}

impl Linearisation {
    /// At these volts, nothing known of how it bends.
    pub(crate) fn new(volts: PortVolts, currents: PortCurrents) -> Self {
        Self {
            volts,
            currents,
            ..Self::default()
        }
    }

    /// Notes how far the currents here leave the tangent `along`, drawn from these steps away, for a device of so
    /// many ports of which nothing else is known.
    #[inline]
    pub(crate) fn begin_departure<const N: usize>(
        &mut self,
        along: &[f64; MAX_PORTS],
        steps: &PortVolts,
    ) {
        self.forget_departure();
        for p in 0..N {
            self.span[p] = steps[p].abs();
            self.leaves[p] = (self.currents.amps[p] - along[p]).abs();
        }
    }

    /// Notes how far currents `amps` at these steps leave the tangent `along`, where that is the furthest yet.
    pub(crate) fn note_departure(
        &mut self,
        amps: &[f64; MAX_PORTS],
        along: &[f64; MAX_PORTS],
        steps: &PortVolts,
    ) {
        for (span, step) in self.span.iter_mut().zip(steps) {
            *span = span.max(step.abs());
        }
        for ((leaves, amps), along) in self.leaves.iter_mut().zip(amps).zip(along) {
            *leaves = leaves.max((amps - along).abs());
        }
    }

    /// Forgets how the device bent.
    pub(crate) fn forget_departure(&mut self) {
        self.span = PortVolts::default();
        self.leaves = [0.0; MAX_PORTS];
    }

    /// Whether these steps leave the tangent by nothing that counts. The share that a port goes
    /// of what it went before is its own: a grid's volt is not a plate's.
    #[inline]
    pub(crate) fn is_straight<const N: usize>(&self, steps: &PortVolts) -> bool {
        let mut share = 0.0f64;
        for (step, span) in steps.iter().zip(&self.span).take(N) {
            if *step != 0.0 {
                // What is no number is not straight.
                let is_short = step.abs() <= LONGEST_STRAIGHT && BEND_CARE * step.abs() <= *span;
                if !is_short {
                    return false;
                }
                share = share.max(step.abs() / span);
            }
        }
        let squared = BEND_CARE * share * share;
        let mut ports = self.leaves.iter().zip(&self.currents.amps).take(N);
        ports.all(|(leaves, amps)| {
            leaves * squared <= STRAIGHT_SHARE * amps.abs() && *leaves <= MOST_BENT * amps.abs()
        })
    }
}
