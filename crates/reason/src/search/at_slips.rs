//! Two failures at once, where a reading fits nothing that has been found.
//!
//! A coupling capacitor that has shorted shows nothing as long as the choke behind it
//! holds its far end at chassis; an open choke shows nothing as long as the
//! capacitor is sound. Together they carry a whole grid's voltage to where none should
//! be, and no step of one failure leads there. What such a pair leaves
//! behind is a reading that a leading set can only call a slip; so pairs are tried among
//! the parts that end at its nodes.

use std::collections::BTreeSet;

use deadstage_circuit::{Probe, Scratch};
use rayon::prelude::*;

use crate::likelihood::Weights;
use crate::model::{Held, Starts, Wanted};
use crate::observe::Observation;
use crate::weigh::{Scales, Weighed};

/// Sets whose slips are looked at.
const LEADERS: usize = 3;

/// Readings of each that are.
const MOST_SLIPS: usize = 2;

/// From this probability on a reading counts as one.
const IS_SLIP: f64 = 0.5;

/// A forecast within so many spreads of the set's explains a reading.
const NEAR_ENOUGH: f64 = 3.0;

/// Times that the stretch is halved in which a size is looked for.
const HALVINGS: usize = 4;

/// Pairs beside each set that are weighed.
const MOST_WEIGHED: usize = 6;

/// Where the best explains what was read, pairs that promise less than this below it (in the logarithm) are not
/// weighed: of some 290 such on units of the trials none came up to a fiftieth of the best.
const PROMISED: f64 = 15.0;

/// A set that moves no reading by more spreads of a healthy unit than this leaves a pair doing what it does alone.
const MILD: f64 = 10.0;

/// A pair that alone carries the forecast less far than this share of the way to the reading ...
const FAR: f64 = 0.5;

/// ... or makes all readings less likely than a healthy unit by so much (in the logarithm) is not tried beside such a set.
const SPOILS: f64 = 300.0;

/// Pairs that beside the healthy unit stayed far from a reading, or spoilt all the others: the reading's index, and the two failures'.
pub(super) type Hopeless = BTreeSet<(usize, [usize; 2])>;

/// A pair to be weighed beside a set: what it promises, all members, their sizes.
type Promising = (f64, Vec<usize>, Vec<f64>);

/// The leading sets of `size` failures (none: the healthy unit) with two more at a
/// reading that each takes for a slip; `best` is the weight of the best of all. None beside a set of weight below `floor`, and those
/// that under the first law stay below it are not asked of the other.
pub(super) fn pairs_at_slips(
    scales: &Scales<'_>,
    sets: &[Weighed],
    size: usize,
    (best, floor): (f64, f64),
    hopeless: &mut Hopeless,
) -> Vec<Weighed> {
    // A size that is off by a decade makes a hopeless start.
    let floors = (floor, f64::NEG_INFINITY);
    let leaders: Vec<(usize, &[usize], &[f64])> = if size == 0 {
        vec![(scales.lead, &[], &[])]
    } else {
        let of_size = |set: &&Weighed| set.set.len() == size;
        let of_size: Vec<&Weighed> = sets.iter().filter(of_size).collect();
        let kept = super::through_equals(&of_size, LEADERS, |set| set.ln_weight);
        of_size[..kept]
            .iter()
            .take_while(|set| set.ln_weight > floor)
            .map(|set| (set.law, set.set.as_slice(), set.best.as_slice()))
            .collect()
    };
    let promised = if scales.fits_poorly(best) {
        f64::NEG_INFINITY
    } else {
        best - PROMISED
    };
    let known: &Hopeless = hopeless;
    let tried: Vec<(Vec<Promising>, Hopeless)> = leaders
        .par_iter()
        .map_init(Scratch::default, |scratch, &(law, set, best)| {
            beside(scales, law, set, best, (promised, known), scratch)
        })
        .collect();
    let (promising, found): (Vec<_>, Vec<_>) = tried.into_iter().unzip();
    if size == 0 {
        hopeless.extend(found.into_iter().flatten());
    }
    let mut promising = promising.concat();
    promising.sort_by(|a, b| a.1.cmp(&b.1).then(b.0.total_cmp(&a.0)));
    promising.dedup_by(|a, b| a.1 == b.1);
    promising.retain(|(promise, ..)| *promise > promised);
    promising
        .par_iter()
        .map_init(Scratch::default, |scratch, (_, set, start)| {
            scales.weigh_set(set, std::slice::from_ref(start), floors, scratch)
        })
        .flatten()
        .collect()
}

/// The best pairs beside one set, solved with it and judged by its own weights; of those whose promise
/// stays below `promised` not all, and none that is known to be hopeless. Behind them those that are found to be.
fn beside(
    scales: &Scales<'_>,
    law: usize,
    set: &[usize],
    best: &[f64],
    (promised, known): (f64, &Hopeless),
    scratch: &mut Scratch,
) -> (Vec<Promising>, Hopeless) {
    let held = scales.held(set, best);
    let mut starts = scales.healthy[law].starts.clone();
    let all = scales.observations.len();
    let forecast = scales.model.forecast(
        law,
        &held,
        scales.observations,
        Wanted::Weights(all),
        &mut starts,
        scratch,
    );
    let weights = forecast
        .ok()
        .and_then(|f| Some((Weights::new(&f, scales.evidence, &[])?, f)));
    let Some((weights, forecast)) = weights else {
        return (Vec::new(), Hopeless::new());
    };
    let is_mild = scales
        .moved(law, &forecast.mean)
        .all(|spreads| spreads < MILD);
    let ln_alone = weights.ln_likelihood(&forecast.mean, scales.evidence);
    let mut hopeless = Hopeless::new();
    let mut slips = weights.slip_odds(&forecast.mean, scales.evidence);
    slips.retain(|(_, odds)| *odds > IS_SLIP);
    slips.sort_by(|a, b| b.1.total_cmp(&a.1).then(a.0.cmp(&b.0)));
    slips.truncate(MOST_SLIPS);
    let mut found = Vec::new();
    let mut tried = BTreeSet::new();
    // Readings all as forecast could not make more of it.
    let most = weights.ln_at_most_with_slips(scales.evidence);
    let is_worth = |index: usize, pair: [usize; 2]| {
        let mut all = set.to_vec();
        all.extend(pair);
        most + scales.ln_prior(&all) > promised && !(is_mild && known.contains(&(index, pair)))
    };
    for (index, _) in slips {
        let mut at = AtReading {
            scales,
            law,
            held: held.clone(),
            starts: scales.healthy[law].starts.clone(),
            index,
            without: forecast.mean[index],
            near_enough: NEAR_ENOUGH * weights.sigma[index],
        };
        let pairs = at.pairs(set, |pair| is_worth(index, pair), scratch);
        hopeless.extend(pairs.far.into_iter().map(|pair| (index, pair)));
        for pair in pairs.reaching {
            let [a, b] = pair.map(|(index, _)| index);
            if !tried.insert((a, b)) {
                continue;
            }
            let fit = at
                .sizes(pair, scratch)
                .into_iter()
                .filter_map(|[u, v]| {
                    let there = at.with(&[(a, u), (b, v)], scales.observations, scratch)?;
                    Some((weights.ln_likelihood(&there, scales.evidence), u, v))
                })
                .max_by(|x, y| x.0.total_cmp(&y.0));
            let Some((ln_likelihood, u, v)) = fit else {
                continue;
            };
            if ln_likelihood < ln_alone - SPOILS {
                hopeless.insert((index, [a, b]));
            }
            let mut members: Vec<(usize, f64)> = set
                .iter()
                .copied()
                .zip(best.iter().copied())
                .chain([(a, u), (b, v)])
                .collect();
            members.sort_by_key(|member| member.0);
            let (all, sizes): (Vec<usize>, Vec<f64>) = members.into_iter().unzip();
            found.push((ln_likelihood + scales.ln_prior(&all), all, sizes));
        }
    }
    found.sort_by(|a, b| b.0.total_cmp(&a.0).then_with(|| a.1.cmp(&b.1)));
    let kept = super::through_equals(&found, MOST_WEIGHED, |pair| pair.0);
    found.truncate(kept);
    (found, hopeless)
}

/// Pairs that were solved at a reading.
#[derive(Default)]
struct Solved {
    /// Those that carry the forecast as far as the reading,
    reaching: Vec<[(usize, f64); 2]>,
    /// and those that stay far from it.
    far: Vec<[usize; 2]>,
}

/// A reading that a set takes for a slip.
struct AtReading<'s> {
    scales: &'s Scales<'s>,
    law: usize,
    held: Vec<Held<'s>>,
    starts: Starts,
    /// Which reading.
    index: usize,
    /// What the set alone forecasts of it.
    without: f64,
    /// A forecast this near to it explains it.
    near_enough: f64,
}

impl AtReading<'_> {
    /// The pairs of failures at its nodes that carry the forecast as far as the reading, which
    /// neither does alone: what one does, an extension by one finds. Each as far gone as it may be.
    fn pairs(
        &mut self,
        set: &[usize],
        is_worth: impl Fn([usize; 2]) -> bool,
        scratch: &mut Scratch,
    ) -> Solved {
        let near: Vec<(usize, f64)> = failures_at(self.scales, self.index, set)
            .into_iter()
            .map(|index| (index, self.far_end(index)))
            .collect();
        let stage = self.scales.model.stage;
        let mut asked: Vec<(usize, usize)> = Vec::new();
        for (k, &(a, _)) in near.iter().enumerate() {
            for (l, &(b, _)) in near.iter().enumerate().skip(k + 1) {
                let [one, other] = [a, b].map(|index| &self.scales.failures[index]);
                if one.goes_with(other, stage) && is_worth([a, b]) {
                    asked.push((k, l));
                }
            }
        }
        // By failure, whether it alone leads past the reading.
        let is_led_past: Vec<bool> = (0..near.len())
            .map(|k| {
                let is_asked = asked.iter().any(|&(a, b)| a == k || b == k);
                let alone = is_asked
                    .then(|| self.read_with(&[near[k]], scratch))
                    .flatten();
                alone.is_some_and(|m| self.reaches(m) && !self.is_near(m))
            })
            .collect();
        asked.retain(|&(k, l)| !is_led_past[k] && !is_led_past[l]);
        let mut solved = Solved::default();
        let wanted = self.scales.evidence.read[self.index] - self.without;
        for (k, l) in asked {
            let pair = [near[k], near[l]];
            let Some(there) = self.read_with(&pair, scratch) else {
                continue;
            };
            if self.reaches(there) {
                solved.reaching.push(pair);
            } else if (there - self.without) * wanted.signum() < FAR * wanted.abs() {
                solved.far.push(pair.map(|(index, _)| index));
            }
        }
        solved
    }

    /// Sizes at which a pair forecasts the reading: one failure as far gone as it may be, and
    /// the other as far as that takes.
    fn sizes(&mut self, pair: [(usize, f64); 2], scratch: &mut Scratch) -> Vec<[f64; 2]> {
        let far = pair.map(|(_, far)| far);
        if self
            .read_with(&pair, scratch)
            .is_some_and(|there| self.is_near(there))
        {
            return vec![far];
        }
        let found = [0, 1].map(|which| {
            let range = self.scales.failures[pair[which].0].range;
            // Between too little and enough.
            let (mut little, mut enough) = (range.low + range.high - far[which], far[which]);
            for _ in 0..HALVINGS {
                let mut tried = pair;
                tried[which].1 = 0.5 * (little + enough);
                match self.read_with(&tried, scratch) {
                    Some(there) if self.reaches(there) => enough = tried[which].1,
                    _ => little = tried[which].1,
                }
            }
            let mut sizes = far;
            sizes[which] = enough;
            sizes
        });
        found.to_vec()
    }

    /// Whether a forecast lies as far from what the set alone forecasts as the reading does, to the same side.
    fn reaches(&self, forecast: f64) -> bool {
        let wanted = self.scales.evidence.read[self.index] - self.without;
        (forecast - self.without) * wanted.signum() >= wanted.abs() - self.near_enough
    }

    fn is_near(&self, forecast: f64) -> bool {
        (forecast - self.scales.evidence.read[self.index]).abs() <= self.near_enough
    }

    /// The end of a failure's range that is further from a part that is whole.
    fn far_end(&self, index: usize) -> f64 {
        let failure = &self.scales.failures[index];
        if failure.goes_up(&self.scales.model.bases[self.law]) {
            failure.range.node(failure.range.nodes - 1)
        } else {
            failure.range.node(0)
        }
    }

    /// What it should read with these failures beside the set.
    fn read_with(&mut self, more: &[(usize, f64)], scratch: &mut Scratch) -> Option<f64> {
        let list = &self.scales.observations[self.index..=self.index];
        Some(self.with(more, list, scratch)?[0])
    }

    /// What some observations should read with these failures beside the set.
    fn with(
        &mut self,
        more: &[(usize, f64)],
        list: &[Observation],
        scratch: &mut Scratch,
    ) -> Option<Vec<f64>> {
        let own = self.held.len();
        let more = more
            .iter()
            .map(|&(index, u)| (&self.scales.failures[index], u));
        self.held.extend(more);
        let starts = &mut self.starts.clone();
        let found =
            self.scales
                .model
                .forecast(self.law, &self.held, list, Wanted::Means, starts, scratch);
        self.held.truncate(own);
        Some(found.ok()?.mean)
    }
}

/// Failures of the parts that end at a reading's nodes, of those that go with a set.
fn failures_at(scales: &Scales<'_>, index: usize, set: &[usize]) -> Vec<usize> {
    let nodes = match scales.observations[index].probe {
        Probe::Volts { from, to, .. } | Probe::Ohms { from, to } => [from, to],
        Probe::Amps(_) => return Vec::new(),
    };
    let stage = scales.model.stage;
    let at = |node: usize| node != 0 && nodes.contains(&node);
    let goes = |index: usize| {
        let failure = &scales.failures[index];
        set.iter()
            .all(|&member| member != index && failure.goes_with(&scales.failures[member], stage))
    };
    scales
        .failures
        .iter()
        .enumerate()
        .filter(|(_, failure)| {
            stage
                .part(failure.part)
                .kind
                .ends()
                .is_some_and(|(from, to)| at(from.0 as usize) || at(to.0 as usize))
        })
        .map(|(index, _)| index)
        .filter(|&index| goes(index))
        .collect()
}

#[cfg(test)]
mod tests {
    use crate::diagnose::{Options, diagnose};
    use crate::test_bench::{sheet, stage};

    /// The far end of the choke that holds it to chassis carries the whole voltage: the
    /// capacitor before it has shorted *and* the choke is open. Either alone leaves the
    /// readings as impossible as they are for a healthy unit, or makes them worse.
    #[test]
    fn two_failures_of_which_neither_helps_alone_are_found_at_the_reading() {
        let stage = stage(
            "stage \"excitation\"\n\
             supply    B1 60V from drive to chassis\n\
             resistor  R1 10k from drive to grid\n\
             resistor  R2 47k from grid to chassis\n\
             capacitor C1 100p 500V mica from excite to grid\n\
             choke     L1 30 2.5mH from excite to chassis\n",
        );
        let read = |excite: &str| {
            let text = format!("volts drive 60V\nvolts grid 49.5V\nvolts excite {excite}\n");
            let sheets = [sheet(&stage, &text)];
            diagnose(&stage, &sheets, &Options::default()).expect("the stage solves")
        };
        assert!(read("0V").healthy > 0.9);
        let both = read("49.5V");
        let first = &both.suspects[0];
        let names: Vec<&str> = first.faults.iter().map(|f| f.part.as_str()).collect();
        assert_eq!(names, ["C1", "L1"], "{:?}", both.suspects);
        // A slip of the probe to the grid gives the same three numbers.
        assert!(first.probability < 0.99, "{}", first.probability);
    }
}
