//! Tests of the text layer from outside.
#![forbid(unsafe_code)]

mod bad;
mod fixtures;
mod includes;
mod robust;
mod roundtrip;
mod stages;
