//! Pictures for the report, made by driving policies and asking them.

mod course;
mod shift_map;
mod trace;

pub use course::{course_picture, episode_picture, trace_picture};
pub use shift_map::{Footing, probe_features, shift_map};
pub use trace::{plan_trace, run_trace, watch};

#[cfg(test)]
mod tests;
