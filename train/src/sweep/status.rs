//! All jobs of a sweep and how each stands, for a reader and for a program.

use super::slurm::{STOP_NOTICE, accounted};
use super::{JobState, Sweep, SweepFolder};
use serde::Serialize;
use std::fmt::Write as _;
use std::io::IsTerminal;
use std::path::PathBuf;

/// One job in the list.
#[derive(Debug, Serialize)]
pub struct JobStatus {
    /// Number, from 1.
    pub job: u64,
    /// Values of the axes, in words.
    pub point: String,
    /// `done`, `running`, `failed`, `waiting` or `interrupted`.
    pub state: &'static str,
    /// Why it failed, where it did.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub reason: Option<String>,
    /// Its run folder.
    pub folder: PathBuf,
}

/// Every job of the sweep in its order.
#[must_use]
pub fn job_states(sweep: &Sweep, place: &SweepFolder) -> Vec<JobStatus> {
    let mut states: Vec<JobState> = (1..=sweep.jobs()).map(|job| place.state(job)).collect();
    let open = |state: &JobState| match state {
        JobState::Waiting | JobState::Interrupted => true,
        JobState::Failed(reason) => reason == STOP_NOTICE,
        JobState::Done | JobState::Running => false,
    };
    let unexplained: Vec<u64> =
        (1..).zip(&states).filter(|(_, state)| open(state)).map(|(job, _)| job).collect();
    for (job, reason) in accounted(place, &unexplained) {
        states[job as usize - 1] = JobState::Failed(reason);
    }
    let listed = |(job, state): (u64, JobState)| JobStatus {
        job,
        point: sweep.words(job),
        state: state.word(),
        reason: if let JobState::Failed(reason) = state { Some(reason) } else { None },
        folder: place.job(job),
    };
    (1..).zip(states).map(listed).collect()
}

/// The list as a table, with the counts below.
#[must_use]
pub fn status(jobs: &[JobStatus]) -> String {
    let mut out = String::from(" job  state        point\n");
    for JobStatus { job, point, state, reason, .. } in jobs {
        let _ = writeln!(out, "{job:>4}  {state:<11}  {point}");
        if let Some(reason) = reason {
            let _ = writeln!(out, "      {}", reason.replace('\n', "\n      "));
        }
    }
    let count = |word: &str| jobs.iter().filter(|job| job.state == word).count();
    let (done, all) = (count("done"), jobs.len());
    if std::io::stdout().is_terminal() {
        let filled = 40 * done / all.max(1);
        let _ = writeln!(
            out,
            "\n{}{} {} %",
            "█".repeat(filled),
            "░".repeat(40 - filled),
            100 * done / all.max(1)
        );
    }
    let _ = writeln!(
        out,
        "\n{all} jobs: {done} done, {} running, {} failed, {} interrupted, {} waiting",
        count("running"),
        count("failed"),
        count("interrupted"),
        count("waiting")
    );
    out
}
