//! Checkpoints with mark, format number, checksum, the job that they belong to, and their predecessor.

use crate::store::{StoreError, sibling, write_atomically};
use serde::{Deserialize, Serialize, de::DeserializeOwned};
use sha2::{Digest, Sha256};
use std::fs;
use std::path::Path;

/// Version of the checkpoint layout; rises with any change of meaning.
pub const CHECKPOINT_FORMAT: u32 = 7;
const MAGIC: &[u8; 8] = b"lowgear\n";
const HEADER: usize = 8 + 4 + 32;

/// What a checkpoint belongs to.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Identity {
    /// Program and version.
    pub program: String,
    /// SHA-256 of everything that the study was given.
    pub study: String,
    /// The job, as the path of its folder in the run.
    pub job: String,
    /// Seed of the study.
    pub seed: u64,
}

impl Identity {
    /// That of a job of this program.
    #[must_use]
    pub fn new(study: &str, job: &str, seed: u64) -> Identity {
        let program = format!("lowgear {}", env!("CARGO_PKG_VERSION"));
        Identity { program, study: study.to_owned(), job: job.to_owned(), seed }
    }

    /// How `other` differs; the study last, whose digest tells people nothing.
    fn difference(&self, other: &Identity) -> Option<String> {
        if other.program != self.program {
            Some(format!("written by {}; this is {}", other.program, self.program))
        } else if other.job != self.job {
            Some(format!("of the job {}, not of {}", other.job, self.job))
        } else if other.seed != self.seed {
            Some(format!("of a study with the seed {}, not {}", other.seed, self.seed))
        } else if other.study != self.study {
            Some("of another study: its file, vehicle or course were not those of this run".to_owned())
        } else {
            None
        }
    }
}

/// Writes a checkpoint of the job `identity`; the one before stays next to it as `.previous`.
///
/// # Errors
/// [`StoreError`].
pub fn save_checkpoint(file: &Path, identity: &Identity, state: &impl Serialize) -> Result<(), StoreError> {
    let content = |e: postcard::Error| StoreError::Content { file: file.to_owned(), problem: e.to_string() };
    let payload = postcard::to_stdvec(&(identity, state)).map_err(content)?;
    let mut bytes = Vec::with_capacity(HEADER + payload.len());
    bytes.extend_from_slice(MAGIC);
    bytes.extend_from_slice(&CHECKPOINT_FORMAT.to_le_bytes());
    bytes.extend_from_slice(&Sha256::digest(&payload));
    bytes.extend_from_slice(&payload);
    if file.exists() {
        let previous = sibling(file, "previous");
        fs::rename(file, &previous).map_err(StoreError::io(&previous))?;
    }
    write_atomically(file, &bytes)
}

/// Reads the newest checkpoint of the job `identity` that is whole. `warn` hears about one that is not.
///
/// # Errors
/// [`StoreError`] when there are checkpoints but none can be used; `Ok(None)` when there is none at all.
pub fn load_checkpoint<T: DeserializeOwned>(
    file: &Path,
    identity: &Identity,
    mut warn: impl FnMut(String),
) -> Result<Option<T>, StoreError> {
    let mut failure = None;
    for candidate in [file.to_owned(), sibling(file, "previous")] {
        if !candidate.exists() {
            continue;
        }
        match read_checkpoint(&candidate, identity) {
            Ok(state) => {
                if let Some(error) = failure {
                    warn(format!("{error}; going on from the checkpoint before it"));
                }
                return Ok(Some(state));
            }
            // What is wrong with the newest is what people need to know.
            Err(error) => failure = failure.or(Some(error)),
        }
    }
    failure.map_or(Ok(None), Err)
}

fn read_checkpoint<T: DeserializeOwned>(file: &Path, identity: &Identity) -> Result<T, StoreError> {
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
    let undecoded = |e: postcard::Error| content(&format!("cannot be decoded: {e}"));
    let (found, rest): (Identity, &[u8]) = postcard::take_from_bytes(payload).map_err(undecoded)?;
    if let Some(difference) = identity.difference(&found) {
        let hint = "remove it, and this job restarts";
        return Err(content(&format!("this checkpoint is {difference}\n  hint: {hint}")));
    }
    postcard::from_bytes(rest).map_err(undecoded)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_damaged_checkpoint_falls_back_to_the_one_before_with_a_warning() {
        let folder = std::env::temp_dir().join(format!("lowgear-store-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        let file = folder.join("checkpoint.bin");
        let mine = Identity::new("0", "dqn/seed-1", 1);
        save_checkpoint(&file, &mine, &1u32).unwrap();
        save_checkpoint(&file, &mine, &2u32).unwrap();
        let mut bytes = fs::read(&file).unwrap();
        let last = bytes.len() - 1;
        bytes[last] ^= 1;
        fs::write(&file, bytes).unwrap();
        let mut warnings = Vec::new();
        let state: Option<u32> = load_checkpoint(&file, &mine, |w| warnings.push(w)).unwrap();
        assert_eq!(state, Some(1));
        assert!(warnings[0].contains("checksum"), "{warnings:?}");
        fs::remove_dir_all(folder).unwrap();
    }

    #[test]
    fn a_checkpoint_is_refused_by_every_other_job_seed_study_and_version() {
        let folder = std::env::temp_dir().join(format!("lowgear-identity-{}", std::process::id()));
        fs::create_dir_all(&folder).unwrap();
        let file = folder.join("checkpoint.bin");
        let mine = Identity::new("0", "dqn/seed-1", 1);
        save_checkpoint(&file, &mine, &7u32).unwrap();
        let other_version = Identity { program: "lowgear 0.0.0".to_owned(), ..mine.clone() };
        for (other, word) in [
            (Identity::new("0", "ppo/seed-1", 1), "of the job dqn/seed-1, not of ppo/seed-1"),
            (Identity::new("0", "dqn/seed-1", 2), "seed 1, not 2"),
            (Identity::new("1", "dqn/seed-1", 1), "of another study"),
            (other_version, "written by lowgear"),
        ] {
            let refused = load_checkpoint::<u32>(&file, &other, |_| ()).unwrap_err().to_string();
            assert!(refused.contains(word) && refused.contains("hint:"), "{refused}");
        }
        assert_eq!(load_checkpoint(&file, &mine, |_| ()).unwrap(), Some(7u32));
        fs::remove_dir_all(folder).unwrap();
    }
}
