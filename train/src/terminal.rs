//! What is written to the terminal. Messages are for people: that they cannot be read ends nothing. Results are
//! data: that they are lost is an error, unless the reader has gone away.

use lowgear_env::config::{escaped, escaped_lines};
use std::io::{self, Write};
use std::path::Path;
use terminal_size::terminal_size_of;

/// Letters in a line of a terminal that does not say.
const USUAL_WIDTH: usize = 80;

/// Writes a [`printable`] message to standard error. A closed or full stream is ignored: the exit code and the files
/// state the outcome.
pub fn print_message(text: &str) {
    let mut line = printable(text);
    line.push('\n');
    // In one write, so that lines of several processes do not mix.
    let _ = io::stderr().lock().write_all(line.as_bytes());
}

/// A message with control characters escaped, so that a name in it moves no cursor. Line breaks stay, except in the
/// arguments of the command, so that a path in it forges no line.
#[must_use]
pub fn printable(message: &str) -> String {
    let typed: Vec<_> = std::env::args_os().collect();
    let parts = typed.iter().flat_map(|argument| Path::new(argument).iter());
    let broken = parts.map(|part| part.to_string_lossy()).filter(|part| part.contains('\n'));
    escaped_lines(&broken.fold(message.to_owned(), |message, part| message.replace(&*part, &escaped(&part))))
}

/// Letters in a line of the terminal that results are written to; 80 where there is none, as in a pipe or a file.
#[must_use]
pub fn width() -> usize {
    terminal_size_of(io::stdout()).map_or(USUAL_WIDTH, |(width, _)| usize::from(width.0))
}

/// Writes results to standard output. A reader that went away is not an error. A standard output that was closed before
/// the start (`>&-`) is not detected: the Rust runtime opens `/dev/null` in its place before `main`.
///
/// # Errors
/// What the system said when the results were not written, as on a full disk.
pub fn print_result(text: &str) -> io::Result<()> {
    let mut out = io::stdout().lock();
    unless_closed(out.write_all(text.as_bytes()).and_then(|()| out.flush()))
}

/// An error other than that the reader has closed the pipe.
///
/// # Errors
/// That one.
pub fn unless_closed(written: io::Result<()>) -> io::Result<()> {
    match written {
        Err(error) if error.kind() == io::ErrorKind::BrokenPipe => Ok(()),
        other => other,
    }
}
