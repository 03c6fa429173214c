//! Placeholder
#[test]
fn t(){ }
