//! Reads texts drawn at random and stops at the first that breaks a rule.
//!
//! `texts [seconds=N] [count=N] [seed=N] [from=N] [threads=N]` draws until the time or the number is up; without
//! either, for a minute. `texts show=NUMBER [seed=N]` prints one text and what is wrong with it.
//! The same seed gives the same texts.
#![allow(clippy::print_stdout, reason = "a program for its author's eyes")]

use std::process::ExitCode;
use std::sync::Arc;
use std::time::{Duration, Instant};

use deadstage_tests::texts::corpus::Corpus;
use deadstage_tests::texts::run::{
    Busy, ENDLESS, Plan, catch_panics, depth, judged, run, shortened,
};
use deadstage_tests::texts::{Text, draw};

fn main() -> ExitCode {
    match asked() {
        Ok(status) => status,
        Err(message) => {
            println!("{message}");
            ExitCode::from(2)
        }
    }
}

fn asked() -> Result<ExitCode, String> {
    let mut plan = Plan {
        seed: 1,
        first: 0,
        count: u64::MAX,
        time: Duration::MAX,
        threads: std::thread::available_parallelism().map_or(1, usize::from),
    };
    let mut show = None;
    let mut bounded = false;
    for word in std::env::args().skip(1) {
        let (name, number) = word.split_once('=').unwrap_or((&word, ""));
        let number: u64 = number
            .parse()
            .map_err(|_| format!("{word}: a number belongs behind `=`"))?;
        match name {
            "seconds" => plan.time = Duration::from_secs(number),
            "count" => plan.count = number,
            "seed" => plan.seed = number,
            "from" => plan.first = number,
            "threads" => plan.threads = usize::try_from(number).unwrap_or(1),
            "show" => show = Some(number),
            _ => {
                return Err(format!(
                    "{name}: seconds, count, seed, from, threads or show"
                ));
            }
        }
        bounded |= matches!(name, "seconds" | "count");
    }
    if !bounded {
        plan.time = Duration::from_secs(60);
    }
    // Far enough off, and no overflow of the clock.
    plan.time = plan.time.min(Duration::from_secs(10 * 365 * 86_400));
    let corpus = Arc::new(Corpus::shipped()?);
    catch_panics();
    if let Some(number) = show {
        let text = draw::text(&corpus, plan.seed, number);
        print(&text, &text.text);
        println!("{:?}", judged(&corpus, &text, depth(number)));
        return Ok(ExitCode::SUCCESS);
    }
    Ok(ran(&corpus, plan))
}

fn ran(corpus: &Arc<Corpus>, plan: Plan) -> ExitCode {
    let busy = Arc::new(Busy::new(plan.threads));
    watch(Arc::clone(corpus), Arc::clone(&busy), plan.seed);
    let start = Instant::now();
    match run(corpus, plan, &busy) {
        Ok(tally) => {
            println!(
                "{} texts of seed {} in {:.0} s, none broke a rule; {} read without an error, {} stages compiled, {} of these solved",
                tally.texts,
                plan.seed,
                start.elapsed().as_secs_f64(),
                tally.sound,
                tally.compiled,
                tally.solved
            );
            ExitCode::SUCCESS
        }
        Err(failure) => {
            println!(
                "text {} of seed {}: {}\n{}",
                failure.number, plan.seed, failure.broken.rule, failure.broken.seen
            );
            let least = shortened(corpus, &failure);
            print(&failure.text, &least);
            ExitCode::FAILURE
        }
    }
}

/// Ends the program, with the text, if one does not end.
fn watch(corpus: Arc<Corpus>, busy: Arc<Busy>, seed: u64) {
    std::thread::spawn(move || {
        loop {
            std::thread::sleep(Duration::from_secs(1));
            if let Some(number) = busy.stuck(ENDLESS) {
                let text = draw::text(&corpus, seed, number);
                println!("text {number} of seed {seed}: still not done after {ENDLESS:?}");
                print(&text, &text.text);
                std::process::exit(1);
            }
        }
    });
}

/// A text as it can be put into a test.
fn print(text: &Text, least: &str) {
    println!("{:?}, {} bytes:\n{}", text.kind, least.len(), least);
    println!("as a literal: {least:?}");
}
