//! The leading sets with one member given up, and others tried in its place.
//!
//! The search adds one failure at a time to what explained most before. A failure that stood in for two
//! (a fallen screen resistor, until the open cathode resistor that explains all is added) is kept by that although the
//! set would do better without it: so each member of a leading set is taken out again, what is left
//! is weighed, and the failures that would explain most beside the rest are tried.

use std::collections::{BTreeMap, BTreeSet};

use deadstage_circuit::Scratch;
use rayon::prelude::*;

use super::propose::{Extension, Responses, propose};
use crate::weigh::{Scales, Weighed};

/// Sets whose members are exchanged, most.
const LEADERS: usize = 3;

/// Sets this far (in the logarithm) below the best are not.
const LEADERS_REACH: f64 = 2.0;

/// Times that what was found so is tried in its turn.
const ROUNDS: usize = 3;

/// Sets that an exchange of members of the leading sets gives, and that are not yet among `sets` (best first). Those that
/// stay below the first of `floors` under the first law are not asked of the other. What was `extended` before is not again;
/// `promised`: the least that a set must promise to weigh, and by how much the linear look may think too little of it.
pub(super) fn exchanged(
    scales: &Scales<'_>,
    sets: &[Weighed],
    mut extended: BTreeSet<Vec<usize>>,
    responses: &Responses,
    promised: (f64, f64),
    floors: (f64, f64),
) -> Vec<Weighed> {
    let mut known: BTreeSet<Vec<usize>> = sets.iter().map(|s| s.set.clone()).collect();
    let mut leaders: Vec<Weighed> = super::leading(sets, LEADERS).to_vec();
    let mut found: Vec<Weighed> = Vec::new();
    for _ in 0..ROUNDS {
        let best = leaders.first().map_or(f64::NEG_INFINITY, |s| s.ln_weight);
        leaders.retain(|s| s.set.len() > 1 && s.ln_weight > best - LEADERS_REACH);
        let rests: Vec<(Vec<usize>, Vec<f64>)> = leaders
            .iter()
            .flat_map(|leader| (0..leader.set.len()).map(|k| without(leader, k)))
            .filter(|(set, _)| extended.insert(set.clone()))
            .collect();
        let tried: Vec<(Option<Weighed>, Vec<Extension>)> = rests
            .into_par_iter()
            .map_init(Scratch::default, |scratch, (set, sizes)| {
                let nowhere = (f64::NEG_INFINITY, f64::NEG_INFINITY);
                let again = scales.weigh_set(&set, std::slice::from_ref(&sizes), nowhere, scratch);
                let Some(again) = again else {
                    return (None, Vec::new());
                };
                let others = propose(scales, &again, responses, promised, 1, scratch);
                (Some(again), others)
            })
            .collect();
        let mut next: Vec<Weighed> = Vec::new();
        let mut wanted: BTreeMap<Vec<usize>, (f64, Vec<f64>)> = BTreeMap::new();
        for (rest, others) in tried {
            next.extend(rest.filter(|rest| rest.set.len() > 1 && known.insert(rest.set.clone())));
            for (set, promise, start) in others {
                let entry = wanted.entry(set).or_insert((f64::NEG_INFINITY, Vec::new()));
                if promise > entry.0 {
                    *entry = (promise, start);
                }
            }
        }
        wanted.retain(|set, _| known.insert(set.clone()));
        let weighed: Vec<Weighed> = wanted
            .par_iter()
            .map_init(Scratch::default, |scratch, (set, (_, start))| {
                scales.weigh_set(set, std::slice::from_ref(start), floors, scratch)
            })
            .flatten()
            .collect();
        next.extend(weighed);
        super::sort(&mut next);
        leaders = super::leading(&next, LEADERS)
            .iter()
            .filter(|s| s.ln_weight > best)
            .cloned()
            .collect();
        found.extend(next);
        if leaders.is_empty() {
            break;
        }
    }
    found
}

/// A set without one of its members, and the sizes of the others as they were.
fn without(leader: &Weighed, k: usize) -> (Vec<usize>, Vec<f64>) {
    let (mut set, mut sizes) = (leader.set.clone(), leader.best.clone());
    set.remove(k);
    sizes.remove(k);
    (set, sizes)
}

#[cfg(test)]
mod tests {
    use crate::diagnose::{Options, diagnose};
    use crate::test_bench::{sheet, stage};

    const AMPLIFIER: &str =
        include_str!("../../../../netlists/audio/pentode-voltage-amplifier.stage");

    /// A unit of the trial bench: cathode and plate resistors open, the coupling capacitor shorted. The search
    /// comes to these three by way of a screen resistor that has fallen, of which nothing is left to explain once all three are found.
    #[test]
    fn a_member_that_a_set_does_better_without_is_given_up() {
        let stage = stage(AMPLIFIER);
        let sheets = [sheet(
            &stage,
            "line 116V\nvolts bplus 315V\nvolts bplus1 301V\nvolts pickup 0V\nvolts top 0V\nvolts grid 0V\n\
             volts plate 0.169V\nvolts cathode 15V\nvolts screen 280V\nvolts output 0.172V\nvolts across R3 15.2V\n\
             volts across R4 4.33V\nvolts across R5 292V\nvolts across R7 0.673V\n",
        )];
        let found = diagnose(&stage, &sheets, &Options::default()).expect("the stage solves");
        let first = &found.suspects[0];
        let mut names: Vec<&str> = first.faults.iter().map(|f| f.part.as_str()).collect();
        names.sort_unstable();
        assert_eq!(names, ["C4", "R3", "R5"]);
    }
}
