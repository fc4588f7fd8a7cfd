//! What can go wrong in a study.

use crate::store::StoreError;
use lowgear_agents::integer_network::NetworkFault;
use lowgear_agents::integer_network::distil::NetworkDistilError;
use lowgear_agents::neural::NeuralError;
use lowgear_agents::table::TableFault;
use lowgear_agents::tabular::TabularError;
use lowgear_env::config::{ConfigError, KeyError};
use lowgear_eval::aggregate::AggregateError;
use lowgear_eval::figures::FiguresError;
use lowgear_eval::statistics::StatisticsError;
use lowgear_eval::summary::SummaryError;
use lowgear_firmware::ReadError;
use std::io;
use std::path::{Path, PathBuf};
use std::process::ExitStatus;

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
    /// `lowgear study` without a file.
    #[error(
        "no study file was given\n  hint: {}",
        if *.here {
            "`lowgear study study.toml --quick` runs the one in this folder"
        } else {
            "`lowgear new DIR` writes a study with its vehicle and course; then `lowgear study DIR/study.toml --quick`"
        }
    )]
    NoStudyFile {
        /// Whether there is a study.toml in the working directory.
        here: bool,
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
    /// A recording without frames.
    #[error(
        "{file}: no frame of a recorder in it{}\n  hint: give the bytes as the recorder wrote them; a serial port needs the same baud rate, 8 data bits and raw mode",
        version.map(|v| format!("; it has headers of version {v}, which this version does not read")).unwrap_or_default()
    )]
    NoFrames {
        /// The recording.
        file: PathBuf,
        /// Version of its headers, if it is another one.
        version: Option<u8>,
    },
    /// A recording without a header.
    #[error(
        "{file}: frames, but no header that says how long a tick is\n  hint: name the vehicle file with --vehicle"
    )]
    NoHeader {
        /// The recording.
        file: PathBuf,
    },
    /// Logs without laps.
    #[error(
        "there are no laps in these logs\n  hint: a log needs the columns `lap` and `policy`, events like `lap 3 table` and `end`, or a distance column with --landmarks START,END"
    )]
    NoLaps,
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
        #[source]
        problem: PolicyError,
    },
    /// A policy of the study itself does not fit.
    #[error("a policy of this study cannot be used: {0}")]
    Unusable(#[from] PolicyError),
    /// An episode whose figures mean nothing.
    #[error(transparent)]
    Unphysical(#[from] lowgear_env::Unphysical),
    /// A learner refused its settings or could not go on.
    #[error("{job}: {problem}")]
    Learner {
        /// Which job.
        job: String,
        /// What it said.
        #[source]
        problem: LearnerError,
    },
    /// A step found nothing to work on.
    #[error("{0}")]
    Nothing(&'static str),
    /// A decision table.
    #[error("table: {0}")]
    Table(#[from] TableFault),
    /// An integer network.
    #[error("network: {0}")]
    Network(#[from] NetworkFault),
    /// The distillation of a policy into an integer network.
    #[error("network: {0}")]
    NetworkDistil(#[from] NetworkDistilError),
    /// The export of a table or network.
    #[error("export: {0}")]
    Export(#[from] lowgear_firmware::ExportError),
    /// The compiled table does not decide as it should.
    #[error("export: {verdict}")]
    NotProven {
        /// The proof in a sentence.
        verdict: String,
    },
    /// The fit of a vehicle.
    #[error("fit: {0}")]
    Fit(#[from] lowgear_sysid::fit::FitError),
    /// Logs that contradict the vehicle file.
    #[error(
        "fit: the logs do not fit this vehicle, nothing was written\n  {reasons}\n  hint: mend the log, its mapping or the vehicle file; with --accept-misfit the file is written all the same, with this at its head"
    )]
    Misfit {
        /// What contradicts it, one a line.
        reasons: String,
    },
    /// The comparison of policies.
    #[error("comparison: {0}")]
    Comparison(#[from] AggregateError),
    /// Statistics of a map of perturbed conditions.
    #[error("robustness: {0}")]
    Statistics(#[from] StatisticsError),
    /// `summary.json`.
    #[error(transparent)]
    Summary(#[from] SummaryError),
    /// `figures.json`.
    #[error(transparent)]
    Figures(#[from] FiguresError),
    /// Data that JSON cannot hold.
    #[error("JSON: {0}")]
    Json(#[from] serde_json::Error),
    /// Data that a CSV file cannot hold.
    #[error("CSV: {0}")]
    Csv(#[from] csv::Error),
    /// A configuration that TOML cannot hold, as one with a seed above 9223372036854775807.
    #[error("TOML: {0}")]
    Toml(#[from] toml::ser::Error),
    /// TOML that was written here and does not read back.
    #[error("TOML: {0}")]
    TomlRead(#[from] toml::de::Error),
    /// A sweep as jobs of Slurm.
    #[error("slurm: {0}")]
    Slurm(#[from] SlurmError),
    /// A job of a sweep that another process does.
    #[error("sweep: job {job} is at work in another process")]
    JobTaken {
        /// The job.
        job: u64,
    },
    /// Jobs of a sweep that failed.
    #[error(
        "sweep: {failed} of {all} jobs failed; the others are in {report}\n{reasons}\n  hint: the same command tries them again"
    )]
    JobsFailed {
        /// How many.
        failed: usize,
        /// Of how many.
        all: u64,
        /// The page of the others.
        report: String,
        /// Which ones and why, one a line.
        reasons: String,
    },
    /// Stop requests cannot be heard.
    #[error("signals: {0}")]
    Signals(#[from] ctrlc::Error),
    /// No threads.
    #[error("threads: {0}")]
    Threads(#[from] rayon::ThreadPoolBuildError),
    /// The path of the program or of the working directory is not known.
    #[error("{path}: {reason}")]
    Path {
        /// Which path.
        path: PathBuf,
        /// What the system said.
        #[source]
        reason: io::Error,
    },
}

/// Why a learner refused its settings or could not go on.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum LearnerError {
    /// A setting is not allowed.
    #[error(transparent)]
    Setting(#[from] KeyError),
    /// A network.
    #[error(transparent)]
    Neural(#[from] NeuralError),
    /// A table of action values.
    #[error(transparent)]
    Tabular(#[from] TabularError),
    /// The policy that it offers cannot be used.
    #[error(transparent)]
    Policy(#[from] PolicyError),
    /// Its state cannot be written or read back.
    #[error("its saved state: {0}")]
    State(#[from] postcard::Error),
    /// The values have left the finite numbers.
    #[error("a value is not finite after {episodes} episodes; lower the step size")]
    NotFinite {
        /// Episodes learned from.
        episodes: u64,
    },
    /// The study has no such learner.
    #[error("no such learner in the study")]
    Absent,
}

/// Why a policy cannot be used.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum PolicyError {
    /// Written by another version.
    #[error("policy format {found}; this version reads format {read}")]
    Format {
        /// The number in the file.
        found: u32,
        /// The number that this version reads.
        read: u32,
    },
    /// Made for another number of gears.
    #[error("made for {made_for} gears, the vehicle has {gears}")]
    Gears {
        /// Gears that it was made for.
        made_for: usize,
        /// Gears of the vehicle.
        gears: usize,
    },
    /// Made for another vehicle.
    #[error(
        "made for the vehicle \"{made_for}\", the study has \"{vehicle}\"\n  hint: give the study of that vehicle, or --other-vehicle to take it all the same"
    )]
    Vehicle {
        /// The vehicle that it was made for.
        made_for: String,
        /// The vehicle of the study.
        vehicle: String,
    },
    /// An exported file for other settings of the controller.
    #[error(
        "made for a controller with other settings than this study's vehicle has: export the policy again"
    )]
    Controller,
    /// An exported file that is no text.
    #[error("not a text")]
    NotText,
    /// An exported file that cannot be read.
    #[error(transparent)]
    Exported(#[from] ReadError),
    /// A setting or a name is not allowed.
    #[error(transparent)]
    Setting(#[from] KeyError),
    /// A table of action values.
    #[error(transparent)]
    Tabular(#[from] TabularError),
    /// A decision table.
    #[error(transparent)]
    Table(#[from] TableFault),
    /// An integer network.
    #[error(transparent)]
    Network(#[from] NetworkFault),
}

/// Why a sweep did not become jobs of Slurm.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SlurmError {
    /// `sbatch` is not there.
    #[error("sbatch could not be started: {0}")]
    NotStarted(#[source] io::Error),
    /// `sbatch` refused the script.
    #[error("sbatch: {said}")]
    Refused {
        /// What it said.
        said: String,
    },
    /// There is no job to measure.
    #[error("every job is done, so none can be measured; nothing is left for Slurm")]
    NothingLeft,
    /// The program could not be started or watched.
    #[error("the trial, job {job}, could not be run: {reason}")]
    NoTrial {
        /// The job.
        job: u64,
        /// What the system said.
        #[source]
        reason: io::Error,
    },
    /// The job that was to be measured failed.
    #[error("the trial, job {job}, ended with {status}")]
    TrialFailed {
        /// The job.
        job: u64,
        /// How it ended.
        status: ExitStatus,
    },
}

impl StudyError {
    /// An error of a learner.
    pub(crate) fn learner(job: &str) -> impl Fn(LearnerError) -> StudyError {
        let job = job.to_owned();
        move |problem| StudyError::Learner { job: job.clone(), problem }
    }

    /// An error of the system about a path.
    pub(crate) fn path(path: &Path) -> impl FnOnce(io::Error) -> StudyError {
        let path = path.to_owned();
        move |reason| StudyError::Path { path, reason }
    }
}
