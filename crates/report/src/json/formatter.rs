//! How numbers and strings are written: nothing that a terminal would obey, no minus before zero.

use deadstage_netlist::is_hidden;
use serde_json::ser::{Formatter, PrettyFormatter};
use std::io::{self, Write};

/// Indented, every hidden character as an escape.
#[derive(Default)]
pub(super) struct Plain {
    indented: PrettyFormatter<'static>,
}

impl Formatter for Plain {
    fn write_f64<W: ?Sized + Write>(&mut self, writer: &mut W, value: f64) -> io::Result<()> {
        // Both zeros are equal, and one of them has a sign.
        let value = if value == 0.0 { 0.0 } else { value };
        self.indented.write_f64(writer, value)
    }

    fn write_string_fragment<W: ?Sized + Write>(
        &mut self,
        writer: &mut W,
        fragment: &str,
    ) -> io::Result<()> {
        let mut shown = 0;
        for (at, c) in fragment.char_indices().filter(|&(_, c)| is_hidden(c)) {
            self.indented
                .write_string_fragment(writer, &fragment[shown..at])?;
            for unit in c.encode_utf16(&mut [0; 2]) {
                write!(writer, "\\u{unit:04x}")?;
            }
            shown = at + c.len_utf8();
        }
        self.indented
            .write_string_fragment(writer, &fragment[shown..])
    }

    fn begin_array<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.indented.begin_array(writer)
    }

    fn end_array<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.indented.end_array(writer)
    }

    fn begin_array_value<W: ?Sized + Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        self.indented.begin_array_value(writer, first)
    }

    fn end_array_value<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.indented.end_array_value(writer)
    }

    fn begin_object<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.indented.begin_object(writer)
    }

    fn end_object<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.indented.end_object(writer)
    }

    fn begin_object_key<W: ?Sized + Write>(
        &mut self,
        writer: &mut W,
        first: bool,
    ) -> io::Result<()> {
        self.indented.begin_object_key(writer, first)
    }

    fn begin_object_value<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.indented.begin_object_value(writer)
    }

    fn end_object_value<W: ?Sized + Write>(&mut self, writer: &mut W) -> io::Result<()> {
        self.indented.end_object_value(writer)
    }
}

#[cfg(test)]
mod tests {
    use super::super::document;
    use serde_json::{Value, json};

    #[test]
    fn the_layout_is_that_of_the_library() -> Result<(), serde_json::Error> {
        let value = json!({"a": [1, 2.5, {"b": null}], "c": {}, "d": [], "e": "é \"\n\u{1}"});
        let expected = serde_json::to_string_pretty(&value)? + "\n";
        assert_eq!(document(&value)?, expected);
        Ok(())
    }

    #[test]
    fn hidden_characters_are_escaped_and_mean_the_same() -> Result<(), serde_json::Error> {
        let value = json!({"k\u{202e}": "a\u{200b}b\u{7f}\u{9b}1m\u{e0041}\u{feff}z"});
        let text = document(&value)?;
        assert_eq!(
            text,
            "{\n  \"k\\u202e\": \"a\\u200bb\\u007f\\u009b1m\\udb40\\udc41\\ufeffz\"\n}\n"
        );
        assert_eq!(serde_json::from_str::<Value>(&text)?, value);
        Ok(())
    }

    #[test]
    fn zero_has_no_sign() -> Result<(), serde_json::Error> {
        assert_eq!(document(&-0.0)?, "0.0\n");
        assert_eq!(document(&[-0.5, -0.0])?, "[\n  -0.5,\n  0.0\n]\n");
        Ok(())
    }
}
