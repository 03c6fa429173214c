//! Schematics: every netlist that ships and some three hundred circuits drawn at random, each read back
//! from its picture and measured there.

use std::collections::{BTreeMap, BTreeSet};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::time::Duration;

use deadstage_draw::{
    Drawing, Figures, Layers, NextMark, NextPlace, Options, ReadingMark, ResistorStyle,
    SuspectMark, draw, sections,
};
use deadstage_netlist::{COMMON, NodeId, PartId, PartKind, Stage};
use deadstage_tests::circuits::KINDS;
use deadstage_tests::circuits::run::read;
use deadstage_tests::drawings::boxes::overlaps;
use deadstage_tests::drawings::figures::judge;
use deadstage_tests::drawings::picture::{Picture, Spot};
use deadstage_tests::drawings::read_back::{joined, written};
use deadstage_tests::drawings::shipped;
use rayon::prelude::*;

/// A drawing is made in less, on one processor that is not doing anything else.
const LONGEST: Duration = Duration::from_secs(1);

/// Circuits of each kind.
const EACH: u64 = 4;

fn in_section(section: deadstage_netlist::SectionId) -> Options {
    let mut options = Options::default();
    options.section = Some(section);
    options
}

/// Every stage that ships, whole and by sections.
fn all_shipped() -> Vec<(String, Stage, Options)> {
    let mut all = Vec::new();
    for (name, stage) in shipped() {
        for section in sections(&stage) {
            let title = &stage.sections[section.0 as usize];
            all.push((
                format!("{name}, {title}"),
                stage.clone(),
                in_section(section),
            ));
        }
        all.push((name, stage, Options::default()));
    }
    all
}

/// What is wrong with drawings, and which took too long three times running.
fn complaints(drawn: Vec<(String, Stage, Options)>) -> Vec<String> {
    drawn
        .into_par_iter()
        .flat_map_iter(|(name, stage, options)| {
            let judged = judge(&stage, &options);
            let mut wrong: Vec<String> = judged
                .wrong
                .iter()
                .map(|line| format!("{name}: {line}"))
                .collect();
            // Another test may have the processor.
            let slow =
                judged.took > LONGEST && (0..4).all(|_| judge(&stage, &options).took > LONGEST);
            if slow {
                wrong.push(format!("{name}: took {:?}", judged.took));
            }
            wrong
        })
        .collect()
}

#[test]
fn shipped_stages_are_drawn_as_written() {
    let all = all_shipped();
    assert!(all.len() > 75, "{}", all.len());
    let wrong = complaints(all);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[test]
fn circuits_drawn_at_random_are_drawn_as_written() {
    let mut all = Vec::new();
    for kind in KINDS {
        for seed in 1..=EACH {
            let text = kind.draw(seed);
            let stage = read(&text).unwrap_or_else(|error| panic!("{error}\n{text}"));
            all.push((format!("{} {seed}", kind.name), stage, Options::default()));
        }
    }
    assert!(all.len() >= 290, "{}", all.len());
    let wrong = complaints(all);
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

fn stage_named(part_of_name: &str) -> Stage {
    let found = shipped()
        .into_iter()
        .find(|(name, _)| name.ends_with(part_of_name));
    found.unwrap_or_else(|| panic!("no {part_of_name}")).1
}

/// The reading back and the measuring see what is spoiled: every piece of wire taken out, a wire laid
/// across, a word set on another.
#[test]
fn what_is_spoiled_is_seen() {
    for name in [
        "microphone-preamplifier",
        "push-pull-output",
        "if-amplifier",
    ] {
        let stage = stage_named(name);
        let picture = Picture::read(&draw(&stage, &Options::default()).svg);
        let meant = written(&stage, &|_| true);
        assert_eq!(joined(&picture), meant, "{name}");
        assert!(overlaps(&picture).is_empty(), "{name}");
        for index in 0..picture.wires.len() {
            let mut spoiled = picture.clone();
            let piece = spoiled.wires.remove(index);
            assert_ne!(joined(&spoiled), meant, "{name} without {piece:?}");
        }
        // A wire from each pin to the next part's first pin.
        let pins: Vec<Spot> = picture
            .symbols
            .iter()
            .map(|symbol| symbol.pins[0].1)
            .collect();
        let mut seen = 0;
        for pair in pins.windows(2) {
            let mut spoiled = picture.clone();
            let corner = Spot {
                x: pair[1].x,
                y: pair[0].y,
            };
            for (a, b) in [(pair[0], corner), (corner, pair[1])] {
                spoiled
                    .wires
                    .push(deadstage_tests::drawings::picture::Piece { a, b });
            }
            seen += usize::from(joined(&spoiled) != meant);
        }
        assert!(seen * 2 > pins.len(), "{name}: {seen} of {}", pins.len());
        let mut spoiled = picture.clone();
        let there = spoiled.symbols[1].words[0].clone();
        spoiled.words.push(there);
        assert!(!overlaps(&spoiled).is_empty(), "{name}");
    }
}

/// A drawing with everything laid over it.
fn covered(stage: &Stage) -> Drawing {
    let mut layers = Layers::default();
    for node in (1u32..).map(NodeId).take(stage.nodes.len() - 1) {
        layers.volts.push((node, "123.4 V".to_owned()));
        layers.readings.push(ReadingMark {
            node,
            text: "98.7 V".to_owned(),
            off: node.0 % 2 == 0,
        });
    }
    for part in (0u32..).map(PartId).take(stage.parts.len()) {
        if part.0.is_multiple_of(5) {
            layers.suspects.push(SuspectMark {
                part,
                rank: part.0 / 5 + 1,
                text: "something may be wrong with it".to_owned(),
            });
        }
        layers.unseen.push(part);
    }
    layers.next = Some(NextMark {
        place: NextPlace::Node(NodeId(1)),
        text: "volts there".to_owned(),
    });
    let mut options = Options::default();
    options.layers = layers;
    options.captions = vec!["It can kill.".to_owned()];
    draw(stage, &options)
}

#[test]
fn what_is_laid_over_stands_on_nothing() {
    for (name, stage) in shipped() {
        let plain = Picture::read(&draw(&stage, &Options::default()).svg);
        let drawing = covered(&stage);
        let picture = Picture::read(&drawing.svg);
        let wrong = overlaps(&picture);
        assert!(wrong.is_empty(), "{name}: {}", wrong.join("\n"));
        assert_eq!(joined(&picture), written(&stage, &|_| true), "{name}");
        let ranks = picture.words.iter().filter(|(text, _)| text == "rank");
        assert_eq!(ranks.count(), stage.parts.len().div_ceil(5), "{name}");
        assert!(drawing.svg.contains(">It can kill.<"));
        // Where a symbol stands does not depend on what is laid over.
        let places = |picture: &Picture| -> Vec<(String, i64)> {
            let first = picture.symbols[0].pins[0].1;
            picture
                .symbols
                .iter()
                .map(|symbol| {
                    let at = symbol.pins[0].1;
                    (symbol.name.clone(), at.x - first.x + 7 * (at.y - first.y))
                })
                .collect()
        };
        assert_eq!(places(&plain), places(&picture), "{name}");
    }
}

#[test]
fn a_drawing_says_what_it_is() {
    let stage = stage_named("self-biased-output");
    let svg = draw(&stage, &Options::default()).svg;
    let document = roxmltree::Document::parse(&svg).expect("it is XML");
    let root = document.root_element();
    let first: Vec<&str> = root
        .children()
        .filter(roxmltree::Node::is_element)
        .map(|node| node.tag_name().name())
        .take(2)
        .collect();
    assert_eq!(first, ["title", "desc"]);
    assert_eq!(root.attribute("role"), Some("graphics-document document"));
    let symbols: Vec<_> = root
        .descendants()
        .filter(|node| node.attribute("data-part").is_some())
        .collect();
    assert_eq!(symbols.len(), stage.parts.len());
    for symbol in symbols {
        let label = symbol.attribute("aria-label").expect("it has words");
        let part = symbol.attribute("data-part").expect("it is a part");
        assert!(label.starts_with(part), "{label}");
        assert_eq!(symbol.attribute("role"), Some("graphics-symbol img"));
    }
    assert!(svg.contains("prefers-color-scheme:dark"));
    // Every word is cut to the length that was measured for it.
    for text in root
        .descendants()
        .filter(|node| node.attribute("class") == Some("label"))
    {
        assert!(text.attribute("textLength").is_some());
    }
}

#[test]
fn the_same_stage_gives_the_same_bytes() {
    for (name, stage) in shipped() {
        let once = draw(&stage, &Options::default()).svg;
        assert_eq!(once, draw(&stage, &Options::default()).svg, "{name}");
        let mut zig_zag = Options::default();
        zig_zag.resistors = ResistorStyle::ZigZag;
        let other = draw(&stage, &zig_zag).svg;
        assert_ne!(once, other, "{name}");
        assert_eq!(
            joined(&Picture::read(&other)),
            written(&stage, &|_| true),
            "{name}"
        );
    }
}

/// The conventions of the trade's prints, as counts over all that ships: common practice, no source.
#[derive(Clone, Copy, Debug, Default)]
struct Conventions {
    loads: (usize, usize),
    cathodes: (usize, usize),
    leaks: (usize, usize),
    couplings: (usize, usize),
    plus_up: (usize, usize),
}

fn count(tally: &mut (usize, usize), holds: bool) {
    tally.0 += usize::from(holds);
    tally.1 += 1;
}

impl Conventions {
    fn add(&mut self, stage: &Stage, picture: &Picture) {
        let mut at: BTreeMap<(String, String), Spot> = BTreeMap::new();
        for symbol in &picture.symbols {
            for (pin, spot) in &symbol.pins {
                at.insert((symbol.name.clone(), pin.clone()), *spot);
            }
        }
        let place = |part: &str, pin: &str| at[&(part.to_owned(), pin.to_owned())];
        let rails: BTreeSet<NodeId> = stage
            .parts
            .iter()
            .filter_map(|part| match part.kind {
                PartKind::Supply { from, .. } | PartKind::Rectifier { from, .. } => Some(from),
                PartKind::Capacitor {
                    farads,
                    from,
                    to: COMMON,
                    ..
                } if farads.0 > 4e-6 => Some(from),
                _ => None,
            })
            .collect();
        for part in &stage.parts {
            if let PartKind::Supply { from, .. } = part.kind
                && from != COMMON
            {
                let (plus, minus) = (place(&part.name, "from"), place(&part.name, "to"));
                count(&mut self.plus_up, plus.y < minus.y);
            }
            let PartKind::Tube {
                unit, electrodes, ..
            } = &part.kind
            else {
                continue;
            };
            let tube = match unit {
                Some(unit) => format!("{}.{unit}", part.name),
                None => part.name.clone(),
            };
            for (electrode, node) in electrodes {
                let pin = format!("{electrode:?}").to_lowercase();
                let here = place(&tube, &pin);
                for other in &stage.parts {
                    self.one(stage, other, (*node, &pin, here), &rails, &place);
                }
            }
        }
    }

    fn one(
        &mut self,
        stage: &Stage,
        part: &deadstage_netlist::Part,
        (node, pin, here): (NodeId, &str, Spot),
        rails: &BTreeSet<NodeId>,
        place: &dyn Fn(&str, &str) -> Spot,
    ) {
        let Some((from, to)) = part.kind.ends() else {
            return;
        };
        let (near, far, other) = if from == node {
            ("from", "to", to)
        } else if to == node {
            ("to", "from", from)
        } else {
            return;
        };
        let resistor = matches!(part.kind, PartKind::Resistor { .. });
        let (near, far) = (place(&part.name, near), place(&part.name, far));
        match pin {
            "plate" if resistor && rails.contains(&other) => {
                count(&mut self.loads, near.x == here.x && far.y < near.y);
            }
            "cathode" if resistor && other == COMMON => {
                count(&mut self.cathodes, near.x == here.x && far.y > near.y);
            }
            "grid" if resistor && other == COMMON => {
                count(&mut self.leaks, near.x < here.x && far.y > near.y);
            }
            "grid" if matches!(part.kind, PartKind::Capacitor { .. }) && other != COMMON => {
                let plate = stage.parts.iter().any(|tube| match &tube.kind {
                    PartKind::Tube { electrodes, .. } => electrodes
                        .iter()
                        .any(|(e, n)| *n == other && *e == deadstage_netlist::Electrode::Plate),
                    _ => false,
                });
                if plate {
                    count(&mut self.couplings, near.x < here.x && far.x < near.x);
                }
            }
            _ => {}
        }
    }
}

#[test]
fn prints_keep_to_the_conventions() {
    let mut conventions = Conventions::default();
    for (_, stage) in shipped() {
        conventions.add(
            &stage,
            &Picture::read(&draw(&stage, &Options::default()).svg),
        );
    }
    let Conventions {
        loads,
        cathodes,
        leaks,
        couplings,
        plus_up,
    } = conventions;
    println!("{conventions:?}");
    // Nearly all: two tubes with one cathode part have it under one of them.
    let most = |(kept, of): (usize, usize)| of > 0 && kept * 20 >= of * 17;
    assert!(most(loads), "loads {loads:?}");
    assert!(most(cathodes), "cathodes {cathodes:?}");
    assert!(most(leaks), "leaks {leaks:?}");
    assert!(most(couplings), "couplings {couplings:?}");
    assert_eq!(plus_up.0, plus_up.1, "supplies");
}

fn page_path() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../docs/drawings.md")
}

/// The table of crossings, bends and names on the page.
fn table() -> String {
    let mut table = String::from(
        "| stage | parts | tubes | crossings | bends | ends with a name | nodes without room for their name |\n\
         | --- | --- | --- | --- | --- | --- | --- |\n",
    );
    let mut row = |name: &str, figures: &Figures| {
        let _ = writeln!(
            table,
            "| {name} | {} | {} | {} | {} | {} | {} |",
            figures.parts,
            figures.devices,
            figures.crossings,
            figures.bends,
            figures.named_ends,
            figures.unnamed_nodes
        );
    };
    for (name, stage) in shipped() {
        row(&name, &draw(&stage, &Options::default()).figures);
        let parts = sections(&stage);
        if stage.parts.len() > 100 {
            let mut sum = Figures::default();
            for &section in &parts {
                let one = draw(&stage, &in_section(section)).figures;
                sum.parts += one.parts;
                sum.devices += one.devices;
                sum.crossings += one.crossings;
                sum.bends += one.bends;
                sum.named_ends += one.named_ends;
                sum.unnamed_nodes += one.unnamed_nodes;
            }
            row(&format!("{name}, in {} sections", parts.len()), &sum);
        }
    }
    table
}

#[test]
fn the_page_tells_the_crossings() {
    let (begin, end) = ("<!-- crossings -->\n", "<!-- end of crossings -->");
    let path = page_path();
    let page = std::fs::read_to_string(&path)
        .unwrap_or_else(|error| panic!("{}: {error}", path.display()));
    let (before, rest) = page.split_once(begin).expect("the page has a table");
    let (printed, after) = rest.split_once(end).expect("the table has an end");
    let wanted = format!("\n{}\n", table());
    if std::env::var_os("DEADSTAGE_WRITE_PAGES").is_some() {
        let page = format!("{before}{begin}{wanted}{end}{after}");
        std::fs::write(&path, page).unwrap_or_else(|error| panic!("{error}"));
        return;
    }
    assert_eq!(
        printed, wanted,
        "docs/drawings.md is stale; run this test with DEADSTAGE_WRITE_PAGES=1"
    );
}
