//! Placeholder
#[test]
fn t() {}
