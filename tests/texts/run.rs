//! Drawing and judging one text after another, on every core, with an eye on the clock.

use std::cell::RefCell;
use std::panic::{self, AssertUnwindSafe};
use std::sync::Mutex;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::time::{Duration, Instant};

use super::corpus::Corpus;
use super::judge::{Broken, Depth, Outcome, judge};
use super::{Text, draw, shrink};

/// A text that takes longer than this will not end.
pub const ENDLESS: Duration = Duration::from_secs(30);

/// Longest that a text may take to be read, and a small stage to be solved.
const SLOW: Duration = Duration::from_secs(2);

/// Once in so many texts, a sound stage is solved too.
const SOLVE_EVERY: u64 = 16;

/// Once in so many, its suspects are asked for.
const DIAGNOSE_EVERY: u64 = 2048;

/// What to run.
#[derive(Clone, Copy, Debug)]
pub struct Plan {
    /// Seed of all texts.
    pub seed: u64,
    /// Number of the first text.
    pub first: u64,
    /// How many texts.
    pub count: u64,
    /// When to stop at the latest.
    pub time: Duration,
    /// Threads.
    pub threads: usize,
}

/// What a run came to.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Tally {
    /// Texts judged.
    pub texts: u64,
    /// Of these, without an error.
    pub sound: u64,
    /// Stages that compiled.
    pub compiled: u64,
    /// Stages that were solved.
    pub solved: u64,
}

/// A text that broke a rule.
#[derive(Clone, Debug)]
pub struct Failure {
    /// Its number.
    pub number: u64,
    /// The text as drawn.
    pub text: Text,
    /// The rule.
    pub broken: Broken,
}

thread_local! {
    /// What the last panic of this thread said, and where.
    static PANIC: RefCell<String> = const { RefCell::new(String::new()) };
}

/// Judges a text; a panic and a long wait are broken rules as well.
pub fn judged(corpus: &Corpus, text: &Text, depth: Depth) -> Result<Outcome, Broken> {
    // Looking for suspects is worth a wait.
    let most = if depth == Depth::Diagnose {
        ENDLESS
    } else {
        SLOW
    };
    caught(most, || judge(corpus, text, depth))
}

/// What `judge` says, if it neither panics nor takes longer than that.
pub fn caught(
    most: Duration,
    judge: impl FnOnce() -> Result<Outcome, Broken>,
) -> Result<Outcome, Broken> {
    let start = Instant::now();
    let verdict = panic::catch_unwind(AssertUnwindSafe(judge));
    let took = start.elapsed();
    match verdict {
        Err(_) => Err(Broken {
            rule: "nothing panics",
            seen: PANIC.with_borrow(String::clone),
        }),
        Ok(Ok(_)) if took > most => Err(Broken {
            rule: "nothing takes long",
            seen: format!("{took:?}"),
        }),
        Ok(verdict) => verdict,
    }
}

/// Keeps what panics say instead of printing it.
pub fn catch_panics() {
    panic::set_hook(Box::new(|panic| {
        PANIC.with_borrow_mut(|said| *said = panic.to_string());
    }));
}

/// How far text `number` is followed.
pub fn depth(number: u64) -> Depth {
    if number.is_multiple_of(DIAGNOSE_EVERY) {
        Depth::Diagnose
    } else if number.is_multiple_of(SOLVE_EVERY) {
        Depth::Solve
    } else {
        Depth::Read
    }
}

/// Draws and judges; stops at the first failure.
///
/// # Errors
/// The failure, of the smallest number that was met.
pub fn run(corpus: &Corpus, plan: Plan, busy: &Busy) -> Result<Tally, Box<Failure>> {
    let until = Instant::now() + plan.time;
    let next = AtomicU64::new(plan.first);
    let end = plan.first.saturating_add(plan.count);
    let stop = AtomicBool::new(false);
    let worst: Mutex<Option<Box<Failure>>> = Mutex::new(None);
    let work = |worker: usize| {
        let mut tally = Tally::default();
        while !stop.load(Ordering::Relaxed) && Instant::now() < until {
            let number = next.fetch_add(1, Ordering::Relaxed);
            if number >= end {
                break;
            }
            let text = draw::text(corpus, plan.seed, number);
            busy.with(worker, number);
            let verdict = judged(corpus, &text, depth(number));
            busy.done(worker);
            match verdict {
                Ok(outcome) => tally.add(outcome),
                Err(broken) => {
                    stop.store(true, Ordering::Relaxed);
                    let failure = Failure {
                        number,
                        text,
                        broken,
                    };
                    if let Ok(mut worst) = worst.lock()
                        && worst.as_ref().is_none_or(|other| other.number > number)
                    {
                        *worst = Some(Box::new(failure));
                    }
                }
            }
        }
        tally
    };
    let mut all = Tally::default();
    std::thread::scope(|scope| {
        let workers: Vec<_> = (0..plan.threads.max(1))
            .map(|worker| scope.spawn(move || work(worker)))
            .collect();
        for worker in workers {
            if let Ok(tally) = worker.join() {
                all.join(tally);
            }
        }
    });
    match worst.into_inner() {
        Ok(Some(failure)) => Err(failure),
        _ => Ok(all),
    }
}

impl Tally {
    fn add(&mut self, outcome: Outcome) {
        self.texts += 1;
        self.sound += u64::from(outcome.sound);
        self.compiled += u64::from(outcome.compiled);
        self.solved += u64::from(outcome.solved);
    }

    fn join(&mut self, other: Self) {
        self.texts += other.texts;
        self.sound += other.sound;
        self.compiled += other.compiled;
        self.solved += other.solved;
    }
}

/// A shorter text that breaks the same rule.
pub fn shortened(corpus: &Corpus, failure: &Failure) -> String {
    let depth = depth(failure.number);
    shrink::shrink(&failure.text.text, |shorter| {
        let text = Text {
            kind: failure.text.kind,
            text: shorter.to_owned(),
        };
        // Of panics, the same one: they begin with their place.
        let place = |broken: &Broken| broken.seen.lines().next().unwrap_or_default().to_owned();
        judged(corpus, &text, depth).is_err_and(|broken| {
            broken.rule == failure.broken.rule
                && (broken.rule != "nothing panics" || place(&broken) == place(&failure.broken))
        })
    })
}

/// Which text each worker is at, and since when: a text that never ends can be named.
#[derive(Debug)]
pub struct Busy {
    began: Instant,
    workers: Vec<(AtomicU64, AtomicU64)>,
}

/// No text is being judged.
const IDLE: u64 = u64::MAX;

impl Busy {
    /// For so many workers.
    pub fn new(workers: usize) -> Self {
        Self {
            began: Instant::now(),
            workers: (0..workers.max(1))
                .map(|_| (AtomicU64::new(IDLE), AtomicU64::new(0)))
                .collect(),
        }
    }

    fn with(&self, worker: usize, number: u64) {
        if let Some((at, since)) = self.workers.get(worker) {
            since.store(self.now(), Ordering::Relaxed);
            at.store(number, Ordering::Relaxed);
        }
    }

    fn done(&self, worker: usize) {
        if let Some((at, _)) = self.workers.get(worker) {
            at.store(IDLE, Ordering::Relaxed);
        }
    }

    fn now(&self) -> u64 {
        u64::try_from(self.began.elapsed().as_millis()).unwrap_or(u64::MAX)
    }

    /// The number of a text that has been judged for longer than that.
    pub fn stuck(&self, longer_than: Duration) -> Option<u64> {
        let most = u64::try_from(longer_than.as_millis()).unwrap_or(u64::MAX);
        self.workers.iter().find_map(|(at, since)| {
            let number = at.load(Ordering::Relaxed);
            let waited = self.now().saturating_sub(since.load(Ordering::Relaxed));
            (number != IDLE && waited > most).then_some(number)
        })
    }
}
