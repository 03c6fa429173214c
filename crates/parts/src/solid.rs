//! Parts with one or two junctions, and their vacuum cousin: diodes of every
//! kind, and the bipolar transistor.

mod diode;
mod junction;
mod transistor;

pub use diode::DiodeLaw;
pub(crate) use diode::perveance_from_drop;
pub use transistor::{Polarity, TransistorLaw};
