//! A sweep: many independent studies from one file. Each is one job with a number, a command and a folder of
//! its own; a job is done when its summary stands there. Start reading in `plan.rs`.

mod assign;
mod known;
mod merge;
mod plan;
mod slurm;
mod state;
mod status;
mod work;

pub use crate::config::{Axis, AxisPoint, MOST_JOBS, SetKey, SweepConfig};
pub use merge::{MergedSweep, merge};
pub use plan::Sweep;
pub use slurm::{SlurmOptions, slurm};
pub use state::{JobState, SweepFolder};
pub use status::{JobStatus, job_states, status};
pub use work::{WorkOptions, check_jobs, run_all, run_one};

/// A path as a shell reads it.
#[must_use]
pub fn quoted(path: &std::path::Path) -> String {
    let text = path.to_string_lossy();
    let plain = |c: char| c.is_ascii_alphanumeric() || "/._-+,:@".contains(c);
    if !text.is_empty() && text.chars().all(plain) {
        return text.into_owned();
    }
    format!("'{}'", text.replace('\'', "'\\''"))
}
