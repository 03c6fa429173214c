//! What was found, counted by kind.

use std::time::Duration;

use super::run::{MOST_FAILURES, Near, Ran, Reference, Verdict};

/// Solutions of circuits with so many failures.
#[derive(Clone, Copy, Debug, Default)]
pub struct Solutions {
    /// Asked for.
    pub asked: usize,
    /// Not found, or panicked.
    pub unsolved: usize,
    /// Of those without: a relay or a regulator that is said to go on and off.
    pub no_steady_state: usize,
}

/// Circuits of one kind.
#[derive(Clone, Debug, Default)]
pub struct Tally {
    /// Circuits drawn.
    pub drawn: usize,
    /// Not read, or not built.
    pub unread: usize,
    /// By number of failures.
    pub solutions: [Solutions; MOST_FAILURES + 1],
    /// Of those without a steady state, those of which it was not shown.
    pub not_shown: usize,
    /// Panics.
    pub panics: usize,
    /// Points at which Kirchhoff's law does not hold.
    pub kirchhoff: usize,
    /// The most left over, of the largest current.
    pub most_left: f64,
    /// Points with a voltage off.
    pub off: usize,
    /// The most that one is off, of what it may be.
    pub most_off: f64,
    /// Points held against the reference.
    pub compared: usize,
    /// Those of which it finds another state.
    pub other_state: usize,
    /// Those of which it finds none.
    pub reference_unsolved: usize,
    /// Points not found, of which it was asked, and those that it finds.
    pub rescued: [usize; 2],
    /// Points at which a regulator stays dark that has the volts to strike.
    pub dark: usize,
    /// Points found near a known one, and those found elsewhere so.
    pub near: [usize; 2],
    /// Resistances read, and those that are wrong.
    pub ohms: [usize; 2],
    /// Volts read with a meter that loads, and those that are wrong.
    pub volts: [usize; 2],
    /// Time of the solver.
    pub took: Duration,
}

impl Tally {
    /// Adds a circuit.
    pub fn add(&mut self, ran: &Ran) {
        self.drawn += 1;
        self.unread += usize::from(ran.unread.is_some());
        add(&mut self.ohms, [ran.ohms.taken, ran.ohms.wrong.len()]);
        add(&mut self.volts, [ran.volts.taken, ran.volts.wrong.len()]);
        for point in &ran.points {
            let solutions = &mut self.solutions[point.failures.len().min(MOST_FAILURES)];
            solutions.asked += 1;
            self.took += point.took;
            match &point.verdict {
                Verdict::Unsolved { reference, .. } => {
                    solutions.unsolved += 1;
                    let asked = usize::from(*reference != Reference::NotAsked);
                    let found = usize::from(*reference == Reference::OtherState);
                    add(&mut self.rescued, [asked, found]);
                }
                Verdict::Panicked(_) => {
                    solutions.unsolved += 1;
                    self.panics += 1;
                }
                Verdict::NoSteadyState { shown, .. } => {
                    solutions.no_steady_state += 1;
                    self.not_shown += usize::from(!shown);
                }
                Verdict::Solved {
                    judged,
                    dark,
                    reference,
                    near,
                } => {
                    self.dark += usize::from(dark.is_some());
                    let elsewhere = usize::from(matches!(near, Near::Elsewhere(_)));
                    add(
                        &mut self.near,
                        [usize::from(*near != Near::Left), elsewhere],
                    );
                    self.kirchhoff += usize::from(!judged.keeps_kirchhoff());
                    self.most_left = self.most_left.max(judged.left);
                    self.off += usize::from(!judged.is_on_the_volt());
                    self.most_off = self.most_off.max(judged.off.unwrap_or(0.0));
                    self.compared += usize::from(*reference != Reference::NotAsked);
                    // Of two states each keeps the laws; one that does not is counted above.
                    let is_state = judged.is_on_the_volt();
                    let other = *reference == Reference::OtherState && is_state;
                    self.other_state += usize::from(other);
                    self.reference_unsolved += usize::from(*reference == Reference::Unsolved);
                }
            }
        }
    }

    /// Adds what another has counted.
    pub fn merge(&mut self, other: &Self) {
        self.drawn += other.drawn;
        self.unread += other.unread;
        for (own, other) in self.solutions.iter_mut().zip(&other.solutions) {
            own.asked += other.asked;
            own.unsolved += other.unsolved;
            own.no_steady_state += other.no_steady_state;
        }
        self.not_shown += other.not_shown;
        self.panics += other.panics;
        self.kirchhoff += other.kirchhoff;
        self.most_left = self.most_left.max(other.most_left);
        self.off += other.off;
        self.most_off = self.most_off.max(other.most_off);
        self.compared += other.compared;
        self.other_state += other.other_state;
        self.reference_unsolved += other.reference_unsolved;
        add(&mut self.rescued, other.rescued);
        self.dark += other.dark;
        add(&mut self.near, other.near);
        add(&mut self.ohms, other.ohms);
        add(&mut self.volts, other.volts);
        self.took += other.took;
    }

    /// Points solved or not.
    #[must_use]
    pub fn asked(&self) -> usize {
        self.solutions.iter().map(|s| s.asked).sum()
    }

    /// Points solved.
    #[must_use]
    pub fn solved(&self) -> usize {
        let not = self
            .solutions
            .iter()
            .map(|s| s.unsolved + s.no_steady_state);
        self.asked() - not.sum::<usize>()
    }

    /// What the solver takes for one.
    #[must_use]
    pub fn seconds_each(&self) -> f64 {
        self.took.as_secs_f64() / self.asked().max(1) as f64
    }

    /// The cells of its row, in the order of [`COLUMNS`].
    #[must_use]
    pub fn cells(&self) -> Vec<String> {
        let of = |count: usize, all: usize| match count {
            0 => "0".to_owned(),
            count => format!("{count} of {all}"),
        };
        let mut cells = vec![self.drawn.to_string(), self.unread.to_string()];
        cells.extend(self.solutions.iter().map(|s| of(s.unsolved, s.asked)));
        let unsteady: usize = self.solutions.iter().map(|s| s.no_steady_state).sum();
        cells.push(unsteady.to_string());
        cells.push(format!("{} ({:.0e})", self.kirchhoff, self.most_left));
        cells.push(format!("{} ({:.0e})", self.off, self.most_off));
        cells.push(of(self.other_state, self.compared));
        cells.push(self.reference_unsolved.to_string());
        cells.push(of(self.rescued[1], self.rescued[0]));
        cells.push(self.dark.to_string());
        cells.push(of(self.near[1], self.near[0]));
        cells.push(of(self.ohms[1], self.ohms[0]));
        cells.push(of(self.volts[1], self.volts[0]));
        cells.push(format!("{:.2} ms", self.seconds_each() * 1e3));
        cells
    }
}

/// What the cells of a row are.
pub const COLUMNS: [&str; 16] = [
    "drawn",
    "not read",
    "healthy unsolved",
    "one failure",
    "two",
    "no steady state",
    "Kirchhoff (worst)",
    "volts off (worst)",
    "other state",
    "reference unsolved",
    "reference alone finds",
    "left dark",
    "near elsewhere",
    "ohms wrong",
    "meter wrong",
    "each",
];

/// Whether a circuit is one to look at: not read, not solved, or wrong.
#[must_use]
pub fn is_wrong(ran: &Ran) -> bool {
    ran.unread.is_some()
        || !ran.ohms.wrong.is_empty()
        || !ran.volts.wrong.is_empty()
        || ran.points.iter().any(|p| wrong(&p.verdict).is_some())
}

/// What is wrong with a verdict, in words.
#[must_use]
pub fn wrong(verdict: &Verdict) -> Option<String> {
    match verdict {
        Verdict::NoSteadyState { .. } => None,
        Verdict::Panicked(why) => Some(why.clone()),
        Verdict::Unsolved { why, reference } => {
            Some(format!("unsolved: {why}; the reference: {reference:?}"))
        }
        Verdict::Solved {
            judged, dark, near, ..
        } => {
            let mut all = Vec::new();
            if !judged.keeps_kirchhoff() {
                all.push(format!(
                    "{:.1e} of the largest current left over at {}",
                    judged.left, judged.left_at
                ));
            }
            if !judged.is_on_the_volt() {
                let off = judged.off.unwrap_or(0.0);
                all.push(format!("{off:.1e} times too far off at {}", judged.off_at));
            }
            all.extend(dark.iter().map(|name| format!("{name} stays dark")));
            if let Near::Elsewhere(at) = near {
                all.push(at.clone());
            }
            (!all.is_empty()).then(|| all.join("; "))
        }
    }
}

fn add<const N: usize>(to: &mut [usize; N], of: [usize; N]) {
    for (to, of) in to.iter_mut().zip(of) {
        *to += of;
    }
}
