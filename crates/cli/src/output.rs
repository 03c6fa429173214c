//! The two streams. Colour is kept only where a terminal shows it.

use std::io::{self, ErrorKind, Write};

/// Writes an answer to standard output.
///
/// A reader that has seen enough and closed the pipe is no error.
pub(crate) fn show(text: &str) -> io::Result<()> {
    let mut out = anstream::stdout().lock();
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() == ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}

/// Writes a message to standard error, if that still exists.
pub(crate) fn complain(text: &str) {
    let mut err = anstream::stderr().lock();
    let _ = err.write_all(text.as_bytes()).and_then(|()| err.flush());
}

/// Writes a document for a program to standard output.
pub(crate) fn document(document: anyhow::Result<String>) {
    match document {
        Ok(text) => {
            // Nothing better is left to do if stdout is gone as well.
            let _ = show(&text);
        }
        Err(error) => complain(&format!("error: {error}\n")),
    }
}
