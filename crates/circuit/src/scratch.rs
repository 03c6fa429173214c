//! Memory used again from point to point.

use crate::continuation::newton::NewtonScratch;

/// Buffers for solving and reading; one a thread.
#[derive(Clone, Debug, Default)]
pub struct Scratch {
    pub(crate) column: Vec<f64>,
    pub(crate) adjoint: Vec<f64>,
    pub(crate) newton: NewtonScratch,
}
