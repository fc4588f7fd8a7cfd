//! Files that survive a power cut: atomic writes, and checkpoints with checksum, version and predecessor.

use serde::{Serialize, de::DeserializeOwned};
use sha2::{Digest, Sha256};
use std::fs::{self, File};
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

/// Writes a file so that it is there as a whole or not at all: beside it, to the disk, then renamed.
///
/// # Errors
/// [`StoreError::Io`]; an earlier file of that name is then untouched.
pub fn write_atomically(file: &Path, bytes: &[u8]) -> Result<(), StoreError> {
    let beside = beside(file, "partial");
    let write = || -> io::Result<()> {
        let mut out = File::create(&beside)?;
        out.write_all(bytes)?;
        out.sync_all()?;
        fs::rename(&beside, file)?;
        // The rename itself reaches the disk with the folder.
        if let Some(folder) = file.parent().filter(|f| !f.as_os_str().is_empty()) {
            File::open(folder)?.sync_all()?;
        }
        Ok(())
    };
    write().map_err(StoreError::io(file))
}

fn beside(file: &Path, suffix: &str) -> PathBuf {
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

/// Version of the checkpoint layout; rises with any change of meaning.
pub const CHECKPOINT_FORMAT: u32 = 2;
const MAGIC: &[u8; 8] = b"lowgear\n";
const HEADER: usize = 8 + 4 + 32;

/// Writes a checkpoint; the one before stays beside it as `.previous`.
///
/// # Errors
/// [`StoreError`].
pub fn save_checkpoint(file: &Path, state: &impl Serialize) -> Result<(), StoreError> {
    let content = |problem: String| StoreError::Content { file: file.to_owned(), problem };
    let payload = postcard::to_stdvec(state).map_err(|e| content(e.to_string()))?;
    let mut bytes = Vec::with_capacity(HEADER + payload.len());
    bytes.extend_from_slice(MAGIC);
    bytes.extend_from_slice(&CHECKPOINT_FORMAT.to_le_bytes());
    bytes.extend_from_slice(&Sha256::digest(&payload));
    bytes.extend_from_slice(&payload);
    if file.exists() {
        let previous = beside(file, "previous");
        fs::rename(file, &previous).map_err(StoreError::io(&previous))?;
    }
    write_atomically(file, &bytes)
}

/// Reads the newest checkpoint that is whole. `warn` hears about one that is not.
///
/// # Errors
/// [`StoreError`] when there are checkpoints but none can be read; `Ok(None)` when there is none at all.
pub fn load_checkpoint<T: DeserializeOwned>(
    file: &Path,
    mut warn: impl FnMut(String),
) -> Result<Option<T>, StoreError> {
    let mut failure = None;
    for candidate in [file.to_owned(), beside(file, "previous")] {
        if !candidate.exists() {
            continue;
        }
        match read_checkpoint(&candidate) {
            Ok(state) => {
                if let Some(error) = failure {
                    warn(format!("{error}; going on from the checkpoint before it"));
                }
                return Ok(Some(state));
            }
            Err(error) => failure = Some(error),
        }
    }
    failure.map_or(Ok(None), Err)
}

fn read_checkpoint<T: DeserializeOwned>(file: &Path) -> Result<T, StoreError> {
    let content = |problem: &str| StoreError::Content { file: file.to_owned(), problem: problem.into() };
    let bytes = fs::read(file).map_err(StoreError::io(file))?;
    if bytes.len() < HEADER || &bytes[..8] != MAGIC {
        return Err(content("not a checkpoint of this program, or cut short"));
    }
    let format = u32::from_le_bytes([bytes[8], bytes[9], bytes[10], bytes[11]]);
    if format != CHECKPOINT_FORMAT {
        return Err(content(&format!("checkpoint format {format}; this version reads {CHECKPOINT_FORMAT}")));
    }
    let payload = &bytes[HEADER..];
    if Sha256::digest(payload).as_slice() != &bytes[12..HEADER] {
        return Err(content("the checksum does not fit: damaged or cut short"));
    }
    postcard::from_bytes(payload).map_err(|e| content(&format!("cannot be decoded: {e}")))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_damaged_checkpoint_falls_back_to_the_one_before_with_a_warning() {
        let folder = std::env::temp_dir().join(format!("lowgear-store-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        let file = folder.join("checkpoint.bin");
        save_checkpoint(&file, &1u32).unwrap();
        save_checkpoint(&file, &2u32).unwrap();
        let mut bytes = fs::read(&file).unwrap();
        let last = bytes.len() - 1;
        bytes[last] ^= 1;
        fs::write(&file, bytes).unwrap();
        let mut warnings = Vec::new();
        let state: Option<u32> = load_checkpoint(&file, |w| warnings.push(w)).unwrap();
        assert_eq!(state, Some(1));
        assert!(warnings[0].contains("checksum"), "{warnings:?}");
        fs::remove_dir_all(folder).unwrap();
    }
}
