use super::*;
use crate::test_bench::{OUTPUT, PENTODE, TRIODE, weighed};

/// How far the two ways may differ, in the logarithm. Along a whole range the covariance is only
/// blended between solved nodes, which is why what leads is weighed again.
const APART: f64 = 1.8;

/// Failures this far below the best are not compared: no answer rests on them.
const OF_THE_BEST: f64 = 7.0;

/// The two ways of integrating a size out (its whole range summed over, and
/// sums about the best after a climb) answer alike where one failure is asked of both.
#[test]
fn a_set_of_one_weighs_as_a_single_failure() {
    let mut compared = 0;
    for (text, lines) in [
        (
            TRIODE,
            "volts plate 120V\nvolts cathode 1.6V\nvolts bplus 150V\nvolts grid 0V\nvolts out 0V\n",
        ),
        (
            TRIODE,
            "volts plate 240V\nvolts cathode 0.05V\nvolts bplus 247V\nvolts grid 0V\nvolts out 0V\n",
        ),
        (
            PENTODE,
            "volts plate 240V\nvolts screen 60V\nvolts bplus 245V\nvolts grid 0V\nvolts cathode 0.8V\n",
        ),
        (
            OUTPUT,
            "volts plate 240V\nvolts cathode 20V\nvolts grid 5V\nvolts bplus 255V\n",
        ),
    ] {
        weighed(text, lines, |scales| {
            let mut scratch = Scratch::default();
            let singles: Vec<Weighed> = (0..scales.failures.len())
                .filter_map(|index| scales.weigh_single(index, &mut scratch).0)
                .collect();
            let best = singles
                .iter()
                .map(|s| s.ln_evidence)
                .fold(f64::NEG_INFINITY, f64::max);
            for single in singles
                .iter()
                .filter(|s| s.ln_evidence > best - OF_THE_BEST)
            {
                let set = scales
                    .weigh_set_again(single, &mut scratch)
                    .expect("what was weighed alone can be weighed as a set");
                let failure = &scales.failures[single.set[0]];
                let name = &scales.model.stage.part(failure.part).name;
                let gap = set.ln_evidence - single.ln_evidence;
                assert!(
                    gap.abs() < APART,
                    "{name} {}: {single:?} but {set:?}",
                    failure.mode.name()
                );
                compared += 1;
            }
        });
    }
    assert!(compared > 20, "only {compared} compared");
}
