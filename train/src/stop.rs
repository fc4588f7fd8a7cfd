//! What ends a job before its budget is used up: a request to stop, or the time limit.

use crate::error::StudyError;
use crate::store::{read_json, write_json};
use crate::terminal::print_message;
use std::cell::Cell;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// Whether a request to stop was made.
#[derive(Clone, Debug, Default)]
pub struct StopRequest(Arc<AtomicBool>);

impl StopRequest {
    /// Listens to Ctrl-C and to the system's request to end (SIGTERM, SIGHUP). The first one stops the
    /// program at the next checkpoint, a second one at once, with the exit code `code`.
    ///
    /// # Errors
    /// [`StudyError::Step`] when the system refuses.
    pub fn listen(code: u8) -> Result<StopRequest, StudyError> {
        let request = StopRequest::default();
        let heard = request.clone();
        ctrlc::set_handler(move || {
            if heard.0.swap(true, Ordering::SeqCst) {
                std::process::exit(code.into());
            }
            print_message("stopping at the next checkpoint; press Ctrl-C again to stop immediately");
        })
        .map_err(StudyError::step("signals"))?;
        Ok(request)
    }

    /// Whether it was asked.
    #[must_use]
    pub fn is_made(&self) -> bool {
        self.0.load(Ordering::SeqCst)
    }

    /// An error when it was asked.
    ///
    /// # Errors
    /// [`StudyError::Stopped`].
    pub fn check(&self) -> Result<(), StudyError> {
        if self.is_made() { Err(StudyError::Stopped) } else { Ok(()) }
    }
}

/// What a job may use.
#[derive(Clone, Copy, Debug, Default)]
pub struct JobBudget {
    /// Time, s; without it as long as its steps take.
    pub seconds: Option<f64>,
    /// Controller ticks of training, from its beginning; without it as many as its steps take.
    pub ticks: Option<u64>,
}

/// Why a job pauses between two steps.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Interrupt {
    /// The last checkpoint is old.
    Checkpoint,
    /// Its allowance is used up.
    Spent,
    /// The program is to stop.
    Stop,
}

/// Watches over one job.
pub struct StopCondition<'a> {
    stop: &'a StopRequest,
    job_budget: JobBudget,
    clock: PathBuf,
    before_s: f64,
    began: Instant,
    last_checkpoint: Cell<Instant>,
}

/// A checkpoint is never older than this, so that a power cut costs no more.
const CHECKPOINT_AGE: Duration = Duration::from_secs(60);

impl<'a> StopCondition<'a> {
    /// Watches over the job in `folder`, whose time before an interruption counts.
    ///
    /// # Errors
    /// [`StudyError::Store`] when the time used before cannot be read.
    pub fn new(
        stop: &'a StopRequest,
        job_budget: JobBudget,
        folder: &Path,
    ) -> Result<StopCondition<'a>, StudyError> {
        let clock = folder.join("seconds.json");
        let counts = job_budget.seconds.is_some() && clock.exists();
        let before_s = if counts { read_json(&clock)? } else { 0.0 };
        let now = Instant::now();
        Ok(StopCondition { stop, job_budget, clock, before_s, began: now, last_checkpoint: Cell::new(now) })
    }

    /// Whether to pause here, after so many ticks of training.
    #[must_use]
    pub fn interrupt(&self, ticks: u64) -> Option<Interrupt> {
        // Before anything that depends on the moment: what is done at the end of a share of ticks is part of
        // the result.
        if self.job_budget.ticks.is_some_and(|most| ticks >= most) {
            return Some(Interrupt::Spent);
        }
        if self.stop.is_made() {
            return Some(Interrupt::Stop);
        }
        if self.job_budget.seconds.is_some_and(|most| self.seconds() >= most) {
            return Some(Interrupt::Spent);
        }
        (self.last_checkpoint.get().elapsed() >= CHECKPOINT_AGE).then_some(Interrupt::Checkpoint)
    }

    /// A checkpoint was written.
    ///
    /// # Errors
    /// [`StudyError::Store`] when the time used cannot be written.
    pub fn on_checkpoint(&self) -> Result<(), StudyError> {
        self.last_checkpoint.set(Instant::now());
        // Only where time counts: other run folders hold no duration.
        if self.job_budget.seconds.is_some() {
            write_json(&self.clock, &self.seconds())?;
        }
        Ok(())
    }

    /// Why a job ends that has used up its time, after how much `done`; a share of ticks is no cut.
    #[must_use]
    pub fn cut(&self, done: &str) -> Option<String> {
        let seconds = self.job_budget.seconds?;
        Some(format!("its share of the hours, {seconds:.0} s, is used up after {done}"))
    }

    /// Ticks that it may use, if they are limited.
    #[must_use]
    pub const fn ticks(&self) -> Option<u64> {
        self.job_budget.ticks
    }

    fn seconds(&self) -> f64 {
        self.before_s + self.began.elapsed().as_secs_f64()
    }
}

/// Seconds for each of `jobs` jobs that share a part of the hours on so many threads: the last of them ends
/// in time, since a job takes one thread.
#[must_use]
pub fn job_share_s(hours: f64, part: f64, jobs: usize, threads: usize) -> f64 {
    let turns = jobs.div_ceil(threads.max(1)).max(1);
    3600.0 * hours * part / turns as f64
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn jobs_that_take_turns_on_the_threads_end_within_their_part_of_the_hours() {
        // Half of 8 hours is 4; seven jobs on two threads take four turns.
        assert_eq!(job_share_s(8.0, 0.5, 7, 2), 3600.0);
        assert_eq!(job_share_s(1.0, 1.0, 3, 64), 3600.0);
    }

    #[test]
    fn a_share_is_spent_when_its_time_is_over_and_a_request_to_stop_comes_first() {
        let stop = StopRequest::default();
        let watch = |seconds| {
            StopCondition::new(&stop, JobBudget { seconds, ticks: None }, Path::new("nowhere")).unwrap()
        };
        let spent = watch(Some(0.0));
        assert_eq!(
            [watch(None).interrupt(9), watch(Some(3600.0)).interrupt(9), spent.interrupt(9)],
            [None, None, Some(Interrupt::Spent)]
        );
        stop.0.store(true, Ordering::SeqCst);
        assert_eq!(spent.interrupt(9), Some(Interrupt::Stop));
    }

    #[test]
    fn a_share_of_ticks_ends_at_the_same_place_whoever_asks_to_stop() {
        let stop = StopRequest::default();
        stop.0.store(true, Ordering::SeqCst);
        let ten = JobBudget { seconds: None, ticks: Some(10) };
        let watch = StopCondition::new(&stop, ten, Path::new("nowhere")).unwrap();
        assert_eq!(
            [watch.interrupt(9), watch.interrupt(10)],
            [Some(Interrupt::Stop), Some(Interrupt::Spent)]
        );
        assert_eq!(watch.cut("9 steps"), None);
    }
}
