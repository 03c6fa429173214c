//! What the complete sets cost to solve from cold, in every setting: the
//! network compiled, its healthy operating point found from nothing known.
//! One thread, by the clock, first round and best; prints, judges nothing.
//!
//! `cargo bench -p deadstage-circuit --bench chassis`
#![allow(clippy::print_stdout, reason = "a program for its author's eyes")]
#![allow(
    clippy::expect_used,
    clippy::unwrap_used,
    reason = "it measures the sets that ship with it"
)]

use std::hint::black_box;
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use deadstage_circuit::{Base, Network, Scratch, Situation, tube_names};
use deadstage_netlist::{SettingId, Stage, parse_stage};
use deadstage_parts::LawForm;

const SETS: [&str; 2] = [
    "receiver/watch-receiver.stage",
    "transmitter/harbour-transmitter.stage",
];

/// How long each figure is measured.
const MEASURED: Duration = Duration::from_millis(500);

fn read(path: &Path) -> Stage {
    let text = std::fs::read_to_string(path).expect("the set ships with the program");
    let folder = path.parent().expect("it lies in a folder").to_path_buf();
    let parsed = parse_stage(
        &path.display().to_string(),
        &text,
        &tube_names(),
        &mut |_, name| {
            let path = folder.join(name);
            let text = std::fs::read_to_string(&path).map_err(|error| error.to_string())?;
            Ok((path.display().to_string(), text))
        },
    );
    let first = parsed.errors().next().map(|e| e.message.clone());
    assert!(first.is_none(), "{first:?}");
    parsed.value
}

/// Milliseconds of `work`: the first time and the best.
fn milliseconds(mut work: impl FnMut()) -> (f64, f64) {
    let began = Instant::now();
    work();
    let first = began.elapsed().as_secs_f64();
    let mut best = first;
    while began.elapsed() < MEASURED {
        let round = Instant::now();
        work();
        best = best.min(round.elapsed().as_secs_f64());
    }
    (first * 1e3, best * 1e3)
}

fn sets() {
    let netlists: PathBuf = [env!("CARGO_MANIFEST_DIR"), "..", "..", "netlists"]
        .iter()
        .collect();
    println!("set, setting: parts  nodes  tubes' ports  ms from cold (first, best)  ms to compile");
    for name in SETS {
        let stage = read(&netlists.join(name));
        for form in LawForm::ALL {
            // Laws are fitted to the tubes' points once a program, not once a solution.
            let began = Instant::now();
            let network = Network::compile(&stage, form).expect("known types");
            let fitted = began.elapsed().as_secs_f64() * 1e3;
            let (_, compiled) = milliseconds(|| {
                black_box(Network::compile(&stage, form).expect("known types").nodes);
            });
            for (index, setting) in (0u32..).zip(&stage.settings) {
                let situation = Situation::running(Some(SettingId(index)));
                let (first, best) = milliseconds(|| {
                    let base = Base::new(&network, &situation, &mut Scratch::default());
                    black_box(base.expect("the sets work").energised().len());
                });
                println!(
                    "{name}, {setting}, {form:?}: {:4} {:4} {:4}  {first:6.2} {best:6.2}  {compiled:6.2} ({fitted:.1} with the laws fitted)",
                    stage.parts.len(),
                    network.nodes,
                    network.port_count,
                );
            }
        }
    }
}

fn main() {
    // `cargo test --benches` builds this to see that it still does, and need not wait for it.
    if std::env::args().any(|arg| arg == "--bench") {
        sets();
    }
}
