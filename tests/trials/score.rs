//! Scoring trials: was the truth in the first group, and was the certainty claimed the rate of being right.

use deadstage_netlist::Stage;
use deadstage_reason::Diagnosis;

use super::draw::FaultKind;
use super::run::{Trial, truth};

/// What one answer claims first.
#[derive(Clone, Debug, PartialEq)]
pub struct Claim {
    /// Probability of the first group (or of `healthy`, `unexplained`).
    pub probability: f64,
    /// Sets of part names in it; empty set for healthy.
    pub sets: Vec<Vec<String>>,
    /// Whether it is `unexplained`.
    pub unexplained: bool,
}

/// The first claim of a diagnosis.
#[must_use]
pub fn claim(diagnosis: &Diagnosis) -> Claim {
    let first: Vec<_> = diagnosis.suspects.iter().filter(|s| s.group == 1).collect();
    let total: f64 = first.iter().map(|s| s.probability).sum();
    if diagnosis.healthy >= total && diagnosis.healthy >= diagnosis.unexplained {
        return Claim {
            probability: diagnosis.healthy,
            sets: vec![Vec::new()],
            unexplained: false,
        };
    }
    if diagnosis.unexplained >= total {
        return Claim {
            probability: diagnosis.unexplained,
            sets: Vec::new(),
            unexplained: true,
        };
    }
    let sets = first
        .iter()
        .map(|s| {
            let mut names: Vec<String> = s.faults.iter().map(|f| f.part.clone()).collect();
            names.sort();
            names.dedup();
            names
        })
        .collect();
    Claim {
        probability: total,
        sets,
        unexplained: false,
    }
}

/// Whether the claim holds the truth.
#[must_use]
pub fn is_right(stage: &Stage, trial: &Trial) -> bool {
    if trial
        .faults
        .iter()
        .any(|f| matches!(f.kind, FaultKind::Stray(..)))
    {
        return claim(&trial.diagnosis).unexplained;
    }
    claim(&trial.diagnosis)
        .sets
        .contains(&truth(stage, &trial.faults))
}

/// Whether at least one part of the first suspect is truly bad.
#[must_use]
pub fn is_partly_right(stage: &Stage, trial: &Trial) -> bool {
    let names = truth(stage, &trial.faults);
    claim(&trial.diagnosis)
        .sets
        .iter()
        .any(|set| set.iter().any(|n| names.contains(n)))
}

/// Whether the very first suspect is the truth (for a healthy unit: as [`is_right`]).
#[must_use]
pub fn is_first(stage: &Stage, trial: &Trial) -> bool {
    let names = truth(stage, &trial.faults);
    if names.is_empty() || claim(&trial.diagnosis).unexplained {
        return is_right(stage, trial);
    }
    let healthy = trial.diagnosis.healthy;
    trial.diagnosis.suspects.first().is_some_and(|first| {
        let mut said: Vec<String> = first.faults.iter().map(|f| f.part.clone()).collect();
        said.sort();
        said.dedup();
        first.probability >= healthy && said == names
    })
}

/// What one trial comes to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Mark {
    /// The first group holds the truth.
    pub right: bool,
    /// The first suspect is the truth.
    pub first: bool,
    /// At least one true part is in the first group.
    pub partly: bool,
    /// Certainty claimed for the first group.
    pub claimed: f64,
    /// Parts named by the first suspect; `None`: something that is not in the netlist.
    pub named: Option<usize>,
}

/// Marks a trial.
#[must_use]
pub fn mark(stage: &Stage, trial: &Trial) -> Mark {
    let claim = claim(&trial.diagnosis);
    Mark {
        right: is_right(stage, trial),
        first: is_first(stage, trial),
        partly: is_partly_right(stage, trial),
        claimed: claim.probability,
        named: claim.sets.first().map(Vec::len),
    }
}

/// Rates over many trials.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Right or not, with the certainty claimed.
    pub claims: Vec<(bool, f64)>,
    /// At least one true part first.
    pub partly: usize,
    /// The truth is the very first suspect.
    pub first: usize,
}

impl Tally {
    /// Adds one trial's mark.
    pub fn add_mark(&mut self, mark: Mark) {
        self.add(mark.right, mark.partly, mark.claimed);
        self.first += usize::from(mark.first);
    }

    /// Adds one.
    pub fn add(&mut self, right: bool, partly: bool, claimed: f64) {
        self.claims.push((right, claimed));
        self.partly += usize::from(partly);
    }

    /// Share that was right.
    #[must_use]
    pub fn rate(&self) -> f64 {
        self.claims.iter().filter(|c| c.0).count() as f64 / self.claims.len().max(1) as f64
    }

    /// Share with the truth as the very first suspect.
    #[must_use]
    pub fn first_rate(&self) -> f64 {
        self.first as f64 / self.claims.len().max(1) as f64
    }

    /// Share with at least one true part first.
    #[must_use]
    pub fn partly_rate(&self) -> f64 {
        self.partly as f64 / self.claims.len().max(1) as f64
    }

    /// Mean certainty claimed.
    #[must_use]
    pub fn claimed(&self) -> f64 {
        self.claims.iter().map(|c| c.1).sum::<f64>() / self.claims.len().max(1) as f64
    }

    /// Expected calibration error over ten even bins.
    #[must_use]
    pub fn calibration_error(&self) -> f64 {
        let mut bins = [(0.0f64, 0.0f64, 0usize); 10];
        for (right, claimed) in &self.claims {
            let bin = &mut bins[((claimed * 10.0) as usize).min(9)];
            bin.0 += claimed;
            bin.1 += f64::from(u8::from(*right));
            bin.2 += 1;
        }
        bins.iter().map(|b| (b.0 - b.1).abs()).sum::<f64>() / self.claims.len().max(1) as f64
    }

    /// All of it in a line.
    #[must_use]
    pub fn line(&self) -> String {
        let (sure, often) = self.when_sure();
        format!(
            "{:3} units, right {:.3}, first {:.3}, partly {:.3}, claimed {:.3}, calibration error {:.3}, right when sure {sure:.3} of {often}",
            self.claims.len(),
            self.rate(),
            self.first_rate(),
            self.partly_rate(),
            self.claimed(),
            self.calibration_error(),
        )
    }

    /// How often it is right where it claims [`SURE`] or more, and how often it does.
    #[must_use]
    pub fn when_sure(&self) -> (f64, usize) {
        let sure: Vec<_> = self.claims.iter().filter(|c| c.1 >= SURE).collect();
        let right = sure.iter().filter(|c| c.0).count();
        (right as f64 / sure.len().max(1) as f64, sure.len())
    }
}

/// From this certainty on an answer counts as sure.
pub const SURE: f64 = 0.8;

/// Whether an answer is sure of itself, and is not right.
#[must_use]
pub fn is_sure_and_wrong(stage: &Stage, trial: &Trial) -> bool {
    claim(&trial.diagnosis).probability >= SURE && !is_right(stage, trial)
}

/// The program's tally and the ideal observer's, over the same units.
#[derive(Clone, Debug, Default)]
pub struct Pair {
    /// The program's.
    pub own: Tally,
    /// The ideal observer's.
    pub ideal: Tally,
}

impl Pair {
    /// Adds one unit.
    pub fn add(&mut self, (own, ideal): (Mark, Mark)) {
        self.own.add_mark(own);
        self.ideal.add_mark(ideal);
    }

    /// Both in a line.
    #[must_use]
    pub fn line(&self) -> String {
        let (sure, often) = self.own.when_sure();
        let (ideal_sure, _) = self.ideal.when_sure();
        format!(
            "{:3} units, right {:.3} (ideal {:.3}), first {:.3} ({:.3}), partly {:.3} ({:.3}), claimed {:.3} ({:.3}), calibration error {:.3} ({:.3}), right when sure {sure:.3} of {often} ({ideal_sure:.3})",
            self.own.claims.len(),
            self.own.rate(),
            self.ideal.rate(),
            self.own.first_rate(),
            self.ideal.first_rate(),
            self.own.partly_rate(),
            self.ideal.partly_rate(),
            self.own.claimed(),
            self.ideal.claimed(),
            self.own.calibration_error(),
            self.ideal.calibration_error(),
        )
    }
}
