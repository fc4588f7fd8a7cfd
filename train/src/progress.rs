//! Progress of jobs: bars on a terminal, plain lines otherwise.

use indicatif::{MultiProgress, ProgressBar, ProgressStyle};
use std::io::IsTerminal;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Instant;

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
    tenths: AtomicU64,
    began: Instant,
}

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
            Some(bars) => drop(bars.println(text)),
            None => eprintln!("{text}"),
        }
    }

    /// A job of `total` steps.
    #[must_use]
    pub fn job(&self, name: &str, total: u64) -> JobProgress<'_> {
        let bar = self.bars.as_ref().map(|bars| {
            let bar = bars.add(ProgressBar::new(total));
            let style =
                ProgressStyle::with_template("{prefix:<24} {bar:28} {percent:>3} %  {eta:>5} left  {msg}");
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
            tenths: AtomicU64::new(0),
            began: Instant::now(),
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
        if let Some(bar) = &self.bar {
            bar.set_length(total);
            bar.set_position(done);
            bar.set_message(note.to_owned());
            return;
        }
        // The last episode may go on beyond the budget.
        let tenths = (10 * done / total.max(1)).min(10);
        if self.tenths.swap(tenths, Ordering::Relaxed) != tenths {
            let seconds = self.began.elapsed().as_secs_f64();
            self.reporter.line(&format!("{}: {} % after {seconds:.0} s; {note}", self.name, 10 * tenths));
        }
    }

    /// The job is over.
    pub fn finish(&self, note: &str) {
        match &self.bar {
            Some(bar) => bar.finish_with_message(note.to_owned()),
            None => self.reporter.line(&format!("{}: done; {note}", self.name)),
        }
    }
}
