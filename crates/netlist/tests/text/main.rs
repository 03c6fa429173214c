//! Tests of the text layer from outside.
#![forbid(unsafe_code)]

mod fixtures;
mod robust;
mod stages;
