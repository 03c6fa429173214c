//! Tests that cross crates live in this package.
#![forbid(unsafe_code)]
