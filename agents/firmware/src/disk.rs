//! Files appear whole or not at all.

use std::fs;
use std::io::{self, Write};
use std::path::Path;

/// Writes a scratch file next to `path`, flushes it to the disk and renames it into place.
///
/// # Errors
/// Whatever the file system reports; an older file at `path` is then untouched.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut name = path.file_name().ok_or(io::ErrorKind::InvalidInput)?.to_owned();
    name.push(".partial");
    let scratch = path.with_file_name(name);
    plain_or_absent(path)?;
    plain_or_absent(&scratch)?;
    if scratch.exists() {
        fs::remove_file(&scratch)?;
    }
    // Not through a link that was put there meanwhile.
    let mut begun = fs::OpenOptions::new().write(true).create_new(true).open(&scratch)?;
    let written = begun.write_all(bytes).and_then(|()| begun.sync_all());
    let result = written.and_then(|()| fs::rename(&scratch, path));
    if result.is_err() {
        let _ = fs::remove_file(&scratch);
    }
    result
}

/// Refuses what is no plain file: a folder, a link, a device, a pipe.
fn plain_or_absent(path: &Path) -> io::Result<()> {
    match fs::symlink_metadata(path) {
        Ok(facts) if !facts.is_file() => {
            Err(io::Error::new(io::ErrorKind::AlreadyExists, "not a plain file there, and not replaced"))
        }
        _ => Ok(()),
    }
}
