//! The vehicle, its terrain and the episode. This crate knows no policy.

mod outcome;
mod rng;
mod world;

pub use outcome::{Cause, Outcome, RewardTerms};
pub use rng::{Seed, Stream};
pub use world::{End, Step, World};
