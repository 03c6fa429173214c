//! Which test first, and which after each of its results: sequential testing with a loss for a wrong decision.
//!
//! A case has states, one of which holds, with a probability each; tests, with a cost each; and actions,
//! each of which costs something in vain if the state is another than it is meant for. With b the probabilities of the states given
//! all results so far, the least expected cost is
//!
//! V(b) = min( min_a Σ_s b(s) loss(a, s),  min_t cost(t) + Σ_o P(o | b, t) V(b after o) ),
//!
//! the recursion of sequential analysis (A. Wald, *Sequential Analysis*, 1947) and of AND/OR search over tests
//! (K. R. Pattipati, M. G. Alexandridis, IEEE Trans. SMC 20(4):872-887, 1990). With a loss so dear that no one would act in doubt it becomes
//! the cheapest way to isolate the state. [`Planner`] solves it, exactly or with a limited look-ahead.
//!
//! A test's results are a table of probabilities by state ([`Results::Table`]), or a number that every state forecasts as normal, cut
//! into ranges where that says most ([`Results::Normal`]). Numbers forecast by one state may be correlated: what one of them shows
//! moves the forecast of the others.
//! Left out: a test made twice (it would show the same again), and tests that change the state.

mod bound;
mod normal;
mod search;
mod tree;

pub use search::{Limits, Planner, Ranked};
pub use tree::{Branch, Then, Tree};

use nalgebra::DMatrix;

/// Results of one test are cut into so many ranges at most.
pub(crate) const MOST_RANGES: usize = 4;

/// A test that could be made.
#[derive(Clone, Debug, PartialEq)]
pub struct Test {
    /// Cost of the test itself, in whatever unit the case uses; positive.
    pub cost: f64,
    /// How things must stand for it; 0 is how they stand at first.
    pub setup: u32,
    /// Cost of bringing them to stand so, where the test before left them otherwise.
    pub preparation: f64,
    /// What it may show.
    pub results: Results,
}

/// What a test may show.
#[derive(Clone, Debug, PartialEq)]
pub enum Results {
    /// By state, the probability of each result.
    Table(Vec<Vec<f64>>),
    /// A number, normal under each state as [`Case::numbers`] has it.
    Normal,
}

/// What one state forecasts for the tests whose result is a number.
#[derive(Clone, Debug, PartialEq)]
pub struct Numbers {
    /// By test, the mean; of no account for a table.
    pub mean: Vec<f64>,
    /// Covariance, tests by tests.
    pub covariance: DMatrix<f64>,
}

/// States, actions and tests.
#[derive(Clone, Debug, PartialEq)]
pub struct Case {
    /// Probability of each state.
    pub shares: Vec<f64>,
    /// By state, the action meant for it.
    pub action_of: Vec<usize>,
    /// By action, then by state: what taking the action costs in vain. Zero for the action of the state.
    pub loss: Vec<Vec<f64>>,
    /// The tests.
    pub tests: Vec<Test>,
    /// By state, the forecasts of the numbers; empty if every test is a table.
    pub numbers: Vec<Numbers>,
    /// Probability that a number read is nothing of what was to be shown.
    pub slip: f64,
}

/// Why a case can't be planned for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
pub enum CaseError {
    /// No state, or probabilities that are negative or do not add to one.
    #[error("the probabilities of the states must not be negative, and add to one")]
    Shares,
    /// A state without an action, or losses that are not one for each action and state, or negative.
    #[error("every state needs an action, and every action a loss of zero or more in every state")]
    Actions,
    /// A cost that is not positive, or a preparation that is negative.
    #[error("test {0} must cost something, and its preparation not less than nothing")]
    Cost(usize),
    /// A table that is not by state, or whose probabilities do not add to one.
    #[error("test {0} needs probabilities that add to one for each state")]
    Table(usize),
    /// Forecasts that are not one for each state and test, or a variance that is not positive.
    #[error("test {0} needs a mean and a positive variance under each state")]
    Numbers(usize),
}

impl Case {
    /// A case whose tests are tables of certain results (0, 1, ...), by test and state, each test at a cost of one, each
    /// state with an action of its own, and `loss` for any wrong action.
    pub fn of_certain_results(shares: &[f64], results: &[Vec<usize>], loss: f64) -> Self {
        let states = shares.len();
        let table = |by_state: &Vec<usize>| {
            let count = by_state.iter().max().map_or(0, |most| most + 1);
            by_state
                .iter()
                .map(|&result| {
                    (0..count)
                        .map(|o| f64::from(u8::from(o == result)))
                        .collect()
                })
                .collect()
        };
        Self {
            shares: shares.to_vec(),
            action_of: (0..states).collect(),
            loss: (0..states)
                .map(|a| {
                    (0..states)
                        .map(|s| if a == s { 0.0 } else { loss })
                        .collect()
                })
                .collect(),
            tests: results
                .iter()
                .map(|by_state| Test {
                    cost: 1.0,
                    setup: 0,
                    preparation: 0.0,
                    results: Results::Table(table(by_state)),
                })
                .collect(),
            numbers: Vec::new(),
            slip: 0.0,
        }
    }

    /// Whether the parts of the case fit each other.
    ///
    /// # Errors
    /// The first thing that does not.
    pub fn check(&self) -> Result<(), CaseError> {
        const NEAR: f64 = 1e-6;
        let states = self.shares.len();
        let adds_up = |list: &[f64]| {
            list.iter().all(|p| *p >= 0.0) && (list.iter().sum::<f64>() - 1.0).abs() < NEAR
        };
        if !adds_up(&self.shares) {
            return Err(CaseError::Shares);
        }
        let sound = self.action_of.len() == states
            && self.action_of.iter().all(|&a| a < self.loss.len())
            && self
                .loss
                .iter()
                .all(|l| l.len() == states && l.iter().all(|x| *x >= 0.0 && x.is_finite()));
        if !sound {
            return Err(CaseError::Actions);
        }
        for (index, test) in self.tests.iter().enumerate() {
            if !(test.cost > 0.0 && test.cost.is_finite() && test.preparation >= 0.0) {
                return Err(CaseError::Cost(index));
            }
            match &test.results {
                Results::Table(by_state) => {
                    let count = by_state.first().map_or(0, Vec::len);
                    let even = by_state
                        .iter()
                        .all(|row| row.len() == count && adds_up(row));
                    if by_state.len() != states || !even {
                        return Err(CaseError::Table(index));
                    }
                }
                Results::Normal => {
                    let fits = self.numbers.len() == states
                        && self.numbers.iter().all(|n| {
                            n.mean.len() == self.tests.len()
                                && n.covariance.shape() == (self.tests.len(), self.tests.len())
                                && n.mean[index].is_finite()
                                && n.covariance[(index, index)] > 0.0
                        });
                    if !fits {
                        return Err(CaseError::Numbers(index));
                    }
                }
            }
        }
        Ok(())
    }

    /// What is believed before any test.
    pub(crate) fn start(&self) -> Belief {
        Belief {
            shares: self.shares.clone(),
            asked: Vec::new(),
            setup: 0,
            numbers: self.numbers.clone(),
        }
    }

    /// Cost of a test as things stand.
    pub(crate) fn cost(&self, belief: &Belief, test: usize) -> f64 {
        let test = &self.tests[test];
        if test.setup == belief.setup {
            test.cost
        } else {
            test.cost + test.preparation
        }
    }

    /// The action that loses least, and its expected loss.
    pub(crate) fn act(&self, shares: &[f64]) -> (usize, f64) {
        self.loss
            .iter()
            .map(|by_state| shares.iter().zip(by_state).map(|(p, l)| p * l).sum::<f64>())
            .enumerate()
            .reduce(|a, b| if b.1 < a.1 { b } else { a })
            .unwrap_or((0, 0.0))
    }

    /// Probability of each action being the one that is meant.
    pub(crate) fn by_action(&self, shares: &[f64]) -> Vec<f64> {
        let mut total = vec![0.0; self.loss.len()];
        for (&action, p) in self.action_of.iter().zip(shares) {
            total[action] += p;
        }
        total
    }

    /// Results of a test that can come about, with what is then believed; `cuts` are those of its ranges.
    pub(crate) fn ask(&self, belief: &Belief, test: usize, cuts: &[f64]) -> Vec<Asked> {
        let likelihood = self.likelihood(belief, test, cuts);
        let count = likelihood.first().map_or(0, Vec::len);
        (0..count)
            .filter_map(|result| {
                let joint = joint(belief, &likelihood, result);
                let probability: f64 = joint.iter().sum();
                if probability < LEAST_RESULT {
                    return None;
                }
                let mut asked = belief.asked.clone();
                let code = (u16::try_from(test).ok()?, u8::try_from(result).ok()?);
                let place = asked.partition_point(|known| *known < code);
                asked.insert(place, code);
                let (from, to, numbers) = match self.tests[test].results {
                    Results::Table(_) => (None, None, belief.numbers.clone()),
                    Results::Normal => {
                        let from = result.checked_sub(1).and_then(|k| cuts.get(k)).copied();
                        let to = cuts.get(result).copied();
                        let x = normal::typical(&belief.numbers, &joint, test, from, to);
                        let after = |n: &Numbers| normal::after_reading(n, test, x);
                        (from, to, belief.numbers.iter().map(after).collect())
                    }
                };
                let shares: Vec<f64> = joint.into_iter().map(|p| p / probability).collect();
                Some(Asked {
                    result,
                    from,
                    to,
                    probability,
                    belief: Belief {
                        shares,
                        asked,
                        setup: self.tests[test].setup,
                        numbers,
                    },
                })
            })
            .collect()
    }

    /// Expected loss of the best action after a test.
    pub(crate) fn loss_after(&self, belief: &Belief, test: usize, cuts: &[f64]) -> f64 {
        let likelihood = self.likelihood(belief, test, cuts);
        let count = likelihood.first().map_or(0, Vec::len);
        (0..count)
            .map(|result| self.act(&joint(belief, &likelihood, result)).1)
            .sum()
    }

    /// By state, the probability of each result.
    fn likelihood(&self, belief: &Belief, test: usize, cuts: &[f64]) -> Vec<Vec<f64>> {
        match &self.tests[test].results {
            Results::Table(by_state) => by_state.clone(),
            Results::Normal => belief
                .numbers
                .iter()
                .map(|n| normal::in_ranges(n, test, cuts, self.slip))
                .collect(),
        }
    }

    /// Information that a test is expected to give about which action is meant, bits, and the cuts of its ranges.
    pub(crate) fn information(
        &self,
        belief: &Belief,
        test: usize,
        finely: bool,
    ) -> (f64, Vec<f64>) {
        if belief
            .asked
            .iter()
            .any(|(asked, _)| usize::from(*asked) == test)
        {
            return (0.0, Vec::new());
        }
        match &self.tests[test].results {
            Results::Table(by_state) => (self.bits(belief, by_state), Vec::new()),
            Results::Normal => normal::best_cuts(self, belief, test, finely),
        }
    }

    /// Mutual information between the action and the result, bits.
    pub(crate) fn bits(&self, belief: &Belief, likelihood: &[Vec<f64>]) -> f64 {
        let count = likelihood.first().map_or(0, Vec::len);
        let mut joint = vec![0.0; self.loss.len() * count];
        for ((&action, p), by_result) in self.action_of.iter().zip(&belief.shares).zip(likelihood) {
            if *p > 0.0 {
                for (result, q) in by_result.iter().enumerate() {
                    joint[action * count + result] += p * q;
                }
            }
        }
        let plain = |p: f64| if p > 0.0 { p * p.log2() } else { 0.0 };
        let of_results: f64 = (0..count)
            .map(|o| plain((0..self.loss.len()).map(|a| joint[a * count + o]).sum()))
            .sum();
        let of_actions: f64 = self.by_action(&belief.shares).into_iter().map(plain).sum();
        let of_both: f64 = joint.into_iter().map(plain).sum();
        (of_both - of_results - of_actions).max(0.0)
    }
}

/// Results rarer than this are left out.
const LEAST_RESULT: f64 = 1e-9;

/// What is believed after some tests.
#[derive(Clone, Debug)]
pub(crate) struct Belief {
    /// Probability of each state.
    pub(crate) shares: Vec<f64>,
    /// Tests made and their results, in order of test.
    pub(crate) asked: Vec<(u16, u8)>,
    /// How things stand.
    pub(crate) setup: u32,
    /// What each state now forecasts.
    pub(crate) numbers: Vec<Numbers>,
}

/// One result of a test.
pub(crate) struct Asked {
    /// Its place in the table, or the place of its range.
    pub(crate) result: usize,
    /// Low end of its range.
    pub(crate) from: Option<f64>,
    /// High end.
    pub(crate) to: Option<f64>,
    pub(crate) probability: f64,
    pub(crate) belief: Belief,
}

/// By state, the probability of being in it and of this result.
fn joint(belief: &Belief, likelihood: &[Vec<f64>], result: usize) -> Vec<f64> {
    belief
        .shares
        .iter()
        .zip(likelihood)
        .map(|(p, by_result)| p * by_result[result])
        .collect()
}

#[cfg(test)]
mod tests;
