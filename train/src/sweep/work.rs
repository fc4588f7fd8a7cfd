//! Doing jobs: one, or all that are missing on the cores of this machine.

use super::Sweep;
use super::state::{JobState, SweepFolder};
use crate::error::StudyError;
use crate::outputs::is_study;
use crate::progress::Reporter;
use crate::stop::StopRequest;
use crate::store::StoreError;
use crate::study::{Options, RunFolder, run_inputs};
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::{Mutex, PoisonError};
use std::thread;

/// How jobs are done.
#[derive(Clone, Debug)]
pub struct WorkOptions {
    /// Threads; as many as there are cores by default.
    pub threads: Option<usize>,
    /// Whether to stop.
    pub stop: StopRequest,
}

/// Whether every job that was begun had the files that it would be given now, in a folder that no study has.
///
/// # Errors
/// [`StoreError::Taken`], [`StudyError::OtherJobs`] with those that had not, and what differs.
pub fn check_jobs(sweep: &Sweep, place: &SweepFolder) -> Result<(), StudyError> {
    if is_study(&place.path) {
        let (file, what) = (place.path.clone(), "the folder of a study".to_owned());
        return Err(
            StoreError::Taken { file, what, hint: "give the sweep a folder of its own with --out" }.into()
        );
    }
    let mut other = Vec::new();
    for job in (1..=sweep.jobs()).filter(|&job| place.job(job).exists()) {
        if let Some(changed) = RunFolder::difference(&sweep.inputs(job)?, &place.job(job))? {
            other.push(format!("  job {job} ({}): {changed}", sweep.words(job)));
        }
    }
    if other.is_empty() {
        return Ok(());
    }
    let more = other.len().saturating_sub(MOST_TOLD);
    other.truncate(MOST_TOLD);
    if more > 0 {
        other.push(format!("  and {more} more jobs"));
    }
    Err(StudyError::OtherJobs { folder: place.path.clone(), jobs: other.join("\n") })
}

/// Jobs that an error names one by one.
const MOST_TOLD: usize = 8;

/// Does one job, or finds it done. A failure is kept next to its folder.
///
/// # Errors
/// [`StudyError`]; [`StudyError::Stopped`] with everything kept.
pub fn run_one(
    sweep: &Sweep,
    place: &SweepFolder,
    job: u64,
    options: &WorkOptions,
    reporter: &Reporter,
) -> Result<(), StudyError> {
    let Some(_claim) = place.claim(job)? else {
        let problem = format!("job {job} is at work in another process");
        return Err(StudyError::Step { step: "sweep", problem });
    };
    place.keep(sweep, job)?;
    if place.state(job) == JobState::Done || place.result(job).exists() {
        return place.forget_failure(job);
    }
    place.forget_failure(job)?;
    let study = Options {
        out: Some(place.job(job)),
        resume: place.job(job).exists(),
        threads: options.threads,
        stop: options.stop.clone(),
        ..Options::default()
    };
    match sweep.inputs(job).and_then(|inputs| run_inputs(inputs, &study, reporter)) {
        Ok(_) => Ok(()),
        Err(StudyError::Stopped) => Err(StudyError::Stopped),
        Err(error) => {
            place.failed(job, &error.to_string())?;
            Err(error)
        }
    }
}

/// Does every job that is missing; returns those that failed, each with its reason. Several jobs at a time with
/// few threads each keep the cores busier than one after the other with all: a study waits for its longest run
/// several times.
///
/// # Errors
/// [`StudyError::Stopped`], or what keeps all jobs from being done.
pub fn run_all(
    sweep: &Sweep,
    place: &SweepFolder,
    options: &WorkOptions,
    reporter: &Reporter,
) -> Result<Vec<(u64, String)>, StudyError> {
    check_jobs(sweep, place)?;
    let missing: Vec<u64> = (1..=sweep.jobs()).filter(|&job| place.state(job) != JobState::Done).collect();
    let all = sweep.jobs();
    reporter.line(&format!(
        "{all} jobs: {} done before, {} to do",
        all - missing.len() as u64,
        missing.len()
    ));
    if missing.is_empty() {
        return Ok(vec![]);
    }
    let cores = options.threads.unwrap_or_else(|| thread::available_parallelism().map_or(1, usize::from));
    let workers = cores.min(missing.len()).max(1);
    let threads = (cores / workers).max(1);
    let each = WorkOptions { threads: Some(threads), stop: options.stop.clone() };
    let progress = reporter.job("sweep", missing.len() as u64);
    let (next, done) = (AtomicUsize::new(0), AtomicUsize::new(0));
    let failed: Mutex<Vec<(u64, String)>> = Mutex::new(Vec::new());
    let silent = Reporter::silent();
    let work = || {
        while let Some(&job) = missing.get(next.fetch_add(1, Ordering::SeqCst)) {
            if options.stop.is_made() {
                return;
            }
            let outcome = run_one(sweep, place, job, &each, &silent);
            if matches!(outcome, Err(StudyError::Stopped)) {
                return;
            }
            let count = done.fetch_add(1, Ordering::SeqCst) + 1;
            let words = sweep.words(job);
            let how = match outcome {
                Ok(()) => "done".to_owned(),
                Err(error) => {
                    let reason = error.to_string();
                    let line = format!("failed: {reason}");
                    failed.lock().unwrap_or_else(PoisonError::into_inner).push((job, reason));
                    line
                }
            };
            reporter.line(&format!("job {job} ({words}): {how}"));
            progress.update(count as u64, missing.len() as u64, &words);
        }
    };
    thread::scope(|scope| (0..workers).for_each(|_| drop(scope.spawn(work))));
    options.stop.check()?;
    progress.finish(&format!("{} jobs", missing.len()));
    let mut failed = failed.into_inner().unwrap_or_else(PoisonError::into_inner);
    failed.sort();
    Ok(failed)
}
