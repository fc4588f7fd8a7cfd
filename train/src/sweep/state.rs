//! Where the jobs of a sweep lie, and how each of them stands.

use super::Sweep;
use crate::error::StudyError;
use crate::outputs::SWEEP_MARK;
use crate::store::{StoreError, create_folder, read_json, write_atomically, write_json};
use crate::study::SUMMARY_FILE;
use serde::{Deserialize, Serialize};
use std::fs::{self, File, TryLockError};
use std::path::{Path, PathBuf};
use std::thread::sleep;
use std::time::Duration;

/// The folder of a sweep.
#[derive(Clone, Debug)]
pub struct SweepFolder {
    /// Where it is.
    pub path: PathBuf,
}

/// How a job stands.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum JobState {
    /// Its summary is there.
    Done,
    /// A process works on it.
    Running,
    /// It failed, for this reason; it is tried again when the sweep is.
    Failed(String),
    /// Not begun.
    Waiting,
    /// It was begun and interrupted; it goes on from there.
    Interrupted,
}

impl JobState {
    /// In one word.
    #[must_use]
    pub const fn word(&self) -> &'static str {
        match self {
            JobState::Done => "done",
            JobState::Running => "running",
            JobState::Failed(_) => "failed",
            JobState::Waiting => "waiting",
            JobState::Interrupted => "interrupted",
        }
    }
}

/// Why a job failed: the file next to its folder.
#[derive(Serialize, Deserialize)]
struct Failure {
    reason: String,
}

/// The right to work on a job, as long as it is held.
pub(super) struct JobLock {
    _lock: File,
}

/// Tries to get hold of a job before it is said to be another process's: who only looks holds it for a moment.
const TRIES: u32 = 20;
const BETWEEN: Duration = Duration::from_millis(50);

impl SweepFolder {
    /// The folder of a sweep, by default named after it.
    #[must_use]
    pub fn new(sweep: &Sweep, out: Option<&Path>) -> SweepFolder {
        SweepFolder { path: out.map_or_else(|| Path::new("runs").join(&sweep.config.name), Path::to_owned) }
    }

    /// Folder of a job: an ordinary run folder.
    #[must_use]
    pub fn job(&self, job: u64) -> PathBuf {
        self.path.join("jobs").join(format!("{job:04}"))
    }

    /// The result of a job.
    #[must_use]
    pub fn result(&self, job: u64) -> PathBuf {
        self.job(job).join(SUMMARY_FILE)
    }

    fn sibling(&self, job: u64, end: &str) -> PathBuf {
        self.path.join("jobs").join(format!("{job:04}.{end}"))
    }

    /// Claims a job for this process. None when another one works on it.
    ///
    /// # Errors
    /// [`StudyError::Store`].
    pub(super) fn claim(&self, job: u64) -> Result<Option<JobLock>, StudyError> {
        create_folder(&self.path.join("jobs"))?;
        let file = self.sibling(job, "lock");
        let lock = File::create(&file).map_err(StoreError::io(&file))?;
        for _ in 0..TRIES {
            match lock.try_lock() {
                Ok(()) => return Ok(Some(JobLock { _lock: lock })),
                Err(TryLockError::WouldBlock) => sleep(BETWEEN),
                // A folder without locks: no other process is noticed there.
                Err(TryLockError::Error(_)) => return Ok(Some(JobLock { _lock: lock })),
            }
        }
        Ok(None)
    }

    /// Keeps the sweep in its folder, or finds the same one there. `job` is claimed by the caller, so that the
    /// file next to which it is written is no other process's.
    ///
    /// # Errors
    /// [`StudyError::OtherSweep`], or the system's refusal.
    pub(super) fn keep(&self, sweep: &Sweep, job: u64) -> Result<(), StudyError> {
        let file = self.path.join("sweep.toml");
        let text = toml::to_string_pretty(&sweep.config)?;
        let text = format!("{SWEEP_MARK} (lowgear {}).\n{text}", env!("CARGO_PKG_VERSION"));
        if file.exists() {
            let kept = fs::read_to_string(&file).map_err(StoreError::io(&file))?;
            return if kept == text { Ok(()) } else { Err(StudyError::OtherSweep { file }) };
        }
        let sibling = self.sibling(job, "sweep.toml");
        write_atomically(&sibling, text.as_bytes())?;
        Ok(fs::rename(&sibling, &file).map_err(StoreError::io(&file))?)
    }

    /// A job failed.
    ///
    /// # Errors
    /// [`StudyError::Store`].
    pub(super) fn failed(&self, job: u64, reason: &str) -> Result<(), StudyError> {
        Ok(write_json(&self.sibling(job, "failed.json"), &Failure { reason: reason.to_owned() })?)
    }

    /// Forgets that a job failed or was ended before.
    ///
    /// # Errors
    /// [`StudyError::Store`].
    pub(super) fn forget_failure(&self, job: u64) -> Result<(), StudyError> {
        for file in [self.sibling(job, "failed.json"), self.sibling(job, "ended")] {
            if file.exists() {
                fs::remove_file(&file).map_err(StoreError::io(&file))?;
            }
        }
        Ok(())
    }

    /// File in which the script for Slurm keeps which task of which array did a job last.
    pub(super) fn slurm_task(&self, job: u64) -> PathBuf {
        self.sibling(job, "slurm")
    }

    /// How a job stands.
    #[must_use]
    pub fn state(&self, job: u64) -> JobState {
        if self.result(job).exists() {
            return JobState::Done;
        }
        let lock = File::open(self.sibling(job, "lock"));
        if lock.is_ok_and(|lock| matches!(lock.try_lock_shared(), Err(TryLockError::WouldBlock))) {
            return JobState::Running;
        }
        let failure = self.sibling(job, "failed.json");
        if failure.exists() {
            let unreadable = |e: StoreError| format!("for a reason that cannot be read ({e})");
            let read = read_json::<Failure>(&failure).map(|failure| failure.reason);
            return JobState::Failed(read.unwrap_or_else(unreadable));
        }
        // Left by the script for Slurm, when a job was ended from outside.
        if let Ok(reason) = fs::read_to_string(self.sibling(job, "ended")) {
            return JobState::Failed(reason.trim().to_owned());
        }
        if self.job(job).exists() { JobState::Interrupted } else { JobState::Waiting }
    }
}
