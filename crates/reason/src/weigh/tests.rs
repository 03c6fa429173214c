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

/// A leak through the coupling capacitor stands at first where it lets nothing through, so that the
/// volts behind it pass for a slip. What the good readings say of it is next to nothing; the leak must be climbed to by all of them.
#[test]
fn a_size_that_only_a_slip_feels_is_climbed_to() {
    use deadstage_parts::Mode;
    let lines =
        "volts plate 192V\nvolts cathode 2.0V\nvolts bplus 250V\nvolts grid 0V\nvolts out 16.5V\n";
    weighed(TRIODE, lines, |scales| {
        let mut set = [
            (scales.index_of("R2", Mode::High), 2f64.ln()),
            (scales.index_of("C2", Mode::Leaky), 1e8f64.ln()),
        ];
        set.sort_by_key(|s| s.0);
        let start = set.map(|s| s.1).to_vec();
        let set = set.map(|s| s.0);
        let nowhere = (f64::NEG_INFINITY, f64::NEG_INFINITY);
        let found = scales
            .weigh_set(&set, &[start], nowhere, &mut Scratch::default())
            .expect("the pair solves");
        let ohms = set
            .iter()
            .zip(&found.best)
            .find(|(i, _)| scales.failures[**i].mode == Mode::Leaky)
            .map(|(_, u)| u.exp());
        // 16.5 V across 470 k with the meter's 11 M beside it, and 175 V across the leak.
        assert!(
            ohms.is_some_and(|r| r > 3e6 && r < 8e6),
            "{ohms:?} of {found:?}"
        );
    });
}

/// A preamplifier of two triodes whose plates stand near nothing: every size of some pairs, moved alone, does better
/// than where a climb ends, and what each gains must not count once with every other. No density of these readings is higher than that of readings just as forecast.
#[test]
fn a_pair_is_no_likelier_than_readings_just_as_forecast() {
    let text = include_str!("../../../../netlists/audio/microphone-preamplifier.stage");
    let lines = "volts bplus 262V\nvolts bplus2 0.828V\nvolts bplus1 0.764V\nvolts grid1 -0.041V\nvolts plate1 0.108V\nvolts cathode1 0.026V\n\
        volts gain -0.262V\nvolts grid2 -0.271V\nvolts plate2 0.367V\nvolts cathode2 0.009V\nvolts output 0V\n";
    weighed(text, lines, |scales| {
        let mut scratch = Scratch::default();
        let shorts = ["C6", "C7"].map(|part| scales.index_of(part, deadstage_parts::Mode::Short));
        let mut compared = 0;
        for short in shorts {
            for other in 0..scales.failures.len() {
                let stage = scales.model.stage;
                if !scales.failures[other].goes_with(&scales.failures[short], stage) {
                    continue;
                }
                let mut set = vec![short, other];
                set.sort_unstable();
                let start: Vec<f64> = set
                    .iter()
                    .map(|&i| scales.failures[i].range.node(0))
                    .collect();
                let nowhere = (f64::NEG_INFINITY, f64::NEG_INFINITY);
                let Some(rough) = scales.weigh_set(&set, &[start], nowhere, &mut scratch) else {
                    continue;
                };
                let Some(again) = scales.weigh_set_again(&rough, &mut scratch) else {
                    continue;
                };
                let starts = scales.healthy[again.law].starts.clone();
                let Some(peak) =
                    scales.peak_at(again.law, &set, again.best.clone(), starts, &mut scratch)
                else {
                    continue;
                };
                let most = peak.weights.ln_at_best();
                assert!(
                    again.ln_evidence < most + 3.0,
                    "{set:?}: {} of at most {most}",
                    again.ln_evidence
                );
                compared += 1;
            }
        }
        assert!(compared > 50, "only {compared} compared");
    });
}
