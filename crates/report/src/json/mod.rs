//! JSON for programs.
//!
//! Each document carries a `schema` key with its name and version. Numbers
//! are rounded to what they can be worth (seven digits), never NaN: what has
//! no value, or is infinite, is `null`, and zero has no sign. Characters that show nothing, or
//! play tricks on a terminal, stand as JSON escapes, whatever holds them. The types here are the documents;
//! a change of an internal type does not change them.

mod chart;
mod check;
mod errors;
mod formatter;
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

use formatter::Plain;
use serde::Serialize;

/// The document as text, indented, with a line end.
fn document<T: Serialize>(document: &T) -> Result<String, serde_json::Error> {
    let mut bytes = Vec::new();
    let mut writer = serde_json::Serializer::with_formatter(&mut bytes, Plain::default());
    document.serialize(&mut writer)?;
    bytes.push(b'\n');
    String::from_utf8(bytes).map_err(serde::ser::Error::custom)
}
