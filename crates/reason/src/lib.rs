//! Which failures best explain what was read, and what to read next.
#![forbid(unsafe_code)]

mod check;
mod outcome;

pub use check::{Check, ExpectCheck, SettingCheck};
pub use outcome::*;
