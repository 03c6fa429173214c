//! Meters at places that a failure has not reached, or hardly: what they show
//! is told from what they show at the known point, load and all.

use std::sync::Arc;

use super::OperatingPoint;
use crate::continuation::expansion::{KnownLoad, MeterLoad};
use crate::continuation::newton::Precision;
use crate::overlay::Change;
use crate::scratch::Scratch;

/// A place whose voltage is within this (volts and ratio) of that at the known point, and whose
/// source resistance within the last ratio, has not been reached by a failure at all.
const UNREACHED: (f64, f64, f64) = (2e-5, 2e-7, 1e-6);

/// Change of a meter's share of the voltage beyond which its reading is not
/// told by proportion, whatever the voltage: where there is none, the
/// resistance that the meter sees still decides how the reading scatters.
const SHARE_KEPT: f64 = 0.02;

impl OperatingPoint<'_> {
    /// What a meter shows that sees a resistance of `source` ohms, where that is within some volts of
    /// what it shows at the known point; and what is known of it there.
    pub(crate) fn read_unmoved(
        &self,
        load: MeterLoad,
        source: f64,
        within: f64,
    ) -> Option<(f64, Arc<KnownLoad>)> {
        let tap = self.pattern.tap(load.from, load.to);
        let bare = tap.of(&self.converged.unknowns);
        let there = tap.of(&self.expansion.unknowns);
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
    fn known_load(&self, load: MeterLoad) -> Option<Arc<KnownLoad>> {
        self.expansion.loaded(load, || {
            // The caller's buffers hold the adjoint of the point at hand.
            let scratch = &mut Scratch::default();
            let glow = self.solver.glow_in(&self.expansion.values);
            let MeterLoad { from, to, ohms } = load;
            let meter = [Change::Shunt { from, to, ohms }];
            let mut gradient = Vec::new();
            let (known, at) = (self.known, self.expansion);
            let precision = Precision::Readings;
            let loaded = Self::find(known, at, &meter, glow, None, precision, scratch).ok()?;
            let shown = loaded.read_volts((from, to), None, 0.0, scratch, Some(&mut gradient));
            let tap = self.pattern.tap(from, to);
            Some(KnownLoad {
                bare: tap.of(&self.expansion.unknowns),
                source: tap.of(&self.expansion.column(self.pattern, tap)),
                shown,
                gradient,
            })
        })
    }
}
