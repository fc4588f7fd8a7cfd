//! Progress of jobs: bars on a terminal, plain lines otherwise.

use crate::progress_page::ProgressPage;
use crate::search::CurvePoint;
use crate::store::StoreError;
use crate::terminal::{print_message, printable};
use indicatif::{MultiProgress, ProgressBar, ProgressStyle};
use std::io::IsTerminal;
use std::path::Path;
use std::sync::{Mutex, MutexGuard, PoisonError};
use std::time::{Duration, Instant};

/// Where progress is shown.
pub struct Reporter {
    bars: Option<MultiProgress>,
    quiet: bool,
    page: Mutex<ProgressPage>,
}

/// Progress of one job.
pub struct JobProgress<'a> {
    reporter: &'a Reporter,
    bar: Option<ProgressBar>,
    name: String,
    pace: Mutex<Pace>,
}

/// How fast a job goes.
struct Pace {
    /// When it began here, and with how many steps done.
    began: Option<(Instant, u64)>,
    /// When a line was written last, and at what tenth of the job.
    line: (Instant, u64),
}

/// A line is written after each tenth, and at least so often.
const LINE_EVERY: Duration = Duration::from_secs(60);
/// But no sooner than this after the line before it, so that the log of a fast job stays short.
const LINE_REST: Duration = Duration::from_secs(10);

impl Reporter {
    /// Bars when standard error is a terminal, lines otherwise.
    #[must_use]
    pub fn new() -> Reporter {
        Reporter {
            bars: std::io::stderr().is_terminal().then(MultiProgress::new),
            quiet: false,
            page: Mutex::default(),
        }
    }

    /// Shows nothing.
    #[must_use]
    pub fn silent() -> Reporter {
        Reporter { bars: None, quiet: true, page: Mutex::default() }
    }

    /// A line of its own.
    pub fn line(&self, text: &str) {
        if self.quiet {
            return;
        }
        match &self.bars {
            // Nothing is lost when a terminal cannot take the line: the run folder holds the facts.
            Some(bars) => drop(bars.println(printable(text))),
            None => print_message(text),
        }
    }

    /// Keeps a page of the study in its run folder. A silent one, which several studies of a sweep share, keeps none.
    pub(crate) fn keep_page(&self, folder: &Path, study: &str) {
        if !self.quiet {
            self.page().keep_in(folder, study);
        }
    }

    /// The page of the study that runs.
    pub(crate) fn page(&self) -> MutexGuard<'_, ProgressPage> {
        self.page.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// A job of `total` steps.
    #[must_use]
    pub fn job(&self, name: &str, total: u64) -> JobProgress<'_> {
        let bar = self.bars.as_ref().map(|bars| {
            let bar = bars.add(ProgressBar::new(total));
            let style = ProgressStyle::with_template("{prefix:<24} {bar:24} {percent:>3} %  {wide_msg}");
            if let Ok(style) = style {
                bar.set_style(style);
            }
            bar.set_prefix(name.to_owned());
            bar
        });
        JobProgress {
            reporter: self,
            bar,
            name: name.to_owned(),
            pace: Mutex::new(Pace { began: None, line: (Instant::now(), 0) }),
        }
    }
}

impl Default for Reporter {
    fn default() -> Reporter {
        Reporter::new()
    }
}

impl JobProgress<'_> {
    /// `done` of `total` steps; `note` says how it stands.
    pub fn update(&self, done: u64, total: u64, note: &str) {
        let mut pace = self.pace.lock().unwrap_or_else(PoisonError::into_inner);
        let (began, first) = *pace.began.get_or_insert((Instant::now(), done));
        let seconds = began.elapsed().as_secs_f64();
        // The last episode may go on beyond the budget.
        let tenth = (10 * done / total.max(1)).min(10);
        let per_s = (done - first.min(done)) as f64 / seconds.max(1e-9);
        let left_s = (done > first).then(|| total.saturating_sub(done) as f64 / per_s);
        self.reporter.page().note(&self.name, |job| (job.done, job.left_s) = ((done, total), left_s));
        if self.bar.is_none() && !line_due(pace.line.0.elapsed(), pace.line.1 != tenth) {
            return;
        }
        let speed = left_s
            .map_or_else(String::new, |left_s| format!("{per_s:.1} steps/s, {} left; ", in_words(left_s)));
        if let Some(bar) = &self.bar {
            bar.set_length(total);
            bar.set_position(done);
            bar.set_message(format!("{speed}{note}"));
            return;
        }
        pace.line = (Instant::now(), tenth);
        let percent = (100 * done / total.max(1)).min(100);
        self.reporter.line(&format!("{}: {percent} %; {speed}{note}", self.name));
    }

    /// The validation so far.
    pub(crate) fn checked(&self, curve: &[CurvePoint]) {
        let checks = || curve.iter().map(|point| (point.ticks, point.mean)).collect();
        self.reporter.page().note(&self.name, |job| {
            if job.checks.len() != curve.len() {
                job.checks = checks();
            }
        });
    }

    /// A checkpoint was written.
    ///
    /// # Errors
    /// When the page cannot be written.
    pub(crate) fn on_checkpoint(&self) -> Result<(), StoreError> {
        self.reporter.page().write()
    }

    /// The job is over.
    pub fn finish(&self, note: &str) {
        self.reporter
            .page()
            .note(&self.name, |job| (job.done, job.left_s) = ((job.done.1, job.done.1), None));
        match &self.bar {
            Some(bar) => bar.finish_with_message(note.to_owned()),
            None => self.reporter.line(&format!("{}: done; {note}", self.name)),
        }
    }
}

/// Whether a line is written `since` the last one, in another tenth of the job or in the same.
fn line_due(since: Duration, another_tenth: bool) -> bool {
    since >= if another_tenth { LINE_REST } else { LINE_EVERY }
}

/// A duration, coarse.
fn in_words(seconds: f64) -> String {
    match seconds {
        s if s < 100.0 => format!("{s:.0} s"),
        s if s < 6000.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A job of 100 steps, one in every `step_s` seconds: how many lines its log has, and the least time between two.
    fn lines(step_s: f64) -> (usize, f64) {
        let (mut last, mut count, mut least_s) = ((0.0, 0), 0, f64::INFINITY);
        for step in 1..=100_u32 {
            let (now_s, tenth) = (f64::from(step) * step_s, step / 10);
            if line_due(Duration::from_secs_f64(now_s - last.0), tenth != last.1) {
                least_s = f64::min(least_s, now_s - last.0);
                (last, count) = ((now_s, tenth), count + 1);
            }
        }
        (count, least_s)
    }

    #[test]
    fn a_job_writes_at_most_one_line_in_ten_seconds_and_at_least_one_in_sixty() {
        assert_eq!(lines(0.01).0, 0, "a second in all");
        assert_eq!(lines(0.5), (5, 10.0), "50 s: every second tenth");
        assert_eq!(lines(3.0), (10, 30.0), "300 s: every tenth");
        let (count, least_s) = lines(20.0);
        assert!(count >= 33 && least_s >= 10.0, "2000 s: {count} lines, {least_s} s");
    }
}
