//! A sweep: many independent studies from one file. Each is one job with a number, a command and a folder of
//! its own; a job is done when its summary stands there. Start reading in `plan.rs`.

mod assign;
mod config;
mod merge;
mod plan;
mod state;
mod work;

pub use config::{Axis, AxisPoint, MOST_JOBS, SetKey, SweepConfig};
pub use merge::{Merged, merge};
pub use plan::Sweep;
pub use state::{JobState, Place, status};
pub use work::{WorkOptions, run_all, run_one};
