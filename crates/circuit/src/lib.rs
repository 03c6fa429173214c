//! From a stage to its voltages: the graph, the equations, the operating
//! point, and what a meter reads of it.
//!
//! ```text
//! Stage ──► Network ──► Base (one situation) ──► OperatingPoint (one overlay) ──► read(Probe)
//! ```
//!
//! A [`Network`] is built once a stage. A [`Base`] has its linear part solved
//! for one [`Situation`]. A failure is an [`Overlay`] of elementary changes;
//! [`Base::solve`] lays it over as a low-rank update and runs Newton's method
//! in the tubes' ports; [`Base::solve_near`] takes Newton's steps from the healthy
//! state through all nodes at once, in sparse factors. [`OperatingPoint::read`] gives what a loaded meter
//! shows and how that moves with every tolerance.
//!
//! This crate knows no probabilities.
#![forbid(unsafe_code)]

mod base;
mod catalogue;
mod classes;
mod connections;
mod dense;
mod error;
mod faulted;
mod input_choke;
mod linear;
mod near;
mod network;
mod operating;
mod overlay;
pub mod plain;
mod ports;
mod probe;
mod shorted;
mod situation;
mod sparse;
mod woodbury;

pub use base::{Base, Scratch};
pub use catalogue::{defined_law, tube_names};
pub use classes::class_of;
pub use connections::{Joint, check_connections, graph};
pub use error::{CompileError, LawMismatch, SolveError};
pub use input_choke::{InputChoke, input_choke, mains_hertz};
pub use near::NearPoint;
pub use network::{
    DeviceId, DeviceSlot, Element, ElementId, ElementRole, LINE_SIGMA, Network, Parameter,
    ParameterId, ParameterKind, PartModel, Relay, electrode_name,
};
pub use operating::OperatingPoint;
pub use overlay::{Change, DeviceChange, Overlay};
pub use ports::PortState;
pub use probe::{Flow, Probe};
pub use situation::{BenchCurrent, ElementValue, Situation, Values};
