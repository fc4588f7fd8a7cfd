//! Folders among the system's temporary files, each for one proof. They are removed at the end; what a killed
//! program has left is cleared away by the next one.

use std::fs::{self, File, TryLockError};
use std::io;
use std::path::{Path, PathBuf};
use std::time::{Duration, SystemTime};

use tempfile::TempDir;

const NAME: &str = "lowgear-proof-";
/// File whose lock its owner holds while it runs; the system releases it when the owner ends, however that ends.
const LOCK: &str = "lock";
/// A folder without a lock is that of a program killed in between, when it is older than this.
const AGE: Duration = Duration::from_secs(600);

/// A folder, as long as it is held. No two proofs share one: a compiler that outlives a killed proof would still
/// write into it.
pub(super) struct Scratch {
    folder: TempDir,
    _lock: File,
}

impl Scratch {
    /// Makes one, and clears away those that no process holds any more.
    ///
    /// # Errors
    /// The folder in which none could be made, and what the system said.
    pub(super) fn new() -> Result<Scratch, (PathBuf, io::Error)> {
        Scratch::below(&std::env::temp_dir())
    }

    fn below(place: &Path) -> Result<Scratch, (PathBuf, io::Error)> {
        clear(place);
        let make = || {
            let folder = tempfile::Builder::new()
                .prefix(&format!("{NAME}{}-", std::process::id()))
                .tempdir_in(place)?;
            let lock = File::create(folder.path().join(LOCK))?;
            // A system without locks: nothing is cleared away there either.
            let _ = lock.try_lock();
            Ok(Scratch { folder, _lock: lock })
        };
        make().map_err(|error| (place.to_owned(), error))
    }

    /// Where it is.
    pub(super) fn path(&self) -> &Path {
        self.folder.path()
    }
}

/// Removes what killed programs left; what cannot be removed, as the folder of another user, stays.
fn clear(place: &Path) {
    let Ok(entries) = fs::read_dir(place) else { return };
    for entry in entries.flatten() {
        let named = entry.file_name().to_string_lossy().starts_with(NAME);
        if named && entry.file_type().is_ok_and(|kind| kind.is_dir()) && is_left(&entry.path()) {
            let _ = fs::remove_dir_all(entry.path());
        }
    }
}

fn is_left(folder: &Path) -> bool {
    match File::open(folder.join(LOCK)) {
        Ok(lock) => !matches!(lock.try_lock(), Err(TryLockError::WouldBlock | TryLockError::Error(_))),
        Err(_) => {
            let made = fs::symlink_metadata(folder).and_then(|facts| facts.modified());
            made.is_ok_and(|made| SystemTime::now().duration_since(made).is_ok_and(|age| age > AGE))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_folder_of_a_killed_proof_is_cleared_by_the_next_and_that_of_a_living_one_stays() {
        let place = tempfile::tempdir().unwrap();
        let living = Scratch::below(place.path()).unwrap();
        let left = place.path().join(format!("{NAME}1-abc"));
        fs::create_dir(&left).unwrap();
        fs::write(left.join(LOCK), "").unwrap();
        fs::write(left.join("harness"), "half").unwrap();
        let other = place.path().join("somebody-elses");
        fs::create_dir(&other).unwrap();
        let next = Scratch::below(place.path()).unwrap();
        assert!(!left.exists() && living.path().exists() && next.path().exists() && other.exists());
        drop((living, next));
        assert_eq!(fs::read_dir(place.path()).unwrap().count(), 1, "only the other folder stays");
    }
}
