//! Files appear whole or not at all.

use std::fs;
use std::io::{self, Write};
use std::path::Path;

/// Writes a scratch file beside `path`, flushes it to the disk and renames it into place.
///
/// # Errors
/// Whatever the file system reports; an older file at `path` is then untouched.
pub fn write_atomically(path: &Path, bytes: &[u8]) -> io::Result<()> {
    let mut name = path.file_name().ok_or(io::ErrorKind::InvalidInput)?.to_owned();
    name.push(".partial");
    let scratch = path.with_file_name(name);
    let written = fs::File::create(&scratch).and_then(|mut file| {
        file.write_all(bytes)?;
        file.sync_all()
    });
    let result = written.and_then(|()| fs::rename(&scratch, path));
    if result.is_err() {
        let _ = fs::remove_file(&scratch);
    }
    result
}
