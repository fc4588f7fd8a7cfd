//! The right to work in a folder, held by one process at a time. The system releases it when its holder ends,
//! however that ends, so a lock never outlives its holder.

use crate::error::StudyError;
use crate::store::{StoreError, create_folder};
use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{Read, Write};
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

/// File in the folder; it tells who holds it and is gone when the work is over.
pub const LOCK_FILE: &str = ".lock";
/// A holder who ends removes the file, so that a lock on it may have come too late.
const TRIES: u32 = 100;

/// A folder, as long as it is held.
#[derive(Debug)]
pub struct FolderLock {
    file: PathBuf,
    _lock: File,
}

impl FolderLock {
    /// Takes a folder, which is made if it is not there.
    ///
    /// # Errors
    /// [`StudyError::InUse`] with its holder, or the system's refusal.
    pub fn take(folder: &Path) -> Result<FolderLock, StudyError> {
        create_folder(folder)?;
        let file = folder.join(LOCK_FILE);
        for _ in 0..TRIES {
            let open = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(&file);
            let lock = open.map_err(StoreError::io(&file))?;
            match lock.try_lock() {
                Err(TryLockError::WouldBlock) => {
                    return Err(StudyError::InUse { folder: folder.to_owned(), holder: holder(&lock) });
                }
                // A place without locks: no other process is noticed there.
                Ok(()) | Err(TryLockError::Error(_)) => {}
            }
            if is_in_place(&lock, &file) {
                sign(&lock).map_err(StoreError::io(&file))?;
                return Ok(FolderLock { file, _lock: lock });
            }
        }
        Err(StudyError::InUse { folder: folder.to_owned(), holder: "several processes in turn".to_owned() })
    }
}

impl Drop for FolderLock {
    fn drop(&mut self) {
        // While it is held: no other process's can be removed.
        let _ = fs::remove_file(&self.file);
    }
}

/// Whether the file that is locked is still the one with that name.
#[cfg(unix)]
fn is_in_place(lock: &File, file: &Path) -> bool {
    use std::os::unix::fs::MetadataExt;
    let same = |a: &fs::Metadata, b: &fs::Metadata| (a.dev(), a.ino()) == (b.dev(), b.ino());
    matches!((lock.metadata(), fs::metadata(file)), (Ok(a), Ok(b)) if same(&a, &b))
}

#[cfg(not(unix))]
fn is_in_place(_lock: &File, file: &Path) -> bool {
    file.exists()
}

fn sign(mut lock: &File) -> std::io::Result<()> {
    lock.set_len(0)?;
    lock.write_all(format!("process {} on {} since {}\n", std::process::id(), host(), now()).as_bytes())
}

fn holder(mut lock: &File) -> String {
    let mut text = String::new();
    let read = lock.read_to_string(&mut text);
    let content = text.trim();
    if read.is_ok() && !content.is_empty() { content.to_owned() } else { "another process".to_owned() }
}

/// Name of this machine.
fn host() -> String {
    let named =
        fs::read_to_string("/proc/sys/kernel/hostname").ok().or_else(|| std::env::var("HOSTNAME").ok());
    named
        .map(|name| name.trim().to_owned())
        .filter(|n| !n.is_empty())
        .unwrap_or_else(|| "this machine".to_owned())
}

fn now() -> String {
    let seconds = SystemTime::now().duration_since(UNIX_EPOCH).map_or(0, |since| since.as_secs());
    utc(seconds)
}

/// Seconds since 1970 as a date and time of the Gregorian calendar (Hinnant, "chrono-compatible low-level date
/// algorithms", `civil_from_days`).
fn utc(seconds: u64) -> String {
    let (days, of_day) = (seconds / 86_400 + 719_468, seconds % 86_400);
    let (era, of_era) = (days / 146_097, days % 146_097);
    let year_of_era = (of_era - of_era / 1460 + of_era / 36_524 - of_era / 146_096) / 365;
    let of_year = of_era - (365 * year_of_era + year_of_era / 4 - year_of_era / 100);
    let shifted = (5 * of_year + 2) / 153;
    let day = of_year - (153 * shifted + 2) / 5 + 1;
    let month = if shifted < 10 { shifted + 3 } else { shifted - 9 };
    let year = year_of_era + 400 * era + u64::from(month <= 2);
    let (hour, minute, second) = (of_day / 3600, of_day / 60 % 60, of_day % 60);
    format!("{year:04}-{month:02}-{day:02} {hour:02}:{minute:02}:{second:02} UTC")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn seconds_become_dates() {
        // By `date -u -d @N`.
        assert_eq!(utc(0), "1970-01-01 00:00:00 UTC");
        assert_eq!(utc(951_782_399), "2000-02-28 23:59:59 UTC");
        assert_eq!(utc(951_782_400), "2000-02-29 00:00:00 UTC");
        assert_eq!(utc(4_102_444_800), "2100-01-01 00:00:00 UTC");
    }
}
