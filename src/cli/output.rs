//! The only place that prints.

use std::borrow::Cow;
use std::io::{self, IsTerminal, Write};
use std::sync::OnceLock;

use meltwright::error::{Error, ErrorKind, Result};

use super::render;

/// One of the two streams of the process.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stream {
    /// Standard output.
    Out,
    /// Error output.
    Err,
}

/// Set where words keep to ASCII.
static PLAIN: OnceLock<()> = OnceLock::new();

/// Has all words keep to ASCII from here on; JSON, profiles and G-code are as they are.
pub fn keep_to_ascii() {
    PLAIN.get_or_init(|| ());
}

/// Words as they are shown here.
pub fn worded(text: &str) -> Cow<'_, str> {
    if PLAIN.get().is_some() { Cow::Owned(render::spark::plain(text)) } else { Cow::Borrowed(text) }
}

/// Writes words to a stream.
///
/// # Errors
/// When standard output cannot be written; a reader that went away is no error.
pub fn to(stream: Stream, text: &str) -> Result<()> {
    match stream {
        Stream::Out => to_stdout(&worded(text)),
        Stream::Err => {
            to_stderr(text);
            Ok(())
        }
    }
}

/// Writes `text` to standard output just as it is.
///
/// # Errors
/// When it cannot be written; a reader that went away is no error.
pub fn to_stdout(text: &str) -> Result<()> {
    let mut stdout = io::stdout().lock();
    match stdout.write_all(text.as_bytes()).and_then(|()| stdout.flush()) {
        Err(e) if e.kind() != io::ErrorKind::BrokenPipe => Err(Error::io("write to standard output", e)),
        _ => Ok(()),
    }
}

/// Writes words to the error output; if that fails there is nowhere left to say so.
pub fn to_stderr(text: &str) {
    let _ = io::stderr().lock().write_all(worded(text).as_bytes());
}

/// Whether somebody looks at standard output.
pub fn is_shown() -> bool {
    io::stdout().is_terminal()
}

/// Columns of the terminal that reads standard output, if one does.
pub fn columns() -> Option<usize> {
    let (terminal_size::Width(columns), _) = terminal_size::terminal_size_of(io::stdout())?;
    Some(usize::from(columns))
}

/// Shows an error.
pub fn error(error: &Error) {
    to_stderr(&render::error::text(error, colour()));
}

/// Shows a warning that does not change the outcome.
pub fn warning(text: &str) {
    to_stderr(&render::error::warning(text, colour()));
}

/// Shows an error of a hook.
pub fn hook_error(error: &Error) {
    to_stderr(&render::error::hook(error, colour()));
}

/// Standard output for G-code.
pub fn gcode() -> impl Write + Send {
    // What comes as a whole block passes through the line buffer of `Stdout`.
    io::stdout()
}

/// Whether an error only says that the reader of standard output went away.
pub fn reader_left(error: &Error) -> bool {
    matches!(error.kind(), ErrorKind::Io { source, .. } if source.kind() == io::ErrorKind::BrokenPipe)
}

/// Whether a bar may be drawn.
pub fn is_watched() -> bool {
    io::stderr().is_terminal()
}

/// Colour is for terminals, unless the user declines it (`NO_COLOR`, or a terminal that says it is dumb).
fn colour() -> bool {
    let declined = std::env::var_os("NO_COLOR").is_some_and(|value| !value.is_empty());
    let dumb = std::env::var_os("TERM").is_some_and(|value| value == "dumb");
    is_watched() && !declined && !dumb
}
