//! Which failures best explain what was read, and what to read next.
#![forbid(unsafe_code)]

mod outcome;

pub use outcome::*;
