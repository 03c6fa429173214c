//! The trial bench: units that the reasoning has never seen.
//!
//! A unit is drawn from a shipped stage: every part somewhere within its
//! tolerance, tubes that follow *another* law than the program's
//! ([`law`]), some failures, a meter that loads and errs. It is solved by a
//! small solver of the bench's own ([`mod@unit`]), so that neither a law nor an
//! engine is ever its own judge.

pub mod ablate;
pub mod draw;
pub mod follow;
pub mod ideal;
pub mod law;
pub mod page;
pub mod repair;
pub mod run;
pub mod score;
pub mod show;
pub mod stages;
pub mod unit;
pub mod whole;
