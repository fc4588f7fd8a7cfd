//! Progress of jobs: bars on a terminal, plain lines otherwise.

use crate::terminal::{print_message, printable};
use indicatif::{MultiProgress, ProgressBar, ProgressStyle};
use std::io::IsTerminal;
use std::sync::{Mutex, PoisonError};
use std::time::{Duration, Instant};

/// Where progress is shown.
pub struct Reporter {
    bars: Option<MultiProgress>,
    quiet: bool,
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

impl Reporter {
    /// Bars when standard error is a terminal, lines otherwise.
    #[must_use]
    pub fn new() -> Reporter {
        Reporter { bars: std::io::stderr().is_terminal().then(MultiProgress::new), quiet: false }
    }

    /// Shows nothing.
    #[must_use]
    pub fn silent() -> Reporter {
        Reporter { bars: None, quiet: true }
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

    /// A job of `total` steps.
    #[must_use]
    pub fn job(&self, name: &str, total: u64) -> JobProgress<'_> {
        let bar = self.bars.as_ref().map(|bars| {
            let bar = bars.add(ProgressBar::new(total));
            let style = ProgressStyle::with_template("{prefix:<24} {bar:24} {percent:>3} %  {msg}");
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
        let due = pace.line.1 != tenth || pace.line.0.elapsed() >= LINE_EVERY;
        if self.bar.is_none() && !due {
            return;
        }
        let per_s = (done - first.min(done)) as f64 / seconds.max(1e-9);
        let speed = if done > first {
            let left = total.saturating_sub(done) as f64 / per_s;
            format!("{per_s:.1} steps/s, {} left; ", in_words(left))
        } else {
            String::new()
        };
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

    /// The job is over.
    pub fn finish(&self, note: &str) {
        match &self.bar {
            Some(bar) => bar.finish_with_message(note.to_owned()),
            None => self.reporter.line(&format!("{}: done; {note}", self.name)),
        }
    }
}

/// A duration, coarse.
fn in_words(seconds: f64) -> String {
    match seconds {
        s if s < 100.0 => format!("{s:.0} s"),
        s if s < 6000.0 => format!("{:.0} min", s / 60.0),
        s => format!("{:.1} h", s / 3600.0),
    }
}
