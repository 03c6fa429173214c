//! What to do next: the order of the proposals, when to stop measuring, and the plan reading by reading.
//!
//! The leading answers are the states of a [`Case`], the most telling steps its tests, and putting right the parts of an
//! answer its actions. What an action costs in vain are the repairs of good parts, and measuring again where something was left.

use deadstage_circuit::Scratch;
use deadstage_netlist::{Access, Meter, Stage};
use deadstage_parts::Mode;
use rayon::prelude::*;

use crate::effort;
use crate::failure::Failure;
use crate::model::Model;
use crate::next::{Looked, Worth};
use crate::observe::Scale;
use crate::outcome::{FaultName, Plan, PlanAnswer, PlanBranch, PlanNode, PlanStep, PlanThen};
use crate::outlook::{JointOutlook, is_told_apart_by, joint_outlook, present_failures};
use crate::plan::{Case, Limits, Numbers, Planner, Ranked, Results, Test, Then, Tree};
use crate::reach::Step;
use crate::weigh::{Scales, Weighed};
use crate::wording;

/// Answers planned for.
const MOST_STATES: usize = 8;
/// Answers below this share of those looked at are not.
const LEAST_STATE: f64 = 0.01;
/// Steps planned with.
const MOST_TESTS: usize = 14;
/// Of them, chosen by what they tell in one step.
const BY_BITS: usize = 9;
/// Answers of which every pair has a step that parts it best.
const PAIRED: usize = 4;
/// Spreads beyond which two forecasts are no further apart for a choice.
const FAR_APART: f64 = 6.0;

/// Readings deep that a plan goes, at most.
const DEPTH: usize = 4;
/// Places of a plan that are reached with less probability are left open.
const LEAST_REACHED: f64 = 0.03;

/// Share of answers that are not planned for from which nothing is said of stopping.
const TOO_MUCH_ELSE: f64 = 0.2;
/// Probability of something outside the netlist from which it, and not a part, is looked for.
const OUTSIDE: f64 = 0.8;
/// Share above which an answer is named beside the one acted on.
const NAMED: f64 = 0.05;
/// Probability from which an action needs no excuse.
const SURE: f64 = 0.9;

/// What the planner says.
pub(crate) struct Advice {
    /// Steps, best first, each with its index.
    pub(crate) order: Vec<usize>,
    /// When measuring is not the best move, what is.
    pub(crate) stop: Option<String>,
    /// The plan, if it was asked for.
    pub(crate) plan: Option<Plan>,
}

/// What advice is made of.
pub(crate) struct Adviser<'a> {
    pub(crate) stage: &'a Stage,
    pub(crate) scales: &'a Scales<'a>,
    pub(crate) model: &'a Model<'a>,
    pub(crate) steps: &'a [Step],
    pub(crate) meter: &'a Meter,
    /// Situation that the unit is in.
    pub(crate) running: usize,
    /// Setting that the unit is in.
    pub(crate) setting: Option<deadstage_netlist::SettingId>,
    pub(crate) name: &'a dyn Fn(Option<&Weighed>) -> Vec<FaultName>,
}

/// A case with what its numbers stand for.
struct Question<'a> {
    case: Case,
    /// By state.
    states: Vec<&'a Looked<'a>>,
    /// By test, the step.
    tests: Vec<usize>,
    /// By action, the failures of the answer that it puts right, as named by it.
    repairs: Vec<Vec<(&'a Failure, f64)>>,
    /// Probability of all states together.
    total: f64,
}

/// Least share of an answer that a step in another setting is sought for.
const WORTH_ANOTHER_SETTING: f64 = 0.05;

/// Whether two leading answers are left that no step tells apart at less trouble than a voltage in another setting.
pub(crate) fn is_anything_left(looked: &[&Looked<'_>], steps: &[Step]) -> bool {
    let elsewhere = effort::OTHER_SETTING + effort::volts(Access::Easy);
    let is_less = |step: usize| steps[step].effort() <= elsewhere;
    let leading: Vec<_> = looked
        .iter()
        .filter(|l| l.probability >= WORTH_ANOTHER_SETTING)
        .collect();
    leading.iter().enumerate().any(|(rank, a)| {
        leading
            .iter()
            .take(rank)
            .any(|b| !is_told_apart_by(&a.outlook, &b.outlook, is_less))
    })
}

impl<'a> Adviser<'a> {
    /// The advice, from the answers that were looked at and the worth of every step by itself.
    pub(crate) fn advise(
        &self,
        looked: &[&'a Looked<'a>],
        worth: &[Worth],
        unexplained: f64,
        near: &[String],
        with_plan: bool,
    ) -> Advice {
        let by_worth = || worth.iter().map(|w| w.index).collect::<Vec<_>>();
        let outside = (unexplained >= OUTSIDE).then(|| self.look_outside(near));
        let question = self.question(looked, worth);
        let planner = question
            .as_ref()
            .and_then(|q| Some((q, Planner::new(&q.case, Limits::default()).ok()?)));
        let Some((question, mut planner)) = planner else {
            return Advice {
                order: by_worth(),
                stop: outside,
                plan: with_plan.then(Plan::nothing),
            };
        };
        let ranked = planner.ranked();
        let stop = outside.or_else(|| self.stop(question, &ranked, planner.at_once()));
        let plan = with_plan.then(|| {
            let mut tree = planner.tree(DEPTH, LEAST_REACHED);
            if stop.is_none() && matches!(tree.then, Then::Act { .. }) {
                // So much is not planned for that acting now would be rash.
                tree.then = Then::Open;
            }
            Plan {
                covers: question.total,
                effort: tree.cost_of_tests(),
                in_vain: tree.loss(),
                root: self.node(question, &tree),
            }
        });
        // Where to stop is best, the cheapest of idle readings would come first; what tells most is asked for then.
        let mut order: Vec<usize> = match stop {
            Some(_) => Vec::new(),
            None => ranked.iter().map(|r| question.tests[r.test]).collect(),
        };
        order.retain(|index| worth.iter().any(|w| w.index == *index));
        for index in by_worth() {
            if !order.contains(&index) {
                order.push(index);
            }
        }
        Advice { order, stop, plan }
    }

    fn question(&self, looked: &[&'a Looked<'a>], worth: &[Worth]) -> Option<Question<'a>> {
        let all: f64 = looked.iter().map(|l| l.probability).sum();
        let mut states: Vec<&Looked<'a>> = looked
            .iter()
            .copied()
            .filter(|l| l.probability > LEAST_STATE * all)
            .collect();
        states.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        states.truncate(MOST_STATES);
        let tests = self.shortlist(&states, worth);
        let chosen: Vec<&Step> = tests.iter().map(|&i| &self.steps[i]).collect();
        // An answer that can't be looked at so closely drops out.
        let seen: Vec<Option<JointOutlook>> = states
            .par_iter()
            .map_init(Scratch::default, |scratch, l| {
                joint_outlook(
                    self.scales,
                    self.model,
                    &chosen,
                    self.meter,
                    l.answer,
                    scratch,
                )
            })
            .collect();
        let (states, numbers): (Vec<&Looked<'a>>, Vec<Numbers>) = states
            .into_iter()
            .zip(seen)
            .filter_map(|(l, seen)| {
                seen.map(|seen| {
                    let numbers = Numbers {
                        mean: seen.mean,
                        covariance: seen.covariance,
                    };
                    (l, numbers)
                })
            })
            .unzip();
        let total: f64 = states.iter().map(|l| l.probability).sum();
        if total <= 0.0 {
            return None;
        }
        let mut repairs: Vec<Vec<(&Failure, f64)>> = Vec::new();
        let mut action_of = Vec::new();
        for state in &states {
            let own: Vec<(&Failure, f64)> = present_failures(self.scales, state.answer);
            let found = repairs.iter().position(|known| {
                let covers = |a: &[(&Failure, f64)], b: &[(&Failure, f64)]| {
                    a.iter()
                        .all(|(f, _)| b.iter().any(|(g, _)| self.is_one_repair(f, g)))
                };
                covers(known, &own) && covers(&own, known)
            });
            action_of.push(found.unwrap_or_else(|| {
                repairs.push(own);
                repairs.len() - 1
            }));
        }
        let loss = repairs
            .iter()
            .enumerate()
            .map(|(action, repair)| {
                action_of
                    .iter()
                    .map(|&own| {
                        if own == action {
                            0.0
                        } else {
                            self.in_vain(repair, &repairs[own])
                        }
                    })
                    .collect()
            })
            .collect();
        let case = Case {
            shares: states.iter().map(|l| l.probability / total).collect(),
            action_of,
            loss,
            tests: chosen
                .iter()
                .map(|step| {
                    let is_as_it_runs = step.observation.situation == self.running
                        && step.observation.kind != "tester";
                    Test {
                        cost: step.reading,
                        setup: if is_as_it_runs {
                            0
                        } else if step.observation.kind == "tester" {
                            u32::MAX
                        } else {
                            1 + u32::try_from(step.observation.situation).unwrap_or(0)
                        },
                        preparation: if is_as_it_runs {
                            effort::ON_AGAIN
                        } else {
                            step.preparation
                        },
                        results: Results::Normal,
                    }
                })
                .collect(),
            numbers,
            slip: crate::likelihood::SLIP,
        };
        Some(Question {
            case,
            states,
            tests,
            repairs,
            total,
        })
    }

    /// Steps to plan with: the most telling for their trouble, and for each pair of
    /// leading answers the one that parts it best.
    fn shortlist(&self, states: &[&Looked<'_>], worth: &[Worth]) -> Vec<usize> {
        let mut chosen: Vec<usize> = worth.iter().take(BY_BITS).map(|w| w.index).collect();
        for (rank, a) in states.iter().take(PAIRED).enumerate() {
            for b in states.iter().take(rank) {
                let apart = |index: usize| {
                    let ((m1, s1), (m2, s2)) = (a.outlook.steps[index], b.outlook.steps[index]);
                    ((m1 - m2).abs() / s1.hypot(s2)).min(FAR_APART) / self.steps[index].effort()
                };
                let best = (0..self.steps.len())
                    .map(|index| (apart(index), index))
                    .reduce(|x, y| if y.0 > x.0 { y } else { x });
                if let Some((_, index)) = best
                    && !chosen.contains(&index)
                    && chosen.len() < MOST_TESTS
                {
                    chosen.push(index);
                }
            }
        }
        chosen
    }

    /// Whether one repair does for both failures: a part replaced, or a contact cleaned.
    fn is_one_repair(&self, a: &Failure, b: &Failure) -> bool {
        let cleaned = |f: &Failure| f.mode == Mode::PoorContact;
        self.stage.part(a.part).name == self.stage.part(b.part).name && cleaned(a) == cleaned(b)
    }

    /// What putting right the one costs in vain where the other is the truth.
    fn in_vain(&self, repair: &[(&Failure, f64)], truth: &[(&Failure, f64)]) -> f64 {
        let among = |f: &Failure, list: &[(&Failure, f64)]| {
            list.iter().any(|(g, _)| self.is_one_repair(f, g))
        };
        let for_nothing: f64 = repair
            .iter()
            .filter(|(f, _)| !among(f, truth))
            .map(|(f, _)| effort::repair(&self.stage.part(f.part).kind, f.mode))
            .sum();
        let is_something_left = truth.iter().any(|(f, _)| !among(f, repair));
        for_nothing
            + match (repair.is_empty(), is_something_left || for_nothing > 0.0) {
                (true, true) => effort::MISSED,
                (false, true) => effort::AGAIN,
                (_, false) => 0.0,
            }
    }

    /// What to do when no measurement is worth its trouble; `None` while one is.
    fn stop(
        &self,
        question: &Question<'_>,
        ranked: &[Ranked],
        (action, loss): (usize, f64),
    ) -> Option<String> {
        if 1.0 - question.total > TOO_MUCH_ELSE {
            return None;
        }
        if ranked.iter().any(|r| r.cost < loss) {
            return None;
        }
        let right = question.total * question.case.by_action(&question.case.shares)[action];
        if question.repairs[action].is_empty() && right < SURE {
            return None;
        }
        let shares: Vec<f64> = question
            .case
            .shares
            .iter()
            .map(|p| p * question.total)
            .collect();
        Some(format!("Stop: {}", self.ending(question, &shares, action)))
    }

    /// "replace R7 and measure again", and what it may be besides.
    fn ending(&self, question: &Question<'_>, shares: &[f64], action: usize) -> String {
        let case = &question.case;
        let repair = &question.repairs[action];
        let mut said = self.remedy(repair);
        let mut right = 0.0;
        let mut with_it: Vec<(f64, String)> = Vec::new();
        let mut without: Vec<(f64, String)> = Vec::new();
        for ((l, p), &own) in question.states.iter().zip(shares).zip(&case.action_of) {
            let is_part = !repair.is_empty()
                && repair.iter().all(|(f, _)| {
                    question.repairs[own]
                        .iter()
                        .any(|(g, _)| self.is_one_repair(f, g))
                });
            if own == action || is_part {
                right += p;
            }
            if own != action && *p >= NAMED {
                let list = if is_part { &mut with_it } else { &mut without };
                list.push((*p, self.answer(l.answer)));
            }
        }
        if !with_it.is_empty() {
            said.push_str(&format!(" It may not be all: {}.", with_shares(with_it)));
        }
        if right < SURE && !without.is_empty() {
            said.push_str(&format!(
                " No measurement in reach is worth its trouble to tell it from {}.",
                with_shares(without)
            ));
        }
        said
    }

    /// What to put right, as a request.
    fn remedy(&self, repairs: &[(&Failure, f64)]) -> String {
        if repairs.is_empty() {
            return "nothing here speaks of a failure, and nothing in reach would be likely to; look for what DC does not show."
                .to_owned();
        }
        let mut done: Vec<String> = Vec::new();
        for (failure, _) in repairs {
            let name = &self.stage.part(failure.part).name;
            let one = match (&self.stage.part(failure.part).kind, failure.mode) {
                (deadstage_netlist::PartKind::Tube { .. }, Mode::PoorContact) => {
                    format!("clean the pins and socket of {name}")
                }
                (_, Mode::PoorContact) => format!("clean the contact of {name}"),
                (deadstage_netlist::PartKind::Supply { .. }, _) => {
                    format!("put right what feeds {name}")
                }
                (_, Mode::Stuck) => format!("free or replace {name}"),
                _ => format!("replace {name}"),
            };
            if !done.contains(&one) {
                done.push(one);
            }
        }
        format!(
            "{} and measure again.",
            wording::listed(&done).replace(" and replace ", " and ")
        )
    }

    /// An answer by the name of its failures.
    fn answer(&self, answer: Option<&Weighed>) -> String {
        let network = &self.model.networks.list[0];
        let names: Vec<String> = present_failures(self.scales, answer)
            .iter()
            .map(|(f, u)| {
                let said = wording::failure(self.stage, network, f, *u);
                // How far it goes is told elsewhere.
                said.split(" (").next().unwrap_or_default().to_owned()
            })
            .collect();
        if names.is_empty() {
            "a healthy unit".to_owned()
        } else {
            names.join(" + ")
        }
    }

    /// What to do where something that is not in the netlist is to blame.
    fn look_outside(&self, near: &[String]) -> String {
        let near = if near.is_empty() {
            String::new()
        } else {
            let names: Vec<String> = near.iter().take(3).cloned().collect();
            format!(" near {}", wording::listed(&names))
        };
        format!(
            "Stop: no part of the netlist explains these readings; compare the wiring and the values{near} with the print, then measure again."
        )
    }

    fn node(&self, question: &Question<'_>, tree: &Tree) -> PlanNode {
        let shares: Vec<f64> = tree.shares.iter().map(|p| p * question.total).collect();
        let mut held: Vec<PlanAnswer> = question
            .states
            .iter()
            .zip(&shares)
            .map(|(l, p)| PlanAnswer {
                faults: (self.name)(l.answer),
                probability: *p,
            })
            .collect();
        held.sort_by(|a, b| b.probability.total_cmp(&a.probability));
        let then = match &tree.then {
            Then::Open => PlanThen::Open,
            // A unit is not called healthy because the measurements planned with do not pay.
            Then::Act { action, .. }
                if question.repairs[*action].is_empty()
                    && question.case.by_action(&shares)[*action] < SURE =>
            {
                PlanThen::Open
            }
            Then::Act { action, .. } => PlanThen::Act {
                said: self.ending(question, &shares, *action),
                right: question.case.by_action(&shares)[*action],
            },
            Then::Test { test, branches, .. } => {
                let step = &self.steps[question.tests[*test]];
                let value = |x: Option<f64>| {
                    x.map(|x| match step.observation.scale {
                        Scale::Plain => x,
                        Scale::Log => x.exp(),
                    })
                };
                PlanThen::Measure {
                    step: PlanStep {
                        point: step.observation.label.clone(),
                        kind: step.observation.kind,
                        with: step.with.clone(),
                        setting: step
                            .setting
                            .filter(|_| step.setting != self.setting)
                            .and_then(|s| self.stage.settings.get(s.0 as usize).cloned()),
                        unit: match step.observation.kind {
                            "tester" => "%".to_owned(),
                            _ => wording::unit_of(self.stage, &step.observation).to_owned(),
                        },
                        effort: step.effort(),
                    },
                    branches: branches
                        .iter()
                        .map(|branch| PlanBranch {
                            from: value(branch.from),
                            to: value(branch.to),
                            probability: branch.probability,
                            node: self.node(question, &branch.tree),
                        })
                        .collect(),
                }
            }
        };
        PlanNode { held, then }
    }
}

/// `C3 leaky (12 %) and V2 gassy (9 %)`, the likeliest three.
fn with_shares(mut answers: Vec<(f64, String)>) -> String {
    answers.sort_by(|a, b| b.0.total_cmp(&a.0));
    answers.dedup_by(|a, b| a.1 == b.1);
    let names: Vec<String> = answers
        .into_iter()
        .take(3)
        .map(|(p, name)| format!("{name} ({:.0} %)", 100.0 * p))
        .collect();
    wording::listed(&names)
}

#[cfg(test)]
mod tests;
