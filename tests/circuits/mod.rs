//! Circuits drawn at random, by kind, and the checks that hold the solver on them.
//!
//! A circuit is drawn as text of our own stage format, about the published points of the tube
//! table and with values as they were sold: what a print of the 1930s to 60s would bring, and a
//! share of values that nobody would choose though they are legal. Failures are laid on as
//! the reasoning knows them. What is found is judged by an evaluation of its own
//! ([`check`]), by the plain reference solver, and by a general library.

mod chains;
pub mod check;
mod computing;
mod controls;
mod diodes;
pub mod draft;
mod followers;
mod islands;
pub mod meters;
mod mixtures;
mod outputs;
pub mod page;
mod pairs;
pub mod reference;
mod relays;
pub mod run;
mod solid;
mod stacks;
pub mod states;
mod strings;
mod supplies;
pub mod tally;
pub mod two_ended;
pub mod types;
mod typist;

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

    fn is_mixture(&self) -> bool {
        [MIXTURE, CHASSIS].contains(&self.name)
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
    kind(
        "follower on a gas tube as regulator",
        supplies::series_follower,
    ),
    kind("series regulator with one tube", supplies::series_one_tube),
    kind(
        "series regulator with two tubes",
        supplies::series_two_tubes,
    ),
    kind("series regulator with a cascode", supplies::series_cascode),
    kind("shunt regulator", supplies::shunt),
    kind("current source", supplies::current_source),
    kind("bias from the return", supplies::back_bias),
    kind("push-pull output", outputs::push_pull),
    kind("chain of driven tubes", outputs::driven_chain),
    kind("driven tube with a clamp", outputs::clamp),
    kind("driven tube fed through another", outputs::series_modulated),
    kind("chain of transistors", solid::chain),
    kind("pair of transistors", solid::pair),
    kind("stack of transistors", solid::stack),
    kind("compound transistors", solid::compound),
    kind("flip-flop of transistors", solid::flip_flop),
    kind("transistor regulator", solid::regulator),
    kind("transistor under a tube", solid::under_a_tube),
    kind("relays in sequence", relays::sequence),
    kind("relay through its own contact", relays::through_itself),
    kind("relay with tubes", relays::with_tubes),
    kind("floating supplies", islands::floating_supply),
    kind("hanging electrodes", islands::hanging_electrodes),
    kind("capacitors in strings", islands::capacitors),
    kind("string of heaters", strings::heaters),
    kind("bridge of lamps", strings::lamp_bridge),
    kind("battery set with filaments in series", strings::battery_set),
    kind("switched stage", controls::switched_stage),
    kind("meter with shunts", controls::metering),
    kind("potentiometers", controls::potentiometers),
    kind("linear network", controls::linear),
    kind("bridge of resistors", controls::resistor_bridge),
    kind("follower at an output grid", outputs::grid_driver),
    kind("output with its cathode raised", outputs::raised_output),
    kind(
        "feedback amplifier between two feeds",
        computing::feedback_amplifier,
    ),
    kind("two pairs one behind the other", computing::two_pairs),
    kind("starved pentode", computing::starved),
    kind("third grids in use", computing::third_grids),
    kind("electrometer", computing::electrometer),
    kind(MIXTURE, mixtures::mixture),
    kind(CHASSIS, mixtures::chassis),
];

const MIXTURE: &str = "mixture";
const CHASSIS: &str = "many circuits on one chassis";
