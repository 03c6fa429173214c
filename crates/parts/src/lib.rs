//! What each kind of part does at DC, how specimens differ, how they fail.
//!
//! No text and no matrices: a law takes voltages and gives currents with
//! their derivatives, in SI units.
#![forbid(unsafe_code)]

mod device;

pub use device::{Condition, MAX_PORTS, PortCurrents, PortVolts, Spread, Trait};
