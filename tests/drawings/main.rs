//! Draws the shipped netlists, or circuits drawn at random, into a folder, and tells what is wrong with each.
//!
//! `drawings FOLDER`, `drawings FOLDER KINDS SEED`, or `drawings FOLDER sections`.
#![forbid(unsafe_code)]

use deadstage_draw::{Options, sections};
use deadstage_netlist::Stage;
use deadstage_tests::circuits::KINDS;
use deadstage_tests::circuits::run::read;
use deadstage_tests::drawings::figures::judge;
use deadstage_tests::drawings::shipped;
use std::path::PathBuf;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let Some(folder) = words.first().map(PathBuf::from) else {
        println!("drawings FOLDER [KINDS SEED | sections]");
        return;
    };
    let mut stages: Vec<(String, Stage, Options)> = Vec::new();
    match (words.get(1).map(String::as_str), words.get(2)) {
        (Some("sections"), _) => {
            for (name, stage) in shipped() {
                for section in sections(&stage) {
                    let mut options = Options::default();
                    options.section = Some(section);
                    stages.push((format!("{name}-{}", section.0), stage.clone(), options));
                }
            }
        }
        (Some(kinds), seed) => {
            let seed: u64 = seed.and_then(|seed| seed.parse().ok()).unwrap_or(1);
            for kind in KINDS.iter().filter(|kind| kind.name.contains(kinds)) {
                match read(&kind.draw(seed)) {
                    Ok(stage) => stages.push((kind.name.to_owned(), stage, Options::default())),
                    Err(error) => println!("{}: {error}", kind.name),
                }
            }
        }
        (None, _) => stages.extend(
            shipped()
                .into_iter()
                .map(|(name, stage)| (name, stage, Options::default())),
        ),
    }
    let (mut bad, mut slowest) = (0, 0.0f64);
    for (name, stage, options) in stages {
        let judged = judge(&stage, &options);
        let figures = judged.drawing.figures;
        let seconds = judged.took.as_secs_f64();
        slowest = slowest.max(seconds);
        println!(
            "{name}: {} parts, {} devices, {} crossings, {} bends, {} named, {} unnamed, {}×{}, {seconds:.3} s, {} wrong",
            figures.parts,
            figures.devices,
            figures.crossings,
            figures.bends,
            figures.named_ends,
            figures.unnamed_nodes,
            figures.size.0,
            figures.size.1,
            judged.wrong.len()
        );
        bad += usize::from(!judged.wrong.is_empty());
        for line in judged.wrong.iter().take(6) {
            println!("    {line}");
        }
        let path = folder.join(format!("{}.svg", name.replace(['/', ' '], "_")));
        if let Err(error) = std::fs::write(&path, &judged.drawing.svg) {
            println!("{}: {error}", path.display());
        }
    }
    println!("{bad} with something wrong, slowest {slowest:.3} s");
}
