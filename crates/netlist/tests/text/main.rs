//! Tests of the text layer from outside.
#![forbid(unsafe_code)]
#![allow(clippy::result_large_err)]

mod bad;
mod bounded;
mod fixtures;
mod includes;
mod robust;
mod roundtrip;
mod stages;
