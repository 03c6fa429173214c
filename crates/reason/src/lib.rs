//! Which failures best explain what was read, and what to read next.
#![forbid(unsafe_code)]

mod answer;
mod chart;
mod check;
mod diagnose;
mod error;
mod failure;
mod likelihood;
mod model;
mod next;
mod observe;
mod outcome;
mod outlook;
mod reach;
mod search;
mod weigh;

pub use chart::{ChartOptions, chart, ohms_chart};
pub use check::{Check, ExpectCheck, PRINT_TOLERANCE, SettingCheck, check};
pub use diagnose::{Options, diagnose, healthy_readings};
pub use error::Error;
pub use observe::usual_range;
pub use outcome::*;
