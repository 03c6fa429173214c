//! What an operating point costs, and how that grows: each failure found from
//! the healthy state, and by the plain reference, in the same run. Prints figures; it judges nothing.
//!
//! `cargo bench -p deadstage-circuit --bench points`, and behind `--` any of `points`, `joint`, `sets`,
//! `ladders` and `text` for those parts alone, or `near` for the near points of single
//! failures and nothing else (and two numbers for how many stages, how often).
#![allow(clippy::print_stdout, reason = "a program for its author's eyes")]
#![allow(
    clippy::expect_used,
    clippy::unwrap_used,
    reason = "it measures networks of its own making"
)]

#[path = "drafts/chain.rs"]
mod chain;

use std::fmt::Write;
use std::hint::black_box;
use std::time::{Duration, Instant};

use deadstage_circuit::{
    Base, Change, DeviceChange, DeviceId, ElementId, Network, Precision, Probe, Scratch, Situation,
    Watched, plain, tube_names,
};
use deadstage_netlist::{Stage, parse_stage};
use deadstage_parts::LawForm;

use chain::chain;

/// How long each figure is measured.
const MEASURED: Duration = Duration::from_millis(300);

/// Seconds that one call of `work` takes, the best of five rounds.
fn seconds(mut work: impl FnMut()) -> f64 {
    work();
    let began = Instant::now();
    let mut calls = 0u32;
    while began.elapsed() < MEASURED / 5 || calls == 0 {
        work();
        calls += 1;
    }
    let rounds = (0..4).map(|_| {
        let began = Instant::now();
        for _ in 0..calls {
            work();
        }
        began.elapsed().as_secs_f64()
    });
    rounds.fold(began.elapsed().as_secs_f64(), f64::min) / f64::from(calls)
}

fn read(text: &str) -> Stage {
    let parsed = parse_stage("bench.stage", text, &tube_names(), &mut |_, path| {
        Err(format!("there is no {path}"))
    });
    let first = parsed.errors().next().map(|e| e.message.clone());
    assert!(first.is_none(), "{first:?}");
    parsed.value
}

fn points() {
    println!("one resistor drifted to twice its value, one after the other; µs a solution");
    println!(
        "parts  nodes   near  whole   whole/near  near a second  near, read everywhere with scatter"
    );
    for stages in [1, 4, 10, 20, 40] {
        let stage = read(&chain(stages));
        let network = Network::compile(&stage, LawForm::default()).expect("known types");
        let mut scratch = Scratch::default();
        let base = Base::new(&network, &Situation::running(None), &mut scratch).expect("solves");
        let drifted: Vec<Change> = (0u32..)
            .zip(&network.elements)
            .filter(|(_, e)| e.emf == 0.0 && (500.0..1e6).contains(&e.ohms))
            .map(|(id, e)| Change::Ohms(ElementId(id), 2.0 * e.ohms))
            .collect();
        let mut turn = drifted.iter().cycle();
        let mut next = || [*turn.next().expect("it never ends")];
        let near = seconds(|| {
            let point = base
                .solve_to(Precision::Readings, &next(), None, &mut scratch)
                .expect("solves");
            black_box(point.node_volts(1));
        });
        let whole = seconds(|| {
            let overlay = next();
            let mut values = base.values().clone();
            values.change_elements(&overlay);
            black_box(plain::solve(&network, &values).expect("solves").port_volts[0]);
        });
        let mut gradient = Vec::new();
        let scatter = seconds(|| {
            let point = base
                .solve_to(Precision::Readings, &next(), None, &mut scratch)
                .expect("solves");
            for node in 1..stage.nodes.len() {
                let load = Some(11e6);
                let probe = Probe::Volts {
                    from: node,
                    to: 0,
                    load,
                };
                black_box(point.read(&probe, &mut scratch, Some(&mut gradient)));
            }
        });
        println!(
            "{:5}  {:5}  {:5.1}  {:6.0}  {:10.0}  {:13.0}  {:8.0}",
            stage.parts.len(),
            network.nodes,
            near * 1e6,
            whole * 1e6,
            whole / near,
            1.0 / near,
            scatter * 1e6
        );
    }
}

/// How half of the nodes stray together, by the network's equations and by each one's gradient.
fn joint() {
    println!("half of the nodes watched, one resistor drifted: what they are together, µs");
    println!("parts  watched  solved  all together  each alone, not yet multiplied  C⁻¹ r");
    for stages in [3, 6, 12, 25, 50, 100] {
        let stage = read(&chain(stages));
        let network = Network::compile(&stage, LawForm::default()).expect("known types");
        let mut scratch = Scratch::default();
        let base = Base::new(&network, &Situation::running(None), &mut scratch).expect("solves");
        let overlay = [Change::Ohms(ElementId(3), 2e5)];
        let find = |scratch: &mut Scratch| {
            let precision = Precision::Readings;
            let point = base.solve_to(precision, &overlay, None, scratch);
            point.expect("solves")
        };
        let sigma: Vec<f64> = network.parameters.iter().map(|p| p.sigma).collect();
        let watched: Vec<Watched> = (1..network.nodes)
            .step_by(2)
            .map(|from| Watched {
                from,
                to: 0,
                share: 1.0,
                variance: 1.0,
            })
            .collect();
        let solved = seconds(|| {
            black_box(find(&mut scratch).node_volts(1));
        });
        let together = seconds(|| {
            let point = find(&mut scratch);
            let spread = point.joint_spread(&sigma, &watched);
            black_box(spread.expect("it has slopes").ln_det());
        });
        let mut gradient = Vec::new();
        let alone = seconds(|| {
            let point = find(&mut scratch);
            for w in &watched {
                let load = None;
                let (from, to) = (w.from, w.to);
                let probe = Probe::Volts { from, to, load };
                black_box(point.read(&probe, &mut scratch, Some(&mut gradient)));
            }
        });
        let point = find(&mut scratch);
        let spread = point.joint_spread(&sigma, &watched).expect("it has slopes");
        let residual = vec![1.0; watched.len()];
        let weighed = seconds(|| {
            black_box(spread.weigh(&residual).len());
        });
        println!(
            "{:5}  {:7}  {:6.1}  {:12.1}  {:30.1}  {:5.1}",
            stage.parts.len(),
            watched.len(),
            solved * 1e6,
            (together - solved) * 1e6,
            (alone - solved) * 1e6,
            weighed * 1e6
        );
    }
}

/// Every part of a network open, shorted, and off its value at seven ratios; every tube at seven emissions.
fn singles(network: &Network) -> Vec<Vec<Change>> {
    let mut list: Vec<Vec<Change>> = ends(network).into_iter().map(|c| vec![c]).collect();
    for ratio in [0.1, 0.25, 0.5, 0.8, 1.25, 2.0, 4.0] {
        for (id, element) in (0u32..).map(ElementId).zip(&network.elements) {
            list.push(vec![Change::Ohms(id, ratio * element.ohms)]);
        }
    }
    for emission in [0.0, 0.1, 0.2, 0.35, 0.5, 0.7, 0.85] {
        for (id, _) in (0u32..).map(DeviceId).zip(&network.devices) {
            list.push(vec![Change::Device(id, DeviceChange::Perveance(emission))]);
        }
    }
    list
}

/// Every part open, and every part shorted.
fn ends(network: &Network) -> Vec<Change> {
    let ids = (0u32..).map(ElementId).take(network.elements.len());
    ids.flat_map(|id| [Change::Ohms(id, f64::INFINITY), Change::Ohms(id, 0.0)])
        .collect()
}

/// Whole sets of failures, against the reference on a part of them.
fn sets() {
    println!("sets of failures, each to its node voltages");
    println!(
        "parts  set               points       ms  points a second  unsolved  whole/near  whole from the healthy state/near"
    );
    for (stages, name) in [
        (3, "singles"),
        (5, "singles"),
        (5, "pairs of ends"),
        (25, "singles"),
    ] {
        let stage = read(&chain(stages));
        let network = Network::compile(&stage, LawForm::default()).expect("known types");
        let mut scratch = Scratch::default();
        let base = Base::new(&network, &Situation::running(None), &mut scratch).expect("solves");
        let list = if name == "singles" {
            singles(&network)
        } else {
            let ends = ends(&network);
            let pairs = ends.iter().enumerate().flat_map(|(k, one)| {
                let others = ends[k + 1..].iter();
                others
                    .filter(move |other| !same_element(one, other))
                    .map(move |other| vec![*one, *other])
            });
            pairs.collect()
        };
        let mut unsolved = 0;
        let near = seconds(|| {
            unsolved = 0;
            for overlay in &list {
                match base.solve_to(Precision::Readings, overlay, None, &mut scratch) {
                    Ok(point) => {
                        black_box(point.node_volts(1));
                    }
                    Err(_) => unsolved += 1,
                }
            }
        });
        let some: Vec<&Vec<Change>> = list.iter().step_by(list.len() / 100 + 1).collect();
        let whole = seconds(|| {
            for overlay in &some {
                let mut values = base.values().clone();
                values.change_devices(&network, overlay);
                values.change_elements(overlay);
                black_box(plain::solve(&network, &values).is_ok());
            }
        });
        // The same from where the near points start.
        let healthy = base.solve(&[], None, &mut scratch).expect("it is known");
        let volts: Vec<f64> = (0..network.nodes).map(|n| healthy.node_volts(n)).collect();
        let warm = seconds(|| {
            for overlay in &some {
                let mut values = base.values().clone();
                values.change_devices(&network, overlay);
                values.change_elements(overlay);
                let point = plain::solve_from(&network, &values, &volts, healthy.state());
                black_box(point.is_ok() || plain::solve(&network, &values).is_ok());
            }
        });
        let count = list.len() as f64;
        let each = count / some.len() as f64;
        println!(
            "{:5}  {name:14}  {count:8}  {:7.1}  {:15.0}  {unsolved:8}  {:10.1}  {:10.1}",
            stage.parts.len(),
            near * 1e3,
            count / near,
            whole * each / near,
            warm * each / near
        );
    }
}

/// The near points of the singles alone, so many rounds, for a profiler or a counter of instructions.
fn near_singles(stages: usize, rounds: usize) {
    let stage = read(&chain(stages));
    let network = Network::compile(&stage, LawForm::default()).expect("known types");
    let mut scratch = Scratch::default();
    let base = Base::new(&network, &Situation::running(None), &mut scratch).expect("solves");
    let list = singles(&network);
    let began = Instant::now();
    for _ in 0..rounds {
        for overlay in &list {
            black_box(
                base.solve_to(Precision::Readings, overlay, None, &mut scratch)
                    .is_ok(),
            );
        }
    }
    let count = (rounds * list.len()) as f64;
    println!(
        "{} parts, near singles: {:.2} µs each",
        stage.parts.len(),
        began.elapsed().as_secs_f64() * 1e6 / count
    );
}

fn same_element(one: &Change, other: &Change) -> bool {
    matches!((one, other), (Change::Ohms(a, _), Change::Ohms(b, _)) if a == b)
}

/// `count` nodes along a rail, each with its resistor on to the next and one to the chassis.
fn ladder(count: usize) -> String {
    let mut text = "stage \"Ladder\"\nsupply B1 300V source 100 from n0 to chassis\n".to_owned();
    for k in 1..count {
        let before = k - 1;
        let _ = write!(
            text,
            "resistor RS{k} 100 from n{before} to n{k}\nresistor RP{k} 1000000 from n{k} to chassis\n"
        );
    }
    text
}

/// A linear network from its text to its voltages, and how the cost grows.
fn ladders() {
    println!("a linear ladder; ms");
    println!("  nodes    read  compiled   solved  one change  growth of what is solved");
    let mut last: Option<(usize, f64)> = None;
    for count in [100, 300, 1000, 3000, 10_000, 30_000, 100_000] {
        let text = ladder(count);
        let parsed = seconds(|| {
            black_box(read(&text).parts.len());
        });
        let stage = read(&text);
        let compiled = seconds(|| {
            black_box(
                Network::compile(&stage, LawForm::default())
                    .expect("resistors")
                    .nodes,
            );
        });
        let network = Network::compile(&stage, LawForm::default()).expect("resistors");
        let mut scratch = Scratch::default();
        let situation = Situation::running(None);
        let solved = seconds(|| {
            let base = Base::new(&network, &situation, &mut scratch).expect("solves");
            black_box(base.energised().len());
        });
        let base = Base::new(&network, &situation, &mut scratch).expect("solves");
        let overlay = [Change::Ohms(ElementId(5), 1e3)];
        let change = seconds(|| {
            let point = base.solve(&overlay, None, &mut scratch).expect("solves");
            black_box(point.node_volts(count / 2));
        });
        let growth = last.map_or(String::new(), |(before, took)| {
            let exponent = (solved / took).ln() / (count as f64 / before as f64).ln();
            format!("n^{exponent:.2}")
        });
        last = Some((count, solved));
        println!(
            "{count:7}  {:6.2}  {:8.2}  {:7.2}  {:10.3}  {growth}",
            parsed * 1e3,
            compiled * 1e3,
            solved * 1e3,
            change * 1e3
        );
    }
}

fn text() {
    let lines = chain(1250);
    let count = lines.lines().count();
    let took = seconds(|| {
        black_box(read(&lines).parts.len());
    });
    println!(
        "reading a stage file of {count} lines: {:.1} ms",
        took * 1e3
    );
}

fn main() {
    // `cargo test --benches` builds this to see that it still does, and need not wait for it.
    let words: Vec<String> = std::env::args().skip(1).collect();
    if !words.iter().any(|word| word == "--bench") {
        return;
    }
    let parts: [(&str, fn()); 5] = [
        ("points", points),
        ("joint", joint),
        ("sets", sets),
        ("ladders", ladders),
        ("text", text),
    ];
    if words.iter().any(|word| word == "near") {
        let numbers = words.iter().filter_map(|word| word.parse().ok());
        match numbers.collect::<Vec<usize>>()[..] {
            [stages, rounds] => near_singles(stages, rounds),
            _ => {
                near_singles(5, 600);
                near_singles(25, 20);
            }
        }
        return;
    }
    let all = !parts
        .iter()
        .any(|(name, _)| words.iter().any(|w| w == name));
    for (name, part) in parts {
        if all || words.iter().any(|word| word == name) {
            part();
        }
    }
}
