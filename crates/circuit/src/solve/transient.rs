//! The unit switched on and left to itself until nothing moves.
//!
//! Each step of time h is solved by the backward formula of Euler: a capacitor C that had V volts a moment ago
//! is a conductance C/h toward V. Steps grow where they are easy and shrink where Newton's method stalls, as the
//! end alone matters (pseudo-transient continuation: C. T. Kelley and D. E. Keyes, SIAM J. Numer.
//! Anal. 35(2), 1998). The capacitors are the unit's own, with a little for the wiring at every node, so that what
//! it comes to is a state that holds by itself.

use super::{Place, Sought};
use crate::continuation::newton::{Converged, NewtonScratch, Stalled};
use crate::equations::stamped::Companion;

/// What the wiring at a node has to the chassis, farads (common practice, no source).
const WIRING_FARADS: f64 = 20e-12;

/// First step of time, the shortest, and that after which nothing of a unit's moves any more, s.
const FIRST_SECONDS: f64 = 1e-8;
const LEAST_SECONDS: f64 = 1e-16;
const LAST_SECONDS: f64 = 1e5;

/// Steps of time before giving up.
const MOST_MOMENTS: usize = 400;

/// By how much a step of time grows or shrinks.
const GROWTH: f64 = 4.0;
const SHRINKAGE: f64 = 0.125;

/// From this step on it is tried now and then whether all has settled, s.
const TRIED_FROM: f64 = 1e-3;

impl Sought<'_> {
    /// Follows the unit in time from a place. `Err`: the seconds gone by, and where it stalled.
    pub(crate) fn switch_on(
        &self,
        from: &Place,
        scratch: &mut NewtonScratch,
    ) -> Result<Converged, (f64, Stalled)> {
        let mut place = from.clone();
        let (mut step, mut gone) = (FIRST_SECONDS, 0.0);
        let mut last = Stalled {
            steps: 0,
            port: None,
        };
        for moment in 0..MOST_MOMENTS {
            match self.settle(&place, &self.companions(&place, step), scratch) {
                Ok(found) => {
                    place = found.into();
                    gone += step;
                    step *= GROWTH;
                }
                Err(stalled) => {
                    last = stalled;
                    step *= SHRINKAGE;
                    if step < LEAST_SECONDS {
                        break;
                    }
                    continue;
                }
            }
            if step > LAST_SECONDS || (step > TRIED_FROM && moment % 4 == 0) {
                match self.settle(&place, &[], scratch) {
                    Ok(found) => return Ok(found),
                    Err(stalled) => last = stalled,
                }
                if step > LAST_SECONDS {
                    break;
                }
            }
        }
        Err((gone, last))
    }

    /// The capacitors as they are over a step of time.
    fn companions(&self, place: &Place, seconds: f64) -> Vec<Companion> {
        let volts = |node: usize| place.unknowns[self.pattern.index(node)];
        let own = self.network.elements.iter().filter(|e| e.farads > 0.0);
        let own = own.map(|element| (element.from, element.to, element.farads));
        let wiring = (1..self.network.nodes).map(|node| (node, 0, WIRING_FARADS));
        own.chain(wiring)
            .map(|(from, to, farads)| Companion {
                from,
                to,
                siemens: farads / seconds,
                volts: volts(from) - volts(to),
            })
            .collect()
    }
}
