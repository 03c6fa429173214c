//! Places in the text, and the texts themselves.

use std::sync::Arc;

/// Which file of a parse a span lies in; index into [`SourceMap`].
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct FileId(pub u32);

/// A byte range of one file. Two spans always compare equal, so that a
/// [`Stage`](crate::Stage) read back from its own printed text equals the
/// original although every statement has moved.
#[derive(Clone, Copy, Debug, Default)]
pub struct Span {
    /// The file.
    pub file: FileId,
    /// First byte.
    pub start: u32,
    /// One past the last byte.
    pub end: u32,
}

impl PartialEq for Span {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl Eq for Span {}

/// One text that was read, with the name a person knows it by.
#[derive(Clone, Debug)]
pub struct SourceFile {
    /// Path or other name, as shown in messages.
    pub name: String,
    /// The whole text.
    pub text: Arc<str>,
}

/// Every file that took part in a parse, in the order met.
#[derive(Clone, Debug, Default)]
pub struct SourceMap {
    /// The files; a [`FileId`] indexes here.
    pub files: Vec<SourceFile>,
}

impl SourceMap {
    /// A map of one text, as for a value typed on a command line.
    pub fn single(name: &str, text: &str) -> Self {
        Self {
            files: vec![SourceFile {
                name: name.to_owned(),
                text: Arc::from(text),
            }],
        }
    }

    /// The text at a span; `None` if the span is of another map.
    pub fn text_of(&self, span: Span) -> Option<&str> {
        let file = self.files.get(span.file.0 as usize)?;
        file.text.get(span.start as usize..span.end as usize)
    }

    /// File name, line and column of a span's first character, both from 1;
    /// the column counts characters.
    pub fn locate(&self, span: Span) -> Option<(&str, usize, usize)> {
        let file = self.files.get(span.file.0 as usize)?;
        let before = file.text.get(..span.start as usize)?;
        let line_start = before.rfind('\n').map_or(0, |at| at + 1);
        let line = line_number(&file.text, span.start as usize);
        let column = before.get(line_start..)?.chars().count() + 1;
        Some((&file.name, line, column))
    }
}

/// Number, from 1, of the line that a place within the text lies on.
pub(crate) fn line_number(text: &str, at: usize) -> usize {
    let before = text.as_bytes().iter().take(at);
    before.filter(|&&byte| byte == b'\n').count() + 1
}
