//! From one known operating point to another: Newton's method on the whole system, in sparse factors.

pub(crate) mod expansion;
pub(crate) mod newton;
mod update;
