//! Everything that is asked of one drawing.

use super::boxes::overlaps;
use super::picture::Picture;
use super::read_back::{joined, written, wrong_dots};
use deadstage_draw::{Drawing, Options, draw};
use deadstage_netlist::Stage;
use std::time::{Duration, Instant};

/// A drawing, and what is wrong with it.
#[derive(Debug)]
pub struct Judged {
    /// The drawing.
    pub drawing: Drawing,
    /// How long it took.
    pub took: Duration,
    /// All that is wrong, in words.
    pub wrong: Vec<String>,
}

/// Draws a stage and holds the picture against it.
#[must_use]
pub fn judge(stage: &Stage, options: &Options) -> Judged {
    let start = Instant::now();
    let drawing = draw(stage, options);
    let took = start.elapsed();
    let picture = Picture::read(&drawing.svg);
    let mut wrong = Vec::new();
    let keep = |index: usize| {
        options
            .section
            .is_none_or(|section| stage.parts[index].section == Some(section))
    };
    let kept = (0..stage.parts.len()).filter(|&index| keep(index)).count();
    if picture.symbols.len() != kept {
        wrong.push(format!("{} of {kept} parts drawn", picture.symbols.len()));
    }
    let (shown, meant) = (joined(&picture), written(stage, &keep));
    for set in meant.difference(&shown) {
        wrong.push(format!("not joined as written: {set:?}"));
    }
    for set in shown.difference(&meant) {
        wrong.push(format!("joined, but not so written: {set:?}"));
    }
    for piece in picture.wires.iter().filter(|piece| !piece.is_square()) {
        wrong.push(format!("aslant: {piece:?}"));
    }
    for symbol in &picture.symbols {
        for (pin, at) in &symbol.pins {
            if !symbol.line_ends.contains(at) {
                wrong.push(format!("{} {pin} is no end of its symbol", symbol.name));
            }
        }
    }
    wrong.extend(
        wrong_dots(&picture)
            .iter()
            .map(|spot| format!("dot at {spot:?}")),
    );
    wrong.extend(overlaps(&picture));
    Judged {
        drawing,
        took,
        wrong,
    }
}
