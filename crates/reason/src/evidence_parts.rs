//! What is known of a part other than by a meter in the circuit, as evidence
//! on the same footing as the readings: how probable is it that a tester
//! shows so much, or that a part looks so, if it is good and if it has failed?
//!
//! Every figure here is common practice, no source, unless it says otherwise.
//! They are kept moderate: the largest single look moves the odds by about
//! fifty to one, a part proved good by ten thousand to one.

mod looks;

use deadstage_circuit::class_of;
use deadstage_netlist::{PartId, Remark, RemarkKind, Stage};
use deadstage_parts::Mode;

use crate::failure::{Action, Failure};
use crate::model::Held;
use looks::looks_so;

/// Probability that a part proved good has failed all the same: it was the wrong part, or fails only in the set.
const GOOD_BUT_FAILED: f64 = 1e-4;

/// Emission of a good tube on a tester, per cent, and one standard deviation
/// among good tubes and testers.
const GOOD_EMISSION: (f64, f64) = (100.0, 15.0);

/// One standard deviation of a weak tube's reading about its emission, per cent.
const WEAK_SIGMA: f64 = 12.0;

/// One standard deviation of a dead tube's reading about zero, per cent.
const DEAD_SIGMA: f64 = 5.0;

/// A tester set up for another type shows anything on its scale, this often.
const TESTER_SLIP: f64 = 0.02;

/// Full scale of a tester, per cent.
const TESTER_SCALE: f64 = 150.0;

/// What else than readings is known of the unit.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Known<'a> {
    pub(crate) stage: &'a Stage,
    /// `seen`, `good` and `replaced` lines, and the repairs made since each.
    pub(crate) remarks: &'a [(Remark, usize)],
    /// `tester` lines: part, per cent, and the repairs made since.
    pub(crate) testers: &'a [(PartId, f64, usize)],
}

impl Known<'_> {
    /// Whether nothing but the readings is known.
    pub(crate) fn is_empty(&self) -> bool {
        self.remarks.is_empty() && self.testers.is_empty()
    }

    /// ln of the probability of all that is known if nothing has failed.
    pub(crate) fn ln_healthy_shift(&self) -> f64 {
        self.ln_set_shift(&[], &[])
    }

    /// What adds to the logarithm of the odds of one failure against the
    /// healthy unit. `overloaded`: the parts it drives past their rating
    /// ([`overloads`](crate::casualties::overloads)).
    pub(crate) fn ln_odds_shift(
        &self,
        failure: &Failure,
        u: f64,
        overloaded: &[(PartId, f64)],
    ) -> f64 {
        self.ln_set_shift(&[(failure, u)], overloaded) - self.ln_healthy_shift()
    }

    /// ln of the probability of all that is known if these failures are the case.
    ///
    /// `overloaded` holds the parts that the whole set drives past their rating.
    pub(crate) fn ln_set_shift(&self, held: &[Held<'_>], overloaded: &[(PartId, f64)]) -> f64 {
        let remarks: f64 = self
            .remarks
            .iter()
            .map(|(remark, ago)| self.ln_remark(remark, *ago, held, overloaded))
            .sum();
        let testers: f64 = self
            .testers
            .iter()
            .map(|&(part, per_cent, ago)| self.ln_tester(part, per_cent, ago, held))
            .sum();
        remarks + testers
    }

    /// Whether two parts are one, or sections of one bottle.
    fn same(&self, a: PartId, b: PartId) -> bool {
        a == b || self.stage.are_named_alike(a, b)
    }

    /// Failures that the part had so many repairs ago.
    fn failures_of<'h>(&self, part: PartId, ago: usize, held: &[Held<'h>]) -> Vec<Held<'h>> {
        held.iter()
            .filter(|(failure, _)| failure.stretch.holds(ago) && self.same(part, failure.part))
            .copied()
            .collect()
    }

    fn ln_remark(
        &self,
        remark: &Remark,
        ago: usize,
        held: &[Held<'_>],
        overloaded: &[(PartId, f64)],
    ) -> f64 {
        let own = self.failures_of(remark.part, ago, held);
        match remark.kind {
            RemarkKind::Good if own.is_empty() => 0.0,
            RemarkKind::Good => GOOD_BUT_FAILED.ln(),
            // The odds of a new part's failures are those of a new part.
            RemarkKind::Replaced => 0.0,
            RemarkKind::Seen(look) => {
                let class = class_of(&self.stage.part(remark.part).kind);
                let ratio = overloaded
                    .iter()
                    .filter(|(part, _)| self.same(remark.part, *part))
                    .map(|(_, ratio)| *ratio)
                    .fold(0.0, f64::max);
                looks_so(look, class, own.iter().map(|(f, _)| f.mode), ratio).ln()
            }
        }
    }

    /// What a tester would show of a bottle with these failures, per cent: mean
    /// and one standard deviation.
    pub(crate) fn tester_forecast(&self, part: PartId, held: &[Held<'_>]) -> (f64, f64) {
        self.failures_of(part, 0, held)
            .iter()
            .map(|(failure, u)| match failure.mode {
                Mode::Dead => (0.0, DEAD_SIGMA),
                Mode::Weak => (100.0 * failure.range.value(*u), WEAK_SIGMA),
                _ => GOOD_EMISSION,
            })
            .reduce(|a, b| if b.0 < a.0 { b } else { a })
            .unwrap_or(GOOD_EMISSION)
    }

    fn ln_tester(&self, part: PartId, per_cent: f64, ago: usize, held: &[Held<'_>]) -> f64 {
        let own = self.failures_of(part, ago, held);
        // A tester's one figure for a bottle is that of its worse section.
        let p = own
            .iter()
            .map(|(failure, u)| (emission(failure, *u), failure))
            .min_by(|a, b| a.0.0.total_cmp(&b.0.0))
            .map_or_else(
                || bell(per_cent, GOOD_EMISSION),
                |(worst, failure)| match failure.mode {
                    // Which of the two sides was read is not known.
                    Mode::SideDead => {
                        0.5 * bell(per_cent, worst) + 0.5 * bell(per_cent, GOOD_EMISSION)
                    }
                    _ => bell(per_cent, worst),
                },
            );
        ((1.0 - TESTER_SLIP) * p + TESTER_SLIP / TESTER_SCALE).ln()
    }
}

/// What a tester shows of a tube that failed so, per cent: mean and spread.
fn emission(failure: &Failure, u: f64) -> (f64, f64) {
    match (failure.mode, &failure.action) {
        (Mode::Weak, Action::Perveance(_)) => (100.0 * failure.range.value(u), WEAK_SIGMA),
        (Mode::Dead | Mode::SideDead, _) => (0.0, DEAD_SIGMA),
        // Gas, leaks and touching electrodes leave the emission; a poor
        // contact is the set's own socket, and the tester has another.
        _ => GOOD_EMISSION,
    }
}

/// Density of a normal at `x`.
fn bell(x: f64, (mean, sigma): (f64, f64)) -> f64 {
    let z = (x - mean) / sigma;
    (-0.5 * z * z).exp() / (sigma * std::f64::consts::TAU.sqrt())
}

#[cfg(test)]
mod tests;
