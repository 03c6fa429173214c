//! From a stage to its voltages: the graph, the equations, the operating
//! point, and what a meter reads of it.
//!
//! ```text
//! Stage ──► Network ──► Base (one situation) ──► OperatingPoint (one overlay) ──► read(Probe)
//! ```
//!
//! A [`Network`] is built once a stage. A [`Base`] is its healthy state in one [`Situation`], with the
//! equations about it. A failure is an [`Overlay`] of elementary changes; [`Base::solve`] takes Newton's
//! steps from the healthy state through all nodes at once, in sparse factors. [`OperatingPoint::read`] gives what
//! a loaded meter shows and how that moves with every tolerance.
//!
//! This crate knows no probabilities.
#![forbid(unsafe_code)]

mod base;
mod connections;
mod continuation;
mod equations;
mod error;
mod linalg;
mod network;
mod overlay;
pub mod plain;
mod probe;
mod reading;
mod scratch;
mod shorted;
mod situation;
mod solve;
mod state;
mod unit;

pub use base::Base;
pub use connections::{Joint, check_connections, graph};
pub use continuation::newton::Precision;
pub use error::{Attempt, CompileError, LawMismatch, SolveError};
pub use network::catalogue::{defined_law, tube_names};
pub use network::classes::class_of;
pub use network::input_choke::{InputChoke, input_choke, mains_hertz};
pub use network::{
    DeviceId, DeviceSlot, Element, ElementId, ElementRole, LINE_SIGMA, Network, Parameter,
    ParameterId, ParameterKind, PartModel, Relay, electrode_name,
};
pub use overlay::{Change, DeviceChange, Overlay};
pub use probe::{Flow, Probe};
pub use reading::{JointSpread, OperatingPoint, Watched};
pub use scratch::Scratch;
pub use situation::{BenchCurrent, ElementValue, INSULATION_SIEMENS, Situation, Values};
pub use state::PortState;
pub use unit::unit;
