//! Meters at places that a failure has not reached, or hardly: what they show
//! is told from what they show at the known point, load and all.

use std::sync::Arc;

use super::NearPoint;
use super::centre::{Load, Loaded};
use crate::base::Scratch;
use crate::overlay::Change;

/// A place whose voltage is within this (volts and ratio) of that at the known point, and whose
/// source resistance within the last ratio, has not been reached by a failure at all.
const UNREACHED: (f64, f64, f64) = (2e-5, 2e-7, 1e-6);

/// Change of a meter's share of the voltage beyond which its reading is not
/// told by proportion, whatever the voltage: where there is none, the
/// resistance that the meter sees still decides how the reading scatters.
const SHARE_KEPT: f64 = 0.02;

impl NearPoint<'_> {
    /// What a meter shows that sees a resistance of `source` ohms, where that is within some volts of
    /// what it shows at the known point; and what is known of it there.
    pub(super) fn read_unmoved(
        &self,
        load: Load,
        source: f64,
        within: f64,
    ) -> Option<(f64, Arc<Loaded>)> {
        let tap = self.frame.tap(load.from, load.to);
        let bare = tap.of(&self.settled.unknowns);
        let there = tap.of(&self.centre.unknowns);
        let unreached = UNREACHED.0 + UNREACHED.1 * there.abs();
        if (bare - there).abs() > unreached.max(within) {
            return None;
        }
        let known = self.known_load(load)?;
        let share = load.ohms / (load.ohms + source);
        let moved = share - load.ohms / (load.ohms + known.source);
        let is_unreached = (bare - there).abs() <= unreached
            && (source - known.source).abs() <= UNREACHED.2 * known.source.abs();
        let is_near = moved.abs() <= SHARE_KEPT && (bare * moved).abs() <= within;
        (is_unreached || is_near).then(|| {
            let shown = known.shown + share * (bare - known.bare) + moved * known.bare;
            (shown, known)
        })
    }

    /// What a meter shows at the known point.
    fn known_load(&self, load: Load) -> Option<Arc<Loaded>> {
        self.centre.loaded(load, || {
            // The caller's buffers hold the adjoint of the point at hand.
            let scratch = &mut Scratch::default();
            let conditions = &self.centre.values.conditions;
            let fired = self.base.regulators.iter();
            let glow = fired.map(|&d| conditions[d].fired).collect();
            let Load { from, to, ohms } = load;
            let meter = [Change::Shunt { from, to, ohms }];
            let mut gradient = Vec::new();
            let shown = self
                .base
                .near_at(self.frame, self.centre, &meter, glow, None, scratch)?
                .read_volts((from, to), None, 0.0, scratch, Some(&mut gradient))?;
            let tap = self.frame.tap(from, to);
            Some(Loaded {
                bare: tap.of(&self.centre.unknowns),
                source: tap.of(&self.centre.column(self.frame, tap)),
                shown,
                gradient,
            })
        })
    }
}
