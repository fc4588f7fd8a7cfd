//! A policy replayed over a log: what it would have decided beside what was done.
//!
//! The controller that runs on the vehicle reads the log tick by tick, filters and guard included; the policy is asked when it
//! would be asked, but only what was done happens. When the log shows a shift, the guard is asked for it at that tick, so its verdict on the
//! driver is known as well. Memory is bounded: rows go to the caller one by one, pictures are thinned out.

mod seen;
mod shadow;
mod thinned;
mod told;
mod walk;

pub use seen::{Seen, Where};
pub use shadow::{Shadow, Tick};
pub use thinned::Thinned;
pub use walk::{Decision, Replay, Summary};
