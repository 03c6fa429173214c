//! What each command does with its words.

pub(crate) mod chart;
pub(crate) mod check;
pub(crate) mod draw;
pub(crate) mod shunt;
pub(crate) mod suspect;
pub(crate) mod tubes;
