//! Matrices: dense, sparse, and of a handful of rows. It knows nothing of circuits.

pub(crate) mod dense;
pub(crate) mod elimination;
mod order;
pub(crate) mod saddle;
pub(crate) mod small;
pub(crate) mod vector;
