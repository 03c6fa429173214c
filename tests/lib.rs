//! Tests that cross crates, and the trial bench that judges the reasoning.
#![forbid(unsafe_code)]

pub mod trials;
