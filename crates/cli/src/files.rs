//! Files that a person names: read whole, or refused with the reason.
//!
//! Only regular files are opened, so that nothing waits on a pipe or reads a device without
//! end, and of everything no more is read than a text of its kind may have.

use deadstage_netlist::{MOST_BYTES, file_too_long, nearest, visible};
use std::collections::HashMap;
use std::fs::{self, File, FileType};
use std::io::{self, ErrorKind, Read};
use std::path::{Path, PathBuf};

/// The name under which standard input is typed.
pub(crate) const STANDARD_INPUT: &str = "-";

/// What it is called in messages.
const STANDARD_INPUT_NAME: &str = "standard input";

/// Names of a folder that are looked through for the one that was meant.
const MOST_NAMES: usize = 1000;

/// Why a file was not read.
#[derive(Debug)]
pub(crate) struct Refusal {
    /// A stable name for the reason.
    pub(crate) code: &'static str,
    pub(crate) message: String,
    pub(crate) help: Option<String>,
}

impl Refusal {
    fn new(code: &'static str, message: String) -> Self {
        Self {
            code,
            message,
            help: None,
        }
    }

    fn help(self, help: impl Into<String>) -> Self {
        Self {
            help: Some(help.into()),
            ..self
        }
    }
}

/// Name and text of the file at `path`, or of standard input.
pub(crate) fn text_of(path: &Path) -> Result<(String, String), Refusal> {
    if path.as_os_str() == STANDARD_INPUT {
        let bytes = all_of(io::stdin().lock(), STANDARD_INPUT_NAME)?;
        let text = as_text(STANDARD_INPUT_NAME, bytes)?;
        return Ok((STANDARD_INPUT_NAME.to_owned(), text));
    }
    Ok((path.display().to_string(), read(path)?))
}

/// Text of the regular file at `path`.
fn read(path: &Path) -> Result<String, Refusal> {
    let name = shown(path);
    let failed = |error: io::Error| failed(path, &error);
    let found = fs::metadata(path).map_err(failed)?;
    regular(&name, found.file_type())?;
    let file = File::open(path).map_err(failed)?;
    // Another file may have taken its place in between.
    let opened = file.metadata().map_err(failed)?;
    regular(&name, opened.file_type())?;
    if opened.len() > MOST_BYTES as u64 {
        return Err(Refusal::new("file-too-long", file_too_long(&name)));
    }
    as_text(&name, all_of(file, &name)?)
}

/// A path as messages show it.
pub(crate) fn shown(path: &Path) -> String {
    visible(&path.display().to_string()).into_owned()
}

fn all_of(from: impl Read, name: &str) -> Result<Vec<u8>, Refusal> {
    let mut bytes = Vec::new();
    let most = MOST_BYTES as u64 + 1;
    from.take(most)
        .read_to_end(&mut bytes)
        .map_err(|error| Refusal::new("unreadable", format!("{name} can't be read: {error}")))?;
    if bytes.len() > MOST_BYTES {
        return Err(Refusal::new("file-too-long", file_too_long(name)));
    }
    Ok(bytes)
}

/// Refuses folders, and what waits or never ends.
fn regular(name: &str, kind: FileType) -> Result<(), Refusal> {
    if kind.is_file() {
        return Ok(());
    }
    if kind.is_dir() {
        let refused = Refusal::new("unreadable", format!("{name} is a folder"));
        return Err(refused.help("name a file in it; `deadstage check` alone goes through folders"));
    }
    let refused = Refusal::new("unreadable", format!("{name} is no regular file"));
    Err(refused
        .help("a pipe or device is not read by its name: send it to standard input and write `-`"))
}

fn failed(path: &Path, error: &io::Error) -> Refusal {
    let name = shown(path);
    match error.kind() {
        ErrorKind::NotFound => {
            let refused = Refusal::new("unreadable", format!("there is no file {name}"));
            match near(path) {
                Some(meant) => refused.help(format!("did you mean {meant}?")),
                None => refused,
            }
        }
        ErrorKind::PermissionDenied => Refusal::new(
            "unreadable",
            format!("{name} may not be read: permission denied"),
        ),
        _ => Refusal::new("unreadable", format!("{name} can't be read: {error}")),
    }
}

/// The file beside a missing one whose name is nearest to it.
fn near(missing: &Path) -> Option<String> {
    let wanted = missing.file_name()?.to_str()?;
    let mut names: Vec<String> = fs::read_dir(folder_of(missing))
        .ok()?
        .take(MOST_NAMES)
        .filter_map(|entry| entry.ok()?.file_name().into_string().ok())
        .collect();
    names.sort_unstable();
    let meant = nearest(wanted, names.iter().map(String::as_str))?;
    Some(shown(&missing.with_file_name(meant)))
}

/// The bytes as text, or what they are instead.
fn as_text(name: &str, bytes: Vec<u8>) -> Result<String, Refusal> {
    const SAVE: &str = "save it as UTF-8 text";
    // Of plain letters in UTF-16, marked as such or not, every other byte is zero.
    let zeros = bytes.iter().filter(|&&byte| byte == 0).count();
    let marked = bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]);
    if marked || (2 * zeros > bytes.len() - bytes.len() / 4 && 2 * zeros <= bytes.len() + 1) {
        let refused = Refusal::new("not-text", format!("{name} is UTF-16 text, not UTF-8"));
        return Err(refused.help(SAVE));
    }
    let text = String::from_utf8(bytes).map_err(|error| {
        let good = error.utf8_error().valid_up_to();
        let before = error.as_bytes().get(..good).unwrap_or_default();
        let byte = error.as_bytes().get(good).copied().unwrap_or_default();
        let line = before.iter().filter(|&&byte| byte == b'\n').count() + 1;
        let column = String::from_utf8_lossy(before)
            .rsplit('\n')
            .next()
            .map_or(1, |last| last.chars().count() + 1);
        let refused = Refusal::new("not-text", format!("{name} is not UTF-8 text (line {line})"));
        refused.help(match older_encoding(byte) {
            Some(c) => format!(
                "the byte {byte:02X} in column {column} would be `{c}` in the Windows encoding of Western Europe: if it is meant so, {SAVE}"
            ),
            None => format!("the byte {byte:02X} in column {column} is no character: is this the right file?"),
        })
    })?;
    if text.contains('\0') {
        let refused = Refusal::new(
            "not-text",
            format!("{name} is no text: it holds zero bytes"),
        );
        return Err(refused.help("is this the right file?"));
    }
    // Lines of the oldest Macintoshes end in a carriage return alone.
    if text.contains('\r') && !text.contains('\n') {
        return Ok(text.replace('\r', "\n"));
    }
    Ok(text)
}

/// A sign of this trade, as Windows-1252 has it in one byte (from memory, high).
fn older_encoding(byte: u8) -> Option<char> {
    match byte {
        0x96 | 0x97 => Some('–'),
        0xb0 | 0xb1 | 0xb5 | 0xbc | 0xbd | 0xbe | 0xc0..=0xff => Some(char::from(byte)),
        _ => None,
    }
}

/// Where an `include` may take files from.
#[derive(Debug)]
pub(crate) struct Folders {
    /// With every symbolic link followed.
    allowed: Vec<PathBuf>,
    /// The first file, as messages show it.
    first: String,
    /// Folders of the files read, by the names they go by.
    folder_of: HashMap<String, PathBuf>,
}

impl Folders {
    /// The folder of the first file, which goes by `name`, and `further` ones.
    pub(crate) fn around(name: &str, first: &Path, further: &[PathBuf]) -> Result<Self, Refusal> {
        let home = folder_of(first);
        let mut allowed = vec![real(&home)?];
        for folder in further {
            allowed.push(real(folder).map_err(|_| {
                let message = format!("--include-from {}: there is no such folder", shown(folder));
                Refusal::new("unreadable", message)
            })?);
        }
        Ok(Self {
            allowed,
            first: visible(name).into_owned(),
            folder_of: HashMap::from([(name.to_owned(), home)]),
        })
    }

    /// Name and text of the file that `including` includes as `written`, or why there is none.
    pub(crate) fn include(
        &mut self,
        including: &str,
        written: &str,
    ) -> Result<(String, String), String> {
        // An absolute path stays as it is.
        let path = match self.folder_of.get(including) {
            Some(folder) if folder.as_os_str() != "." => folder.join(written),
            _ => PathBuf::from(written),
        };
        let said = |refused: Refusal| refused.message;
        let place = real(&path).map_err(said)?;
        if !self.allowed.iter().any(|folder| place.starts_with(folder)) {
            let first = &self.first;
            return Err(format!(
                "it lies outside the folder of {first}; `--include-from FOLDER` allows another"
            ));
        }
        let text = read(&path).map_err(said)?;
        let name = path.display().to_string();
        self.folder_of.insert(name.clone(), folder_of(&path));
        Ok((name, text))
    }
}

/// The folder that a file lies in.
fn folder_of(file: &Path) -> PathBuf {
    match file.parent() {
        Some(folder) if !folder.as_os_str().is_empty() => folder.to_owned(),
        _ => PathBuf::from("."),
    }
}

/// A path with every symbolic link followed.
fn real(path: &Path) -> Result<PathBuf, Refusal> {
    fs::canonicalize(path).map_err(|error| failed(path, &error))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn refused(bytes: &[u8]) -> (String, String) {
        match as_text("x", bytes.to_vec()) {
            Ok(text) => panic!("{text:?}"),
            Err(refusal) => (refusal.message, refusal.help.unwrap_or_default()),
        }
    }

    #[test]
    fn what_is_no_text_is_told_apart() {
        assert!(refused(b"\xff\xfes\0t\0").0.contains("UTF-16"));
        assert!(refused(b"s\0t\0a\0g\0").0.contains("UTF-16"));
        assert!(refused(b"a\0bcdefgh").0.contains("zero bytes"));
        assert!(refused(&[0; 100]).0.contains("zero bytes"));
        let (message, help) = refused(b"one\nC1 20\xb5F");
        assert_eq!(message, "x is not UTF-8 text (line 2)");
        assert!(help.contains("byte B5 in column 6 would be `µ`"), "{help}");
        assert!(refused(b"\x89PNG").1.contains("right file"));
    }

    #[test]
    fn carriage_returns_alone_end_lines() {
        let text = as_text("x", b"one\rtwo\r".to_vec()).map_err(|refusal| refusal.message);
        assert_eq!(text.as_deref(), Ok("one\ntwo\n"));
    }

    #[test]
    fn no_more_is_read_than_a_file_may_have() {
        let read = all_of(io::repeat(b'x'), "endless").map_err(|refusal| refusal.code);
        assert_eq!(read, Err("file-too-long"));
        let most = all_of(io::repeat(b'x').take(MOST_BYTES as u64), "full");
        assert_eq!(most.map(|bytes| bytes.len()).ok(), Some(MOST_BYTES));
    }
}
