//! Tests that cross crates, the trial bench that judges the reasoning, and the circuits drawn at random that judge the solver.
#![forbid(unsafe_code)]

pub mod circuits;
pub mod trials;
