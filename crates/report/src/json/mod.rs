//! JSON for programs.
//!
//! Each document carries a `schema` key with its name and version. Numbers
//! are rounded to what they can be worth (seven digits), never NaN: what has
//! no value, or is infinite, is `null`. The types here are the documents;
//! a change of an internal type does not change them.

mod chart;
mod check;
mod errors;
mod ohms;
mod plan;
mod shunt;
mod suspects;
mod tubes;

pub use chart::chart;
pub use check::check;
pub use errors::errors;
pub use ohms::ohms;
pub use shunt::shunt;
pub use suspects::suspects;
pub use tubes::tubes;

use serde::Serialize;

/// The document as text, indented, with a line end.
fn document<T: Serialize>(document: &T) -> Result<String, serde_json::Error> {
    let mut text = serde_json::to_string_pretty(document)?;
    text.push('\n');
    Ok(text)
}
