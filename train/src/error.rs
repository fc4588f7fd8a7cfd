//! What can go wrong in a study.

use crate::store::StoreError;
use lowgear_env::config::{ConfigError, KeyError};
use std::path::PathBuf;

/// What can go wrong in a study.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum StudyError {
    /// A configuration file.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// A course file or its profile.
    #[error(transparent)]
    Course(#[from] lowgear_env::CourseError),
    /// A file of the run folder.
    #[error(transparent)]
    Store(#[from] StoreError),
    /// The run folder is taken.
    #[error(
        "{folder}: this run folder exists already\n  hint: continue it with --resume, or choose another with --out"
    )]
    FolderExists {
        /// The folder.
        folder: PathBuf,
    },
    /// `--resume` in a folder that holds something else.
    #[error(
        "{folder}: there is no study in this folder that could be resumed\n  hint: choose an empty or a new folder with --out"
    )]
    NoStudy {
        /// The folder.
        folder: PathBuf,
    },
    /// `--resume` without a folder.
    #[error(
        "{folder}: there is no such run folder, so nothing can be resumed\n  hint: check --out, or begin the study without --resume"
    )]
    NoFolder {
        /// The folder.
        folder: PathBuf,
    },
    /// A folder without a finished study.
    #[error(
        "{folder}: there is no finished study in this folder (summary.json and figures.json)\n  hint: give the folder of a study that has ended; one that was stopped goes on with `lowgear study FILE --out FOLDER --resume`"
    )]
    Unfinished {
        /// The folder.
        folder: PathBuf,
    },
    /// A log of the real vehicle.
    #[error(transparent)]
    Log(#[from] lowgear_sysid::log::LogError),
    /// An option of the command line.
    #[error(transparent)]
    Option(#[from] KeyError),
    /// `--resume` with another study.
    #[error(
        "{file}: the study in this run folder is not the one given, so it cannot be resumed; changed: {changed}\n  hint: give the same study file with the same --quick, --effort and --hours, or another --out"
    )]
    OtherStudy {
        /// The study file in the run folder.
        file: PathBuf,
        /// What differs, key by key.
        changed: String,
    },
    /// Jobs of a sweep that were done with other files.
    #[error(
        "{folder}: jobs here were done with other files than there are now, so they cannot be mixed with new ones\n{jobs}\n  hint: put the files back, give another --out, or remove the folders of these jobs"
    )]
    OtherJobs {
        /// Folder of the sweep.
        folder: PathBuf,
        /// Job by job what differs.
        jobs: String,
    },
    /// Another process works in the folder.
    #[error("{folder}: in use by {holder}\n  hint: wait until it is done, stop it, or give another --out")]
    InUse {
        /// The folder.
        folder: PathBuf,
        /// Who, where and since when.
        holder: String,
    },
    /// The folder of another sweep.
    #[error(
        "{file}: this folder holds another sweep, so its jobs cannot be continued\n  hint: give the same sweep file, or another --out"
    )]
    OtherSweep {
        /// The sweep file in the folder.
        file: PathBuf,
    },
    /// The program was interrupted.
    #[error("interrupted; progress saved\n  hint: go on with the same command, a study with --resume")]
    Stopped,
    /// A saved policy does not fit.
    #[error("{file}: {problem}")]
    Policy {
        /// The policy file.
        file: PathBuf,
        /// What does not fit.
        problem: String,
    },
    /// An episode whose figures mean nothing.
    #[error(transparent)]
    Unphysical(#[from] lowgear_env::Unphysical),
    /// A learner refused its settings or could not go on.
    #[error("{job}: {problem}")]
    Learner {
        /// Which job.
        job: String,
        /// What it said.
        problem: String,
    },
    /// Statistics, report or export.
    #[error("{step}: {problem}")]
    Step {
        /// Which step.
        step: &'static str,
        /// What it said.
        problem: String,
    },
}

impl StudyError {
    /// An error of a learner.
    pub(crate) fn learner(job: &str) -> impl Fn(String) -> StudyError {
        let job = job.to_owned();
        move |problem| StudyError::Learner { job: job.clone(), problem }
    }

    /// An error of a later step.
    pub(crate) fn step<E: std::fmt::Display>(step: &'static str) -> impl Fn(E) -> StudyError {
        move |e| StudyError::Step { step, problem: e.to_string() }
    }
}
