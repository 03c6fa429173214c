//! Tests that cross crates, texts at random that judge the reader, and the trial bench that judges the reasoning.
#![forbid(unsafe_code)]

pub mod texts;
pub mod trials;
