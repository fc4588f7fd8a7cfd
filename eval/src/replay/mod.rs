//! A policy replayed over a log: what it would have decided compared with what was done.
//!
//! The controller that runs on the vehicle reads the log tick by tick, filters and guard included; the policy is asked when it
//! would be asked, but only what was done happens. When the log shows a shift, the guard is asked for it at that tick, so its verdict on the
//! driver is known as well. Memory is bounded: rows go to the caller one by one, pictures are thinned out.

mod coverage;
mod decimate;
mod run;
mod text;
mod tracker;

pub use coverage::{CoverageStatus, TrainingCoverage};
pub use decimate::Decimator;
pub use run::{Decision, Replay, Summary};
pub use tracker::{ControllerTracker, Tick};
