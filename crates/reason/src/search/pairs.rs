//! Failures two by two, where none alone explains much.
//!
//! One step at a time is a poor guide where two failures undo each other's marks: with a
//! filter capacitor shorted *and* the choke behind it open, each alone forecasts most
//! readings wrongly, and neither is extended for what it leaves. On a stage all pairs can
//! be looked at, at a size or two each; where there are too many, those of breaks and shorts, which need
//! no size to be seen, and those of the leading singles with every failure.

use deadstage_circuit::Scratch;
use deadstage_parts::Mode;
use rayon::prelude::*;

use crate::model::Wanted;
use crate::observe::{Observation, Scale};
use crate::weigh::{Scales, Weighed};

/// Looks at a pair of sizes, at most: beyond, fewer pairs are looked at.
const MOST_LOOKS: usize = 30_000;

/// Leading singles whose pairs with every failure are looked at, where not all pairs are.
const LEADERS: usize = 16;

/// With more failures than these (a whole chassis), only pairs that share a node are.
const LARGE: usize = 320;

/// Pairs whose sizes are moved to where they look better, and by which parts of their ranges.
const MOST_REFINED: usize = 240;
const REFINED_BY: [f64; 2] = [0.16, 0.08];

/// Pairs that are weighed.
const MOST_WEIGHED: usize = 40;

/// What a forecast without scatter may be off by: a share of itself (of the reading, for ratios).
const OFF: f64 = 0.08;

/// Degrees of freedom of the t distribution that a reading is held against: sizes are only near, and
/// any reading may be a slip, yet of two pairs that are both far off the nearer is the better.
const FREEDOM: f64 = 3.0;

/// The pairs that look best, weighed; `singles` best first. Those
/// that under the first law stay below `floor` are not asked of the other.
pub(super) fn pairs_looked_at(
    scales: &Scales<'_>,
    singles: &[Weighed],
    floor: f64,
) -> Vec<Weighed> {
    // A size that is off by a decade makes a hopeless start.
    let floors = (floor, f64::NEG_INFINITY);
    // The meter's load moves little beside a break or a short.
    let bare: Vec<Observation> = scales.observations.iter().map(Observation::bare).collect();
    let mut looks: Vec<Look> = pairs(scales, singles)
        .into_par_iter()
        .map_init(Scratch::default, |scratch, pair| {
            sizes(scales, pair[0])
                .into_iter()
                .flat_map(|u| sizes(scales, pair[1]).into_iter().map(move |v| [u, v]))
                .filter_map(|sizes| look(scales, &bare, pair, sizes, scratch))
                .max_by(|a, b| a.worth.total_cmp(&b.worth))
        })
        .flatten()
        .collect();
    looks.sort_by(|a, b| b.worth.total_cmp(&a.worth).then(a.pair.cmp(&b.pair)));
    let kept = super::through_equals(&looks, MOST_REFINED, |look| look.worth);
    looks.truncate(kept);
    looks
        .par_iter_mut()
        .for_each_init(Scratch::default, |scratch, found| {
            for part in REFINED_BY {
                refine(scales, &bare, found, part, scratch);
            }
        });
    looks.sort_by(|a, b| b.worth.total_cmp(&a.worth).then(a.pair.cmp(&b.pair)));
    let kept = super::through_equals(&looks, MOST_WEIGHED, |look| look.worth);
    looks.truncate(kept);
    looks
        .par_iter()
        .map_init(Scratch::default, |scratch, look| {
            scales.weigh_set(&look.pair, &[look.sizes.to_vec()], floors, scratch)
        })
        .flatten()
        .collect()
}

/// The pairs to look at.
fn pairs(scales: &Scales<'_>, singles: &[Weighed]) -> Vec<[usize; 2]> {
    let stage = scales.model.stage;
    let failures = scales.failures;
    let strong: Vec<usize> = (0..failures.len())
        .filter(|&index| !failures[index].range.sized)
        .collect();
    let is_large = failures.len() > LARGE;
    let ends = |index: usize| stage.part(failures[index].part).kind.ends();
    let adjoin = |a: usize, b: usize| {
        ends(a)
            .zip(ends(b))
            .is_some_and(|((a, b), (c, d))| [a, b].iter().any(|n| n.0 != 0 && [c, d].contains(n)))
    };
    let fits = |a: usize, b: usize| {
        a != b && failures[a].goes_with(&failures[b], stage) && (!is_large || adjoin(a, b))
    };
    let with = |firsts: &[usize], seconds: &[usize]| -> Vec<[usize; 2]> {
        firsts
            .iter()
            .flat_map(|&a| seconds.iter().map(move |&b| [a.min(b), a.max(b)]))
            .filter(|&[a, b]| fits(a, b))
            .collect()
    };
    let every: Vec<usize> = (0..failures.len()).collect();
    let looks = |list: &[usize]| -> usize {
        let each: usize = list.iter().map(|&index| sizes(scales, index).len()).sum();
        each * each / 2
    };
    if !is_large && looks(&every) <= MOST_LOOKS {
        return without_repeats(with(&every, &every));
    }
    let leading = super::leading(singles, LEADERS).iter();
    let leading: Vec<usize> = leading.map(|w| w.set[0]).collect();
    let mut all = with(&leading, &every);
    if is_large || looks(&strong) <= MOST_LOOKS {
        all.extend(with(&strong, &strong));
    }
    without_repeats(all)
}

fn without_repeats(mut pairs: Vec<[usize; 2]>) -> Vec<[usize; 2]> {
    pairs.sort_unstable();
    pairs.dedup();
    pairs
}

/// The sizes that a failure is looked at: across a short, too, the voltage goes with its ohms.
fn sizes(scales: &Scales<'_>, index: usize) -> Vec<f64> {
    let failure = &scales.failures[index];
    let range = failure.range;
    let at = |part: f64| range.low + part * range.width();
    if failure.mode == Mode::Short || range.sized {
        vec![at(0.25), at(0.75)]
    } else {
        vec![at(0.5)]
    }
}

/// A pair as it looks.
struct Look {
    /// How well it forecasts the readings, roughly (a logarithm), rarity counted.
    worth: f64,
    pair: [usize; 2],
    sizes: [f64; 2],
}

/// Moves each size of a pair by some part of its range, where that looks better.
fn refine(
    scales: &Scales<'_>,
    bare: &[Observation],
    found: &mut Look,
    part: f64,
    scratch: &mut Scratch,
) {
    for (which, index) in found.pair.into_iter().enumerate() {
        let range = scales.failures[index].range;
        if !range.is_open() || sizes(scales, index).len() < 2 {
            continue;
        }
        let from = found.sizes;
        for step in [-part, part] {
            let mut sizes = from;
            sizes[which] = (from[which] + step * range.width()).clamp(range.low, range.high);
            if let Some(moved) = look(scales, bare, found.pair, sizes, scratch)
                && moved.worth > found.worth
            {
                *found = moved;
            }
        }
    }
}

/// Two failures of these sizes, held against the readings.
fn look(
    scales: &Scales<'_>,
    bare: &[Observation],
    pair: [usize; 2],
    sizes: [f64; 2],
    scratch: &mut Scratch,
) -> Option<Look> {
    let held = scales.held(&pair, &sizes);
    let mut starts = scales.healthy[scales.lead].starts.clone();
    let there = scales
        .model
        .forecast(
            scales.lead,
            &held,
            bare,
            Wanted::Means,
            &mut starts,
            scratch,
        )
        .ok()?;
    let evidence = scales.evidence;
    let ln_fit = (0..evidence.len())
        .filter(|&index| evidence.is_exact(index))
        .map(|index| {
            let (mean, read) = (there.mean[index], evidence.read[index]);
            let off = match bare[index].scale {
                Scale::Plain => OFF * mean.abs(),
                Scale::Log => OFF,
            };
            let variance = evidence.noise(index) + off * off;
            let square = (read - mean).powi(2) / variance;
            -0.5 * ((FREEDOM + 1.0) * (square / FREEDOM).ln_1p() + variance.ln())
        })
        .sum::<f64>();
    Some(Look {
        worth: ln_fit + scales.ln_prior(&pair),
        pair,
        sizes,
    })
}

#[cfg(test)]
mod tests {
    use crate::diagnose::{Options, diagnose};
    use crate::test_bench::{sheet, stage};

    const INVERTER: &str = include_str!("../../../../netlists/audio/phase-inverter.stage");

    /// A unit of the trial bench: grid and cathode touch, and the cathode resistor has risen to
    /// 16 kΩ. The short alone leaves both at three volts, the resistor alone leaves the grid at chassis:
    /// neither looks like a step towards fifty volts at both.
    #[test]
    fn two_failures_that_hide_each_other_are_found_as_a_pair() {
        let stage = stage(INVERTER);
        let sheets = [sheet(
            &stage,
            "meter 11M 3%\nvolts bplus 309V\nvolts bplus1 286V\nvolts grid1 54.7V\nvolts plate1 110V\n\
             volts cathode1 54.1V\nvolts plate2 178V\nvolts cathode2 109V\n",
        )];
        let found = diagnose(&stage, &sheets, &Options::default()).expect("the stage solves");
        let first = &found.suspects[0];
        let mut names: Vec<&str> = first.faults.iter().map(|f| f.part.as_str()).collect();
        names.sort_unstable();
        assert_eq!(names, ["R2", "V1"], "{:?}", found.suspects);
        assert!(found.unexplained < 0.5, "{}", found.unexplained);
    }
}
