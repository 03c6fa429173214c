//! Plans against published and worked examples, and against a plain search.

use nalgebra::DMatrix;

use super::*;

/// K. R. Pattipati, M. G. Alexandridis, IEEE Trans. SMC 20(4):872-887, 1990: six states, five tests (from memory, high).
fn sequencing() -> Case {
    let shares = [0.70, 0.01, 0.02, 0.10, 0.05, 0.12];
    let results: [[usize; 6]; 5] = [
        [0, 0, 0, 1, 1, 1],
        [0, 1, 0, 0, 1, 1],
        [0, 0, 1, 0, 0, 1],
        [0, 0, 1, 1, 0, 1],
        [0, 1, 0, 1, 0, 0],
    ];
    Case::of_certain_results(&shares, &results.map(|r| r.to_vec()), 1000.0)
}

/// Expected cost by the recursion itself, nothing cut off and nothing remembered.
fn plainly(case: &Case, belief: &Belief) -> f64 {
    let (_, loss) = case.act(&belief.shares);
    (0..case.tests.len())
        .filter_map(|test| {
            let (bits, cuts) = case.information(belief, test, false);
            (bits > 1e-9).then(|| {
                let later: f64 = case
                    .ask(belief, test, &cuts)
                    .iter()
                    .map(|r| r.probability * plainly(case, &r.belief))
                    .sum();
                case.cost(belief, test) + later
            })
        })
        .fold(loss, f64::min)
}

fn planned(case: &Case, limits: Limits) -> f64 {
    let mut planner = Planner::new(case, limits).expect("the case is sound");
    let tree = planner.tree(20, 0.0);
    tree.cost_of_tests() + tree.loss()
}

#[test]
fn the_published_example_takes_2_18_tests() {
    let case = sequencing();
    let mut planner = Planner::new(&case, Limits::exact()).expect("the case is sound");
    let tree = planner.tree(5, 0.0);
    assert!(
        (tree.cost_of_tests() - 2.18).abs() < 1e-9,
        "{}",
        tree.cost_of_tests()
    );
    assert_eq!(tree.loss(), 0.0);
    // t2 and t4 begin equally well; t1, of the most information, does not.
    let ranked = planner.ranked();
    let best = ranked.iter().filter(|r| r.cost < 2.18 + 1e-9);
    assert_eq!(best.map(|r| r.test).collect::<Vec<_>>(), [3, 1]);
    assert!((planner.least_cost() - 2.18).abs() < 1e-9);
    // The state's entropy is 1.455 bits; a binary test gives one at most.
    assert!(
        (planner.lower_bound() - 1.455).abs() < 0.01,
        "{}",
        planner.lower_bound()
    );
    // Information in one step takes t1 first.
    assert!((planned(&case, Limits::greedy()) - 2.86).abs() < 1e-9);
}

#[test]
fn the_usual_look_ahead_finds_the_published_optimum_too() {
    assert!((planned(&sequencing(), Limits::default()) - 2.18).abs() < 1e-9);
}

/// A repeatable number between 0 and 1.
fn drawn(seed: &mut u64) -> f64 {
    *seed = seed
        .wrapping_mul(6_364_136_223_846_793_005)
        .wrapping_add(1_442_695_040_888_963_407);
    (*seed >> 11) as f64 / (1u64 << 53) as f64
}

fn random_case(seed: &mut u64, tests: usize) -> Case {
    let states = tests - 1 + (drawn(seed) * 3.0) as usize;
    let actions = 2 + (drawn(seed) * 2.0) as usize;
    let mut shares: Vec<f64> = (0..states).map(|_| 0.05 + drawn(seed)).collect();
    let total: f64 = shares.iter().sum();
    shares.iter_mut().for_each(|p| *p /= total);
    let action_of: Vec<usize> = (0..states).map(|s| s % actions).collect();
    let loss = (0..actions)
        .map(|a| {
            let of = |own: usize, seed: &mut u64| {
                if own == a {
                    0.0
                } else {
                    3.0 + 20.0 * drawn(seed)
                }
            };
            action_of.iter().map(|&own| of(own, seed)).collect()
        })
        .collect();
    let tests = (0..tests)
        .map(|_| {
            let results = 2 + (drawn(seed) * 2.0) as usize;
            let noisy = drawn(seed) > 0.5;
            let row = |seed: &mut u64| {
                let sure = (drawn(seed) * results as f64) as usize;
                let mut row: Vec<f64> = (0..results)
                    .map(|o| {
                        if noisy {
                            0.02 + drawn(seed)
                        } else {
                            f64::from(u8::from(o == sure))
                        }
                    })
                    .collect();
                let total: f64 = row.iter().sum();
                row.iter_mut().for_each(|p| *p /= total);
                row
            };
            Test {
                cost: 0.3 + drawn(seed),
                setup: (drawn(seed) * 2.0) as u32,
                preparation: drawn(seed),
                results: Results::Table((0..states).map(|_| row(seed)).collect()),
            }
        })
        .collect();
    Case {
        shares,
        action_of,
        loss,
        tests,
        numbers: Vec::new(),
        slip: 0.0,
    }
}

#[test]
fn the_search_agrees_with_the_recursion_and_no_plan_beats_the_bound() {
    let mut seed = 11;
    for round in 0..40 {
        let case = random_case(&mut seed, 4);
        let expected = plainly(&case, &case.start());
        let mut planner = Planner::new(&case, Limits::exact()).expect("the case is sound");
        let found = planner.least_cost();
        assert!(
            (found - expected).abs() < 1e-9,
            "{round}: {found} {expected}"
        );
        assert!(planner.lower_bound() <= expected + 1e-9, "{round}");
        let tree = planner.tree(20, 0.0);
        let cost = tree.cost_of_tests() + tree.loss();
        assert!((cost - expected).abs() < 1e-9, "{round}: {cost} {expected}");
        for limits in [Limits::default(), Limits::greedy()] {
            assert!(planned(&case, limits) >= expected - 1e-9, "{round}");
        }
    }
}

#[test]
fn looking_ahead_costs_less_on_the_whole_than_one_step() {
    let mut seed = 5;
    let (mut ahead, mut one_step, mut best) = (0.0, 0.0, 0.0);
    for _ in 0..60 {
        let case = random_case(&mut seed, 6);
        best += planned(&case, Limits::exact());
        ahead += planned(&case, Limits::default());
        one_step += planned(&case, Limits::greedy());
    }
    assert!(ahead < one_step, "{ahead} {one_step}");
    assert!(ahead < 1.01 * best, "{ahead} {best}");
}

/// Two states, numbers of means 0 and `apart`, both of spread 1; several readings with this correlation.
fn numbers(apart: f64, tests: usize, correlation: f64, loss: f64) -> Case {
    let covariance = DMatrix::from_fn(tests, tests, |i, j| if i == j { 1.0 } else { correlation });
    Case {
        shares: vec![0.5, 0.5],
        action_of: vec![0, 1],
        loss: vec![vec![0.0, loss], vec![loss, 0.0]],
        tests: vec![
            Test {
                cost: 1.0,
                setup: 0,
                preparation: 0.0,
                results: Results::Normal
            };
            tests
        ],
        numbers: [0.0, apart]
            .map(|mean| Numbers {
                mean: vec![mean; tests],
                covariance: covariance.clone(),
            })
            .to_vec(),
        slip: 0.0,
    }
}

#[test]
fn a_number_is_cut_half_way_between_its_two_forecasts() {
    let case = numbers(4.0, 1, 0.0, 30.0);
    let mut planner = Planner::new(&case, Limits::default()).expect("the case is sound");
    let tree = planner.tree(3, 0.0);
    let Then::Test { branches, .. } = &tree.then else {
        panic!("four spreads tell the two apart: {tree:?}");
    };
    assert_eq!(branches.len(), 2);
    assert!((branches[0].to.unwrap_or(f64::NAN) - 2.0).abs() < 1e-9);
    // Φ(2) = 0.97725 of the first state lies below.
    assert!((branches[0].tree.shares[0] - 0.977_25).abs() < 1e-4);
    assert!(
        (tree.loss() - 30.0 * 0.022_75).abs() < 1e-2,
        "{}",
        tree.loss()
    );
}

#[test]
fn ranges_that_lead_to_the_same_action_are_one() {
    // Three states one behind the other, the first and second of one action.
    let mut case = numbers(8.0, 1, 0.0, 30.0);
    case.shares = vec![0.4, 0.4, 0.2];
    case.action_of = vec![0, 0, 1];
    case.loss = vec![vec![0.0, 0.0, 30.0], vec![30.0, 30.0, 0.0]];
    let mut middle = case.numbers[0].clone();
    middle.mean[0] = -8.0;
    case.numbers.insert(0, middle);
    let mut planner = Planner::new(&case, Limits::default()).expect("the case is sound");
    let tree = planner.tree(2, 0.0);
    let Then::Test { branches, .. } = &tree.then else {
        panic!("the test parts the actions: {tree:?}");
    };
    assert_eq!(branches.len(), 2, "{branches:?}");
    assert!((branches[0].probability - 0.8).abs() < 1e-3);
    assert!((branches[0].tree.shares[..2].iter().sum::<f64>() - 1.0).abs() < 1e-3);
}

#[test]
fn a_cheap_mistake_is_not_worth_a_test() {
    let case = numbers(4.0, 1, 0.0, 1.5);
    let mut planner = Planner::new(&case, Limits::default()).expect("the case is sound");
    assert!(matches!(planner.tree(3, 0.0).then, Then::Act { .. }));
    assert!(
        planner
            .ranked()
            .iter()
            .all(|r| r.cost > planner.at_once().1)
    );
}

#[test]
fn a_second_reading_of_the_same_thing_is_not_asked_for() {
    let second = |correlation: f64| {
        let case = numbers(2.5, 2, correlation, 30.0);
        let mut planner = Planner::new(&case, Limits::exact()).expect("the case is sound");
        let tree = planner.tree(3, 0.0);
        let Then::Test { branches, .. } = tree.then else {
            panic!("one reading is worth it");
        };
        branches
            .iter()
            .any(|b| matches!(b.tree.then, Then::Test { .. }))
    };
    assert!(second(0.0));
    assert!(!second(0.9999));
}

#[test]
fn a_reading_moves_what_goes_with_it() {
    let list = numbers(0.0, 2, 0.6, 1.0).numbers;
    // Half a normal has the mean √(2/π).
    let half = (2.0 / std::f64::consts::PI).sqrt();
    let x = normal::typical(&list, &[0.25, 0.25], 0, Some(0.0), None);
    let within = 1.0 - half * half;
    assert!(
        (x.0 - half).abs() < 1e-12 && (x.1 - within).abs() < 1e-12,
        "{x:?}"
    );
    let after = normal::after_reading(&list[0], 0, x);
    assert!((after.mean[1] - 0.6 * half).abs() < 1e-12);
    assert!((after.covariance[(1, 1)] - (1.0 - 0.36 * (1.0 - within))).abs() < 1e-12);
}

#[test]
fn a_narrow_forecast_within_a_wide_one_is_cut_on_both_sides() {
    let mut case = numbers(0.0, 1, 0.0, 30.0);
    case.numbers[1].covariance[(0, 0)] = 400.0;
    let (bits, cuts) = case.information(&case.start(), 0, true);
    assert_eq!(cuts.len(), 2, "{cuts:?}");
    assert!(
        (cuts[0] + cuts[1]).abs() < 1e-9 && cuts[1] > 2.0 && cuts[1] < 4.0,
        "{cuts:?}"
    );
    assert!(bits > 0.4, "{bits}");
}

#[test]
fn preparation_is_paid_once() {
    let mut case = sequencing();
    for test in &mut case.tests {
        test.setup = 1;
        test.preparation = 5.0;
    }
    assert!((planned(&case, Limits::exact()) - 7.18).abs() < 1e-9);
}

#[test]
fn what_does_not_fit_is_refused() {
    let sound = numbers(4.0, 1, 0.0, 30.0);
    assert_eq!(sound.check(), Ok(()));
    let mut case = sound.clone();
    case.shares[0] = 0.7;
    assert_eq!(case.check(), Err(CaseError::Shares));
    let mut case = sound.clone();
    case.loss[0].pop();
    assert_eq!(case.check(), Err(CaseError::Actions));
    let mut case = sound.clone();
    case.tests[0].cost = 0.0;
    assert_eq!(case.check(), Err(CaseError::Cost(0)));
    let mut case = sound.clone();
    case.tests[0].results = Results::Table(vec![vec![0.5, 0.5], vec![0.5, 0.4]]);
    assert_eq!(case.check(), Err(CaseError::Table(0)));
    let mut case = sound;
    case.numbers.pop();
    assert_eq!(case.check(), Err(CaseError::Numbers(0)));
}
