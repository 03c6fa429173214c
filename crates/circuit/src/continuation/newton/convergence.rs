//! When a point is found: the last correction, and what it leaves.

use deadstage_parts::{MAX_PORTS, PortVolts};

use super::residual::is_within;
use super::{DeviceIterate, NewtonProblem, NewtonScratch, Precision};
use crate::equations::linearisation::Linearisation;
use crate::equations::pins::along_ports;

/// An error that remains where readings are wanted, volts and ratio.
const SETTLED: (f64, f64) = (5e-11, 1e-10);

/// The same as a share of that, where currents are to balance.
const BALANCED: f64 = 0.01;

/// Over how many volts the sharpest corner of a law is rounded: a step turns slopes by its share of this.
const ROUNDED_OVER: f64 = 0.025;

/// Slopes that a step turned by more than this share are not those that a correction may be made with.
const MOST_TURNED: f64 = 0.5;

/// What is left of a correction at best, if the factors have lost nearly all digits.
const LEAST_SHARE: f64 = 0.05;

/// Rounds in which a correction is put right for slopes that have turned, and the share that a round may change
/// what the last one did.
const MOST_REFINED: usize = 3;
const MOST_CHANGED: f64 = 0.2;

impl DeviceIterate {
    /// Whether a slope fell on the way to the guess on trial to less than half.
    fn has_collapsed(&self) -> bool {
        let (now, then) = (&self.last().currents.siemens, &self.here().currents.siemens);
        self.is_fresh && (0..then.len()).any(|p| now[p][p] < 0.5 * then[p][p])
    }

    /// How far its ports went to the guess on trial, volts.
    fn went(&self) -> f64 {
        if !self.is_fresh {
            return 0.0;
        }
        let [one, other] = &self.linearisations;
        farthest(&std::array::from_fn(|p| one.volts[p] - other.volts[p]))
    }
}

impl NewtonProblem<'_> {
    /// Whether the correction at hand, put right where it must be, leaves nothing.
    pub(crate) fn is_converged(&self, scratch: &mut NewtonScratch) -> bool {
        if !self.is_still(scratch) {
            return false;
        }
        if scratch.is_direct {
            self.evaluate_exactly(scratch);
            if !self.is_still(scratch) {
                return false;
            }
        }
        // The correction was made with slopes that the way to here has turned by about its share
        // of what corners are rounded over, and what is left is that share of it.
        let went = scratch.iterates.iter().map(DeviceIterate::went);
        let moved = went.fold(0.0, f64::max);
        let share = moved / ROUNDED_OVER;
        let is_last =
            share <= MOST_TURNED && scratch.leaves_nothing(share.max(LEAST_SHARE) / self.allowed());
        is_last || self.refine(scratch)
    }

    /// What may remain, as a share of what may where readings are wanted.
    fn allowed(&self) -> f64 {
        match self.precision {
            Precision::Currents => BALANCED,
            Precision::Readings => 1.0,
        }
    }

    /// Whether every device stays on its tangent over the correction at hand.
    fn is_still(&self, scratch: &NewtonScratch) -> bool {
        let mut iterates = scratch.iterates.iter().enumerate();
        iterates.all(|(device, iterate)| {
            let by = self.pattern.socket(device).volts(&scratch.correction);
            // What is no number is not still.
            is_within(&by, self.precision.along_slopes())
                || scratch.pinned.is_empty()
                    && self.keeps_straight::<MAX_PORTS>(iterate.last(), &by)
        })
    }

    /// Makes the correction with the slopes that the way to here has turned, and no new factors:
    ///
    /// ```text
    /// c ← J⁻¹ (F − ΔS c)
    /// ```
    ///
    /// Whether it leaves nothing then. A slope that has collapsed is no case for this: by the old one, a correction linearisations like nothing.
    fn refine(&self, scratch: &mut NewtonScratch) -> bool {
        if !scratch.pinned.is_empty() || scratch.iterates.iter().any(DeviceIterate::has_collapsed) {
            return false;
        }
        let mut size = self.size(&scratch.correction, scratch);
        let mut refined = std::mem::take(&mut scratch.refined);
        scratch.changes.clone_from(&scratch.correction);
        for _ in 0..MOST_REFINED {
            refined.clone_from(&scratch.next);
            for (device, iterate) in scratch.iterates.iter().enumerate() {
                if iterate.is_fresh {
                    let socket = self.pattern.socket(device);
                    let by = socket.volts(&scratch.correction);
                    let draws = |look: &Linearisation| {
                        let none = [0.0; MAX_PORTS];
                        along_ports(socket.ports(), &none, &look.currents.siemens, &by)
                    };
                    let (here, there) = (draws(iterate.here()), draws(iterate.last()));
                    let turned = std::array::from_fn(|p| here[p] - there[p]);
                    socket.draw(&turned, &mut refined);
                }
            }
            if let Some(common) = refined.last_mut() {
                *common = 0.0;
            }
            self.solve(&mut scratch.solver, &mut refined);
            let is_last = scratch.take_refined(&refined, self.allowed());
            let change = self.size(&scratch.changes, scratch);
            // What is no number is not less.
            let converges = change <= MOST_CHANGED * size;
            if is_last || !converges {
                scratch.refined = refined;
                return is_last && self.is_still(scratch);
            }
            size = change;
        }
        scratch.refined = refined;
        false
    }
}

impl NewtonScratch {
    /// Takes a correction put right; whether nothing is left, by how that has changed it and the round before had.
    fn take_refined(&mut self, refined: &[f64], allowed: f64) -> bool {
        let mut is_last = true;
        let corrections = self.correction.iter_mut().zip(refined);
        let changes = self.changes.iter_mut().zip(&self.trial);
        for ((correction, refined), (change, x)) in corrections.zip(changes) {
            let (before, now) = (change.abs(), (refined - *correction).abs());
            let nothing = allowed * nothing(*x);
            // What falls by the same share from round to round comes to this, all further rounds together. That is asked of
            // every node: a device alone may be slow.
            let left = now * now / (before - now);
            let is_nothing = now < before && left <= nothing && LEAST_SHARE * now <= nothing;
            is_last &= is_nothing || now <= LEAST_SHARE * nothing;
            *change = refined - *correction;
            *correction = *refined;
        }
        is_last
    }

    /// Whether this share of the correction is nothing at any node.
    fn leaves_nothing(&self, share: f64) -> bool {
        let mut pairs = self.correction.iter().zip(&self.trial);
        pairs.all(|(c, x)| share * c.abs() <= nothing(*x))
    }
}

/// An error that remains in so many volts.
#[inline]
fn nothing(volts: f64) -> f64 {
    SETTLED.0 + SETTLED.1 * volts.abs()
}

/// The most that any port moves.
#[inline]
fn farthest(off: &PortVolts) -> f64 {
    let larger = |far: f64, d: &f64| if d.abs() > far { d.abs() } else { far };
    off.iter().fold(0.0, larger)
}
