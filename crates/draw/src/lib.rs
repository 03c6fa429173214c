//! Draws the schematic of a stage from its netlist alone.
//!
//! It is laid out as the trade's own prints are: the supply line above and the chassis below, signal from
//! left to right, each tube with its load over it and its cathode parts under it, the grid leak at the left,
//! couplings between the columns, decoupling along the supply line. The result is SVG.
//!
//! ```
//! use deadstage_draw::{Options, draw};
//! use deadstage_netlist::{TubeNames, parse_stage};
//!
//! let text = "stage \"Divider\"\n\
//!             supply B1 250V from bplus to chassis\n\
//!             resistor R1 4K7 10% from bplus to tap\n\
//!             resistor R2 1M from tap to chassis\n";
//! let parsed = parse_stage("divider.stage", text, &TubeNames::default(), &mut |_, path| {
//!     Err(format!("{path} is not here"))
//! });
//! let drawing = draw(&parsed.value, &Options::default());
//! assert!(drawing.svg.contains("data-part=\"R1\""));
//! assert_eq!(drawing.figures.crossings, 0);
//! ```
//!
//! # From netlist to picture
//!
//! | module | does |
//! | --- | --- |
//! | `wiring`, `symbol`, `text` | parts, pins and words; how each symbol looks and how much room it takes |
//! | `roles`, `paths`, `order` | what each node is for; ways of the direct current; which tube stands where |
//! | `plan`, `cell`, `grow`, `pair`, `ladder`, `rails` | pieces: a tube with its parts, pairs, supply lines, ladders |
//! | `sheet` | pieces side by side |
//! | `route`, `wires` | wires, and names where a wire would be too long |
//! | `layers`, `svg` | what is laid over, and the picture |
//! | [`plot`] | bands, odds and plate curves |
//!
//! Placement goes by what a part is for; only wires are searched for. A net for which there is no way is joined
//! by its name, as on a print, so that there is a drawing of whatever can be read.
#![forbid(unsafe_code)]
// Grids of a drawing are small: whole units go into i32 and f64 and back without loss.
#![allow(clippy::cast_possible_truncation)]

mod cell;
mod fragment;
mod geometry;
mod grow;
mod ladder;
mod layers;
mod order;
mod pair;
mod paths;
mod plan;
mod rails;
mod roles;
mod route;
mod sheet;
mod svg;
mod symbol;
mod text;
mod wires;
mod wiring;

pub mod plot;

pub use layers::{Layers, NextMark, NextPlace, ReadingMark, SuspectMark};
pub use symbol::ResistorStyle;

use deadstage_netlist::{PartId, SectionId, Stage};
use wiring::Wiring;

/// How a drawing is made.
#[derive(Clone, Debug, Default)]
#[non_exhaustive]
pub struct Options {
    /// Boxes or zig-zags.
    pub resistors: ResistorStyle,
    /// Only the parts of this section; wires that leave it end in their names.
    pub section: Option<SectionId>,
    /// What is laid over the print.
    pub layers: Layers,
    /// Lines below the drawing: cautions, where the figures come from.
    pub captions: Vec<String>,
}

/// A drawing.
#[derive(Clone, Debug)]
pub struct Drawing {
    /// The picture, an SVG document.
    pub svg: String,
    /// What can be counted of it.
    pub figures: Figures,
}

/// What can be counted of a drawing.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Figures {
    /// Parts drawn.
    pub parts: usize,
    /// Tubes and transistors among them.
    pub devices: usize,
    /// Wires that cross.
    pub crossings: usize,
    /// Corners of wires.
    pub bends: usize,
    /// Ends with a name, chassis signs left out.
    pub named_ends: usize,
    /// Nodes whose name found no room beside their wire.
    pub unnamed_nodes: usize,
    /// Width and height, pixels.
    pub size: (u32, u32),
}

/// Sections that hold parts: those that [`Options::section`] draws.
pub fn sections(stage: &Stage) -> Vec<SectionId> {
    wiring::sections(stage)
}

/// How much room is tried between pieces, units, until everything finds its place.
const GAPS: [f64; 4] = [1.0, 1.6, 2.5, 4.0];

/// Draws a stage, or one section of it.
#[must_use]
pub fn draw(stage: &Stage, options: &Options) -> Drawing {
    let whole = Wiring::new(stage, &|_| true);
    let roles = roles::roles(stage, &whole);
    let keep = |id: PartId| match options.section {
        None => true,
        Some(section) => stage.part(id).section == Some(section),
    };
    let wiring = Wiring::new(stage, &keep);
    let mut best = None;
    for gap in GAPS {
        let mut sheet = sheet::lay_out(&wiring, &roles, gap);
        let wired = wires::wire(&wiring, &roles, &mut sheet);
        let lost = wired.lost;
        if best.as_ref().is_none_or(|(least, _, _)| lost < *least) {
            best = Some((lost, sheet, wired));
        }
        if lost == 0 {
            break;
        }
    }
    let (_, sheet, wired) = best.unwrap_or_default();
    svg::write(stage, &wiring, &roles, &sheet, &wired, options)
}
