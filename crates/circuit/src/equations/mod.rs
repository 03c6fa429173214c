//! The nodal equations on one sparse pattern: entries, factors, devices' places.

pub(crate) mod factors;
pub(crate) mod linearisation;
pub(crate) mod pattern;
pub(crate) mod pins;
pub(crate) mod socket;
pub(crate) mod stamped;
pub(crate) mod tap;
