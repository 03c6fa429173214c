//! The search: AND/OR over tests and results, cut off by a bound from information theory.

use std::collections::BTreeMap;

use super::bound::Doubt;
use super::{Belief, Case, MOST_RANGES, Results};

/// How far to look.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Limits {
    /// Steps looked at behind the first, before one test more stands for the rest; `None` looks to the end.
    pub ahead: Option<usize>,
    /// Tests tried at the first step, by information for their cost.
    pub first: usize,
    /// Tests tried at every later step.
    pub later: usize,
}

impl Limits {
    /// Every test at every step, to the end: exact where all results are tables, and for small cases.
    pub fn exact() -> Self {
        Self {
            ahead: None,
            first: usize::MAX,
            later: usize::MAX,
        }
    }

    /// The test of most information for its cost, the rule that this module is there to better.
    pub fn greedy() -> Self {
        Self {
            ahead: Some(0),
            first: 1,
            later: 1,
        }
    }
}

impl Default for Limits {
    /// Two steps, behind which one further test stands for the rest.
    fn default() -> Self {
        Self {
            ahead: Some(1),
            first: 8,
            later: 4,
        }
    }
}

/// A test as a first step.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Ranked {
    /// Index of the test.
    pub test: usize,
    /// Expected cost if it is made first and the best follows.
    pub cost: f64,
    /// Information it is expected to give about which action is meant, bits.
    pub bits: f64,
}

/// Plans for one case.
pub struct Planner<'a> {
    pub(super) case: &'a Case,
    pub(super) limits: Limits,
    /// Whether every result of every test is certain: then a belief is told by the states it leaves.
    certain: bool,
    /// Least loss of an action that is not meant.
    least_loss: f64,
    /// Least cost of a bit.
    least_bit: f64,
    known: BTreeMap<Vec<u32>, (f64, Option<usize>)>,
}

/// A test worth a look at one belief.
struct Candidate {
    test: usize,
    cost: f64,
    bits: f64,
    cuts: Vec<f64>,
}

/// Less than this is not worth a test, bits.
const LEAST_BITS: f64 = 1e-6;

impl<'a> Planner<'a> {
    /// A planner for `case`.
    ///
    /// # Errors
    /// A case whose parts do not fit each other.
    pub fn new(case: &'a Case, limits: Limits) -> Result<Self, super::CaseError> {
        case.check()?;
        let certain = case.tests.iter().all(|test| match &test.results {
            Results::Table(by_state) => by_state.iter().flatten().all(|p| *p == 0.0 || *p == 1.0),
            Results::Normal => false,
        });
        let least_loss = case
            .loss
            .iter()
            .enumerate()
            .flat_map(|(action, by_state)| {
                by_state
                    .iter()
                    .zip(&case.action_of)
                    .filter(move |(_, own)| **own != action)
                    .map(|(loss, _)| *loss)
            })
            .fold(f64::INFINITY, f64::min);
        // No test tells more than the logarithm of the number of its results.
        let least_bit = case
            .tests
            .iter()
            .map(|test| {
                let results = match &test.results {
                    Results::Table(by_state) => by_state.first().map_or(2, Vec::len).max(2),
                    Results::Normal => MOST_RANGES,
                };
                test.cost / (results as f64).log2()
            })
            .fold(f64::INFINITY, f64::min);
        Ok(Self {
            case,
            limits,
            certain,
            least_loss,
            least_bit,
            known: BTreeMap::new(),
        })
    }

    /// The tests worth trying first, best first, each with the expected cost of beginning with it; behind
    /// them nothing. An action taken at once costs [`at_once`](Self::at_once).
    pub fn ranked(&mut self) -> Vec<Ranked> {
        let start = self.case.start();
        let ahead = self.limits.ahead;
        let mut list: Vec<Ranked> = self
            .candidates(&start, self.limits.first, true)
            .into_iter()
            .map(|candidate| Ranked {
                test: candidate.test,
                cost: self.through(&start, &candidate, ahead, f64::INFINITY),
                bits: candidate.bits,
            })
            .collect();
        // Of equal ones, that which tells most for its cost stays first.
        list.sort_by(|a, b| a.cost.total_cmp(&b.cost));
        list
    }

    /// The best action without any further test, and its expected loss.
    pub fn at_once(&self) -> (usize, f64) {
        self.case.act(&self.case.shares)
    }

    /// Least expected cost of the whole case.
    pub fn least_cost(&mut self) -> f64 {
        let start = self.case.start();
        self.at_best(&start).0
    }

    /// A bound below which no plan's expected cost can lie.
    pub fn lower_bound(&self) -> f64 {
        self.bound(&self.case.start())
    }

    /// As [`best`](Self::best), with the full breadth and fineness of a first step.
    pub(super) fn at_best(&mut self, belief: &Belief) -> (f64, Option<usize>) {
        let Limits { ahead, first, .. } = self.limits;
        self.best(belief, ahead, first, true, f64::INFINITY)
    }

    /// Least expected cost from a belief and the test to make, `None` to act. A cost of `limit` or more may be too high.
    fn best(
        &mut self,
        belief: &Belief,
        ahead: Option<usize>,
        breadth: usize,
        finely: bool,
        limit: f64,
    ) -> (f64, Option<usize>) {
        let (_, loss) = self.case.act(&belief.shares);
        if loss <= self.bound(belief) + 1e-12 {
            return (loss, None);
        }
        let key = ahead.is_none().then(|| self.key(belief));
        if let Some(known) = key.as_ref().and_then(|key| self.known.get(key)) {
            return *known;
        }
        let mut best = (loss, None);
        for candidate in self.candidates(belief, breadth, finely) {
            let cost = self.through(belief, &candidate, ahead, best.0.min(limit));
            if cost < best.0 {
                best = (cost, Some(candidate.test));
            }
        }
        if let Some(key) = key.filter(|_| best.0 < limit) {
            self.known.insert(key, best);
        }
        best
    }

    /// Expected cost of making a test and then what is best; as soon as that must be `limit` or more, anything from there up.
    fn through(
        &mut self,
        belief: &Belief,
        candidate: &Candidate,
        ahead: Option<usize>,
        limit: f64,
    ) -> f64 {
        let results = self.case.ask(belief, candidate.test, &candidate.cuts);
        let bounds: Vec<f64> = results.iter().map(|r| self.bound(&r.belief)).collect();
        let mut total = candidate.cost
            + results
                .iter()
                .zip(&bounds)
                .map(|(r, bound)| r.probability * bound)
                .sum::<f64>();
        for (result, bound) in results.iter().zip(bounds) {
            if total >= limit {
                break;
            }
            let room = bound + (limit - total) / result.probability;
            let deeper = ahead.map(|n| n.saturating_sub(1));
            let (cost, _) = if ahead == Some(0) {
                (self.estimate(&result.belief), None)
            } else {
                self.best(&result.belief, deeper, self.limits.later, false, room)
            };
            total += result.probability * (cost - bound);
        }
        total
    }

    /// Tests that tell something, by information for their cost.
    fn candidates(&self, belief: &Belief, most: usize, finely: bool) -> Vec<Candidate> {
        let mut list: Vec<Candidate> = (0..self.case.tests.len())
            .map(|test| {
                let (bits, cuts) = self.case.information(belief, test, finely);
                Candidate {
                    test,
                    cost: self.case.cost(belief, test),
                    bits,
                    cuts,
                }
            })
            .filter(|candidate| candidate.bits > LEAST_BITS)
            .collect();
        list.sort_by(|a, b| {
            (b.bits / b.cost)
                .total_cmp(&(a.bits / a.cost))
                .then(a.test.cmp(&b.test))
        });
        list.truncate(most);
        list
    }

    fn bound(&self, belief: &Belief) -> f64 {
        Doubt::of(&self.case.by_action(&belief.shares)).least_cost(self.least_bit, self.least_loss)
    }

    /// What the rest costs if one more test at most is made: more than the best plan, and a plan that can be followed.
    fn estimate(&self, belief: &Belief) -> f64 {
        let (_, loss) = self.case.act(&belief.shares);
        self.candidates(belief, usize::MAX, false)
            .iter()
            .map(|c| c.cost + self.case.loss_after(belief, c.test, &c.cuts))
            .fold(loss, f64::min)
    }

    /// What tells one belief from another.
    fn key(&self, belief: &Belief) -> Vec<u32> {
        let mut key = vec![belief.setup];
        if self.certain {
            key.extend(belief.shares.iter().map(|p| u32::from(*p > 0.0)));
        } else {
            key.extend(
                belief
                    .asked
                    .iter()
                    .map(|(test, result)| u32::from(*test) << 8 | u32::from(*result)),
            );
        }
        key
    }
}
