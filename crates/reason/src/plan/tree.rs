//! The decision tree of a plan.

use super::search::Planner;
use super::{Belief, Case, Results};

/// What is believed at a place of the tree, and what to do there.
#[derive(Clone, Debug, PartialEq)]
pub struct Tree {
    /// Probability of each state.
    pub shares: Vec<f64>,
    /// What to do.
    pub then: Then,
}

/// What to do at a place of the tree.
#[derive(Clone, Debug, PartialEq)]
pub enum Then {
    /// Take this action: no test is worth its cost.
    Act {
        /// Index of the action.
        action: usize,
        /// What it is expected to cost in vain.
        loss: f64,
    },
    /// Make this test.
    Test {
        /// Index of the test.
        test: usize,
        /// Its cost as things stand.
        cost: f64,
        /// Its results.
        branches: Vec<Branch>,
    },
    /// The tree was not followed further: too deep, or too rare.
    Open,
}

/// One result of a test.
#[derive(Clone, Debug, PartialEq)]
pub struct Branch {
    /// Place of the result in the test's table, or of its range.
    pub result: usize,
    /// Low end of its range; `None` if it has none.
    pub from: Option<f64>,
    /// High end.
    pub to: Option<f64>,
    /// Probability, once the test is made.
    pub probability: f64,
    /// What follows.
    pub tree: Tree,
}

impl Tree {
    /// Expected cost of the tests in the tree.
    pub fn cost_of_tests(&self) -> f64 {
        match &self.then {
            Then::Act { .. } | Then::Open => 0.0,
            Then::Test { cost, branches, .. } => {
                let later = |b: &Branch| b.probability * b.tree.cost_of_tests();
                cost + branches.iter().map(later).sum::<f64>()
            }
        }
    }

    /// Expected loss by actions taken in vain.
    pub fn loss(&self) -> f64 {
        match &self.then {
            Then::Act { loss, .. } => *loss,
            Then::Open => 0.0,
            Then::Test { branches, .. } => {
                branches.iter().map(|b| b.probability * b.tree.loss()).sum()
            }
        }
    }
}

impl Planner<'_> {
    /// The decision tree: at each place what is best there, looked ahead anew. It ends after `depth` tests, and where
    /// less than `least` of the probability comes.
    pub fn tree(&mut self, depth: usize, least: f64) -> Tree {
        let start = self.case.start();
        self.grow(&start, depth, 1.0, least)
    }

    fn grow(&mut self, belief: &Belief, depth: usize, reached: f64, least: f64) -> Tree {
        let case: &Case = self.case;
        let shares = belief.shares.clone();
        let (action, loss) = case.act(&shares);
        let (_, test) = self.at_best(belief);
        let then = match test {
            None => Then::Act { action, loss },
            Some(_) if depth == 0 || reached < least => Then::Open,
            Some(test) => {
                let (_, cuts) = case.information(belief, test, true);
                let results = case.ask(belief, test, &cuts);
                let branches: Vec<Branch> = results
                    .into_iter()
                    .map(|r| Branch {
                        result: r.result,
                        from: r.from,
                        to: r.to,
                        probability: r.probability,
                        tree: self.grow(&r.belief, depth - 1, reached * r.probability, least),
                    })
                    .collect();
                let is_number = matches!(case.tests[test].results, Results::Normal);
                Then::Test {
                    test,
                    cost: case.cost(belief, test),
                    branches: if is_number {
                        joined(branches)
                    } else {
                        branches
                    },
                }
            }
        };
        Tree { shares, then }
    }
}

/// Neighbouring ranges after which the same action is taken, as one.
fn joined(branches: Vec<Branch>) -> Vec<Branch> {
    let mut list: Vec<Branch> = Vec::new();
    for branch in branches {
        if let (Some(before), Then::Act { action, loss }) = (list.last_mut(), &branch.tree.then)
            && let Then::Act {
                action: same,
                loss: first,
            } = &mut before.tree.then
            && same == action
        {
            let both = before.probability + branch.probability;
            let share = branch.probability / both;
            *first += share * (loss - *first);
            for (a, b) in before.tree.shares.iter_mut().zip(&branch.tree.shares) {
                *a += share * (b - *a);
            }
            before.probability = both;
            before.to = branch.to;
            continue;
        }
        list.push(branch);
    }
    list
}
