//! The vehicle, its terrain and the episode. This crate knows no policy.
//!
//! Start reading at [`Drive`] (an episode, tick by tick), then `motion/plant.rs` (the physics).
#![cfg_attr(doc, doc = include_str!("../README.md"))]

pub mod config;
mod drive;
mod episode;
pub mod events;
mod mask;
pub mod motion;
mod names;
mod outcome;
mod physical;
mod rng;
mod run;
mod scenario;
mod schema;
mod sensing;
pub mod stress;
pub mod terrain;
mod trace;
pub mod vehicle;
mod world;

pub use drive::{Drive, PRIVILEGED, PositionErrors, RouteRun};
pub use episode::{EpisodeConfig, RewardConfig};
pub use mask::Mask;
pub use names::{phase_name, request_name, verdict_name};
pub use outcome::{Cause, Outcome, RewardTerms};
pub use physical::Unphysical;
pub use rng::{Seed, Stream};
pub use run::{Decision, run_episode};
pub use scenario::{CourseError, Scenario, load_course, measured_course};
pub use sensing::tilt_deg;
pub use trace::{TraceRow, write_trace};
pub use world::{End, EpisodeTotals, Step, World};

/// Version of the task: rises when a number of the model or the reward changes its meaning, so that returns of two
/// versions are not compared.
///
/// 4: an efficiency of 1 drives as any other, walls met in neutral hold, axles do not pull on the ground, and no motor
/// gives more than it takes.
pub const TASK_VERSION: u32 = 5;
