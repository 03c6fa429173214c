//! How the cost of a chart and of a diagnosis grows with the unit. Prints figures and exponents; it judges nothing.
//!
//! `RAYON_NUM_THREADS=1 cargo bench -p deadstage-tests --bench growth` for the work of one processor; times are the processor's where the
//! system tells them, else the clock's. Behind `--`: a number measures the chain of so many stages alone (`scattered`: its parts within their tolerances),
//! and `write FOLDER` puts its stage and its sheet there.
#![allow(clippy::print_stdout, reason = "a program for its author's eyes")]
#![allow(clippy::expect_used, reason = "it measures stages of its own making")]

#[path = "../../crates/circuit/benches/drafts/chain.rs"]
mod chain;

use std::fmt::Write;
use std::time::Instant;

use deadstage_circuit::{
    Base, Change, DeviceChange, DeviceId, ElementId, ElementRole, Network, Probe, Scratch,
    Situation, tube_names,
};
use deadstage_netlist::{Stage, parse_readings, parse_stage};
use deadstage_parts::LawForm;
use deadstage_reason::{ChartOptions, Diagnosis, Options, chart, diagnose};
use rand::{RngExt, SeedableRng};
use rand_pcg::Pcg64Mcg;

/// Stages of the chains: 49 to 801 parts.
const STAGES: [usize; 5] = [6, 12, 25, 50, 100];

fn read(text: &str) -> Stage {
    let parsed = parse_stage("bench.stage", text, &tube_names(), &mut |_, path| {
        Err(format!("there is no {path}"))
    });
    let first = parsed.errors().next().map(|e| e.message.clone());
    assert!(first.is_none(), "{first:?}");
    parsed.value
}

/// A unit with what has failed, every other part as printed or, `scattered`, within its tolerances; read with 11 MΩ at every `stride`-th node.
fn sheet(stage: &Stage, failed: &[Change], scattered: bool, stride: usize) -> String {
    let mut rng = Pcg64Mcg::seed_from_u64(1);
    let network = Network::compile(stage, LawForm::default()).expect("known types");
    let mut scratch = Scratch::default();
    let base = Base::new(&network, &Situation::running(None), &mut scratch).expect("solves");
    let mut within = |share: f64| {
        let off = share * (2.0 * rng.random::<f64>() - 1.0);
        if scattered { 1.0 + off } else { 1.0 }
    };
    let is_failed = |id| {
        let mut all = failed.iter();
        all.any(|c| matches!(c, Change::Ohms(element, _) if *element == id))
    };
    let mut unit: Vec<Change> = failed.to_vec();
    for (id, element) in (0u32..).map(ElementId).zip(&network.elements) {
        if !is_failed(id) && element.role == ElementRole::Plain {
            unit.push(Change::Ohms(id, element.ohms * within(0.1)));
        }
    }
    for (id, _) in (0u32..).map(DeviceId).zip(&network.devices) {
        unit.push(Change::Device(id, DeviceChange::Perveance(within(0.1))));
    }
    let point = base.solve(&unit, None, &mut scratch).expect("solves");
    let mut text = "readings \"a unit\"\nmeter 11M 3%\n".to_owned();
    for (index, node) in stage.nodes.iter().enumerate().skip(1).step_by(stride) {
        let probe = Probe::Volts {
            from: index,
            to: 0,
            load: Some(11e6),
        };
        let volts = point.read(&probe, &mut scratch, None) * within(0.03);
        let _ = writeln!(text, "volts {} {volts:.3}V", node.name);
    }
    text
}

/// The leak of a capacitor as an element.
fn leak(stage: &Stage, name: &str, ohms: f64) -> Change {
    let network = Network::compile(stage, LawForm::default()).expect("known types");
    let id = (0u32..)
        .zip(&network.part_names)
        .find(|(_, part)| *part == name)
        .map(|(id, _)| deadstage_netlist::PartId(id))
        .expect("the stage has it");
    Change::Ohms(network.part(id).elements[0], ohms)
}

/// Tubes whose plates feed the next one's grid through a divider, the last one's the first.
fn ring(count: usize) -> String {
    let mut text = "stage \"Ring\"\nsupply B1 300V source 200 from bplus to chassis\n".to_owned();
    for k in 0..count {
        let next = (k + 1) % count;
        let _ = write!(
            text,
            "resistor RP{k} 100k from bplus to plate{k}\n\
             resistor RK{k} 15k from cathode{k} to chassis\n\
             resistor RU{k} 1M from plate{k} to grid{next}\n\
             resistor RG{k} 220k from grid{k} to chassis\n\
             tube V{k} 12AX7 section 1 plate=plate{k} grid=grid{k} cathode=cathode{k}\n"
        );
    }
    text
}

struct Figure {
    parts: usize,
    readings: usize,
    chart: f64,
    suspect: f64,
    found: Diagnosis,
}

/// Seconds of processor time that this process has taken, where Linux tells them; else of the clock.
fn seconds(began: Instant) -> f64 {
    // Every thread's, in nanoseconds: fields of the scheduler's own.
    let of_threads = || -> Option<f64> {
        let mut sum = 0.0;
        for thread in std::fs::read_dir("/proc/self/task").ok()? {
            let path = thread.ok()?.path().join("schedstat");
            let text = std::fs::read_to_string(path).ok()?;
            sum += text.split(' ').next()?.parse::<f64>().ok()?;
        }
        Some(sum * 1e-9)
    };
    of_threads().unwrap_or_else(|| began.elapsed().as_secs_f64())
}

fn measure(stage: &Stage, sheet: &str) -> Figure {
    let readings = parse_readings("sheet", sheet, stage, &tube_names()).value;
    let count = readings.readings.len();
    let program = Instant::now();
    let mut charted = f64::INFINITY;
    for _ in 0..7 {
        let began = seconds(program);
        chart(stage, &ChartOptions::default()).expect("it solves");
        charted = charted.min(seconds(program) - began);
    }
    let began = seconds(program);
    let found = diagnose(stage, &[readings], &Options::default()).expect("it solves");
    Figure {
        parts: stage.parts.len(),
        readings: count,
        chart: charted,
        suspect: seconds(program) - began,
        found,
    }
}

fn say(name: &str, figure: &Figure) {
    let first = figure.found.suspects.first().map(|s| {
        let faults = s.faults.iter().map(|f| format!("{} {}", f.part, f.mode));
        let names: Vec<String> = faults.collect();
        format!("{} {:.2}", names.join(" + "), s.probability)
    });
    println!(
        "{name:20} {:4} parts {:4} readings  chart {:8.2} ms  suspect {:9.1} ms  {}",
        figure.parts,
        figure.readings,
        figure.chart * 1e3,
        figure.suspect * 1e3,
        first.unwrap_or_default()
    );
}

fn chained(stages: usize, scattered: bool) -> (Stage, String) {
    let stage = read(&chain::chain(stages));
    let failed = leak(&stage, "CC4", 3e6);
    let sheet = sheet(&stage, &[failed], scattered, 2);
    (stage, sheet)
}

/// Exponent of the growth between two, and of the line through all of them by least squares.
fn exponent(points: &[(f64, f64)]) -> f64 {
    let logs: Vec<(f64, f64)> = points.iter().map(|(n, t)| (n.ln(), t.ln())).collect();
    let count = logs.len() as f64;
    let (mx, my) = logs.iter().fold((0.0, 0.0), |(x, y), p| (x + p.0, y + p.1));
    let (mx, my) = (mx / count, my / count);
    let (mut above, mut below) = (0.0, 0.0);
    for (x, y) in logs {
        above += (x - mx) * (y - my);
        below += (x - mx) * (x - mx);
    }
    above / below
}

fn growth() {
    for (name, scattered) in [("chain", false), ("chain, scattered", true)] {
        let mut charts = Vec::new();
        let mut answers = Vec::new();
        for stages in STAGES {
            let (stage, sheet) = chained(stages, scattered);
            let figure = measure(&stage, &sheet);
            say(name, &figure);
            charts.push((figure.parts as f64, figure.chart));
            answers.push((figure.parts as f64, figure.suspect));
        }
        for (name, points) in [("chart", &charts), ("suspect", &answers)] {
            let steps: Vec<String> = points
                .windows(2)
                .map(|two| format!("{:.2}", exponent(two)))
                .collect();
            println!(
                "{name}: n^{:.2} over all, from size to size {}",
                exponent(points),
                steps.join(", ")
            );
        }
    }
    let stage = read(&ring(30));
    let sheet = sheet(&stage, &[], false, 30);
    say("ring, direct-coupled", &measure(&stage, &sheet));
    let (stage, sheet) = chained(6, false);
    let line = sheet.lines().nth(4).expect("it has readings");
    let repeated = format!("{sheet}{}", format!("{line}\n").repeat(1000));
    say("one point 1,000 times", &measure(&stage, &repeated));
}

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    if !words.iter().any(|word| word == "--bench") {
        return;
    }
    let Some(stages) = words.iter().find_map(|word| word.parse().ok()) else {
        growth();
        return;
    };
    let (stage, sheet) = chained(stages, words.iter().any(|word| word == "scattered"));
    if let Some(at) = words.iter().position(|word| word == "write") {
        let folder = std::path::Path::new(&words[at + 1]);
        std::fs::write(folder.join("chain.stage"), chain::chain(stages)).expect("a folder");
        std::fs::write(folder.join("chain.readings"), &sheet).expect("a folder");
        return;
    }
    say("chain", &measure(&stage, &sheet));
}
