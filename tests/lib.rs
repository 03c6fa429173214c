//! Tests that cross crates, the trial bench that judges the reasoning, the circuits drawn at random that judge the
//! solver and the texts that judge the reader.
#![forbid(unsafe_code)]

pub mod circuits;
pub mod drawings;
pub mod texts;
pub mod trials;
