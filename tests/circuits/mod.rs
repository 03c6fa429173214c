//! Circuits drawn at random, by kind, and the checks that hold the solver on them.
//!
//! A circuit is drawn as text of our own stage format, about the published points of the tube
//! table and with values as they were sold: what a print of the 1930s to 60s would bring, and a
//! share of values that nobody would choose though they are legal. Failures are laid on as
//! the reasoning knows them. What is found is judged by an evaluation of its own
//! ([`check`]), by the plain reference solver, and by a general library.

mod chains;
pub mod check;
mod diodes;
pub mod draft;
mod followers;
mod pairs;
pub mod run;
mod stacks;
pub mod tally;
pub mod types;

use draft::Draft;

/// A kind of circuit: its name, and what draws one.
#[derive(Clone, Copy, Debug)]
pub struct Kind {
    /// In plain words.
    pub name: &'static str,
    draw: fn(&mut Draft),
}

impl Kind {
    /// The stage file that follows from a seed.
    #[must_use]
    pub fn draw(&self, seed: u64) -> String {
        let mut draft = Draft::new(seed);
        (self.draw)(&mut draft);
        draft.finish()
    }
}

const fn kind(name: &'static str, draw: fn(&mut Draft)) -> Kind {
    Kind { name, draw }
}

/// Every kind.
pub static KINDS: &[Kind] = &[
    kind("cascode", stacks::cascode),
    kind("cascode of pentodes", stacks::pentode_cascode),
    kind("triode on pentode", stacks::triode_on_pentode),
    kind("pentode on triode", stacks::pentode_on_triode),
    kind("stack of three", stacks::stack_of_three),
    kind("stack of four", stacks::stack_of_four),
    kind("series-connected amplifier", stacks::series_amplifier),
    kind("two power tubes in series", stacks::totem_pole),
    kind("push-pull on crossed feeds", stacks::crossed_feeds),
    kind(
        "long-tailed pair on a resistor",
        pairs::long_tailed_on_resistor,
    ),
    kind("long-tailed pair on a tube", pairs::long_tailed_on_tube),
    kind("cathode-coupled stage", pairs::cathode_coupled),
    kind("Schmitt trigger", pairs::schmitt_trigger),
    kind("flip-flop", pairs::flip_flop),
    kind("multivibrator", pairs::multivibrator),
    kind("meter bridge of triodes", pairs::meter_bridge),
    kind("direct-coupled cathode follower", followers::direct_coupled),
    kind("bootstrapped cathode follower", followers::bootstrapped),
    kind("cathode follower on a driven tail", followers::driven_tail),
    kind("grounded grid", followers::grounded_grid),
    kind("diodes in series", diodes::in_series),
    kind("diodes in antiparallel", diodes::antiparallel),
    kind("bridge of diodes", diodes::bridge),
    kind("ring of diodes", diodes::ring),
    kind("gates of diodes", diodes::gates),
    kind("steps of diodes", diodes::steps),
    kind("stacked rectifier supplies", diodes::stacked_supplies),
    kind("string of gas regulators", diodes::regulator_string),
    kind("direct-coupled chain", chains::chain),
    kind("direct-coupled ring", chains::ring),
    kind("phase splitter", chains::phase_splitter),
    kind("ring counter", chains::counter),
    kind("control line of a receiver", chains::control_line),
];
