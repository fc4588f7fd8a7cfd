//! Files that survive a power cut, and places where none is written.

use serde::{Serialize, de::DeserializeOwned};
use std::fs::{self, File, OpenOptions};
use std::io::{self, Write};
use std::path::{Path, PathBuf};

/// Why a file could not be written or read.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StoreError {
    /// The system refused.
    #[error(
        "{file}: {reason}\n  hint: check that the folder exists, that it is writable and that the disk is not full"
    )]
    Io {
        /// File or folder.
        file: PathBuf,
        /// What the system said.
        reason: io::Error,
    },
    /// Something stands there that is not replaced.
    #[error("{file}: this is {what}, and is not replaced\n  hint: {hint}")]
    Taken {
        /// Where.
        file: PathBuf,
        /// What stands there.
        what: String,
        /// What to do.
        hint: &'static str,
    },
    /// The content is not what it should be.
    #[error("{file}: {problem}")]
    Content {
        /// File.
        file: PathBuf,
        /// What is wrong.
        problem: String,
    },
}

impl StoreError {
    /// An error of the system about `file`.
    pub fn io(file: &Path) -> impl FnOnce(io::Error) -> StoreError {
        let file = file.to_owned();
        move |reason| StoreError::Io { file, reason }
    }
}

/// Creates a folder and those above it.
///
/// # Errors
/// [`StoreError::Io`].
pub fn create_folder(folder: &Path) -> Result<(), StoreError> {
    fs::create_dir_all(folder).map_err(StoreError::io(folder))
}

/// Writes a file so that it is there as a whole or not at all: next to it, to the disk, then renamed.
///
/// # Errors
/// [`StoreError::Io`]; an earlier file of that name is then untouched.
pub fn write_atomically(file: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let (sibling, mut out) = begin(file)?;
    let mut write = || -> io::Result<()> {
        out.write_all(bytes)?;
        out.sync_all()?;
        fs::rename(&sibling, file)?;
        // The rename itself reaches the disk with the folder.
        if let Some(folder) = file.parent().filter(|f| !f.as_os_str().is_empty()) {
            File::open(folder)?.sync_all()?;
        }
        Ok(())
    };
    write().map_err(StoreError::io(file))
}

/// Begins a file next to its place, for a caller that writes it part by part and then renames it.
///
/// # Errors
/// [`StoreError`]; [`StoreError::Taken`] where something stands that is not replaced.
pub fn begin(file: &Path) -> Result<(PathBuf, File), StoreError> {
    check_place(file)?;
    let sibling = sibling(file, "partial");
    check_place(&sibling)?;
    let create = || -> io::Result<File> {
        // What an interruption has left.
        if sibling.exists() {
            fs::remove_file(&sibling)?;
        }
        // Not through a link that was put there meanwhile.
        OpenOptions::new().write(true).create_new(true).open(&sibling)
    };
    let out = create().map_err(StoreError::io(file))?;
    Ok((sibling, out))
}

/// Whether a file may be written there: nothing stands there yet, or a plain file.
///
/// # Errors
/// [`StoreError::Taken`].
pub fn check_place(file: &Path) -> Result<(), StoreError> {
    let taken = |what: &str| {
        let hint = "name a plain file, or a new one";
        Err(StoreError::Taken { file: file.to_owned(), what: what.to_owned(), hint })
    };
    if file.file_name().is_none() {
        return taken("a folder");
    }
    match fs::symlink_metadata(file).map(|facts| facts.file_type()) {
        Ok(kind) if kind.is_dir() => taken("a folder"),
        Ok(kind) if kind.is_symlink() => taken("a symbolic link"),
        Ok(kind) if !kind.is_file() => taken("a device, a pipe or a socket"),
        _ => Ok(()),
    }
}

pub(crate) fn sibling(file: &Path, suffix: &str) -> PathBuf {
    let mut name = file.file_name().unwrap_or_default().to_owned();
    name.push(".");
    name.push(suffix);
    file.with_file_name(name)
}

/// Writes pretty JSON atomically.
///
/// # Errors
/// [`StoreError`].
pub fn write_json(file: &Path, value: &impl Serialize) -> Result<(), StoreError> {
    let mut text = serde_json::to_string_pretty(value)
        .map_err(|e| StoreError::Content { file: file.to_owned(), problem: e.to_string() })?;
    text.push('\n');
    write_atomically(file, text.as_bytes())
}

/// Reads JSON.
///
/// # Errors
/// [`StoreError`] with what is wrong.
pub fn read_json<T: DeserializeOwned>(file: &Path) -> Result<T, StoreError> {
    let text = fs::read_to_string(file).map_err(StoreError::io(file))?;
    serde_json::from_str(&text).map_err(|e| StoreError::Content {
        file: file.to_owned(),
        problem: format!("line {}: {e}; this is not a file that this version wrote", e.line()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_no_plain_file_is_not_replaced_and_nothing_is_left_beside_it() {
        let folder = std::env::temp_dir().join(format!("lowgear-place-{}", std::process::id()));
        fs::create_dir_all(folder.join("inner")).unwrap();
        let file = folder.join("file");
        write_atomically(&file, b"one").unwrap();
        write_atomically(&file, b"two").unwrap();
        assert_eq!(fs::read(&file).unwrap(), b"two");
        for place in [folder.join("inner"), folder.join("inner/.."), PathBuf::from("/")] {
            let refused = write_atomically(&place, b"three").unwrap_err().to_string();
            assert!(refused.contains("a folder"), "{refused}");
        }
        #[cfg(unix)]
        for name in ["link", "file.partial"] {
            std::os::unix::fs::symlink(&file, folder.join(name)).unwrap();
            let place = folder.join(name.trim_end_matches(".partial"));
            let refused = write_atomically(&place, b"three").unwrap_err().to_string();
            assert!(refused.contains("a symbolic link"), "{refused}");
            fs::remove_file(folder.join(name)).unwrap();
        }
        assert_eq!(fs::read(&file).unwrap(), b"two");
        assert_eq!(fs::read_dir(&folder).unwrap().count(), 2);
        fs::remove_dir_all(folder).unwrap();
    }
}
