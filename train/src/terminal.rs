//! What is written to the terminal. Messages are for people: that they cannot be read ends nothing. Results are
//! data: that they are lost is an error, unless the reader has gone away.

use std::io::{self, Write};

/// Writes a line of message to standard error. A closed or full one is passed over: the exit code and the files
/// tell the outcome.
pub fn tell(text: &str) {
    let mut line = String::with_capacity(text.len() + 1);
    line.push_str(text);
    line.push('\n');
    // In one write, so that lines of several processes do not mix.
    let _ = io::stderr().lock().write_all(line.as_bytes());
}

/// Writes results to standard output. A reader that went away is not an error.
///
/// # Errors
/// What the system said when the results were not written, as on a full disk.
pub fn hand_out(text: &str) -> io::Result<()> {
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
