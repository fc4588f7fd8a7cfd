//! Trials on the ground: two policies on one vehicle, laps driven in pairs, and what they prove.
//!
//! The figure is the mean relative difference of the lap times within a pair. [`sequential`] gives an interval for it
//! that holds at every number of pairs at once, so a trial may be looked at after each pair and stopped at any time.
//! [`power`] says how many pairs a claim takes, [`plan`] in which order to drive them, [`laps`] finds the laps in logs,
//! and [`result`] pairs them. With the vehicle's model [`damage`] says what the laps cost the gearbox, and [`control`] takes
//! off what battery and warmth at their start explain; [`wear`] compares everything but time. All of it is about time and wear. None of it is about safety.

pub mod control;
pub mod damage;
pub mod laps;
pub mod plan;
pub mod power;
pub mod predict;
pub mod result;
pub mod sequential;
pub mod text;
pub mod wear;

#[cfg(test)]
mod coverage;
