//! Which failures best explain what was read, and what to read next.
#![forbid(unsafe_code)]

mod advice;
mod answer;
#[cfg(test)]
mod any_failure;
mod assume;
mod bands;
mod casualties;
mod chart;
mod check;
mod confirm;
mod diagnose;
mod effort;
mod error;
mod evidence_parts;
mod explain;
mod failure;
mod known;
mod likelihood;
mod live;
mod model;
mod next;
mod observe;
mod outcome;
mod outlook;
mod outside;
pub mod plan;
mod rates;
mod ratings;
mod reach;
mod repeats;
mod search;
mod sheets;
#[cfg(test)]
mod test_bench;
mod weigh;
mod wording;

pub use assume::{Ablation, Assumptions};
pub use chart::{ChartOptions, chart, ohms_chart};
pub use check::{Check, ExpectCheck, PRINT_TOLERANCE, SettingCheck, check};
pub use diagnose::{Options, diagnose, diagnose_assuming, healthy_readings};
pub use error::Error;
pub use known::{KnownFailure, known_failures};
pub use observe::usual_range;
pub use outcome::*;
pub use rates::{Changed, RateChange, Rates, parse_rates};
