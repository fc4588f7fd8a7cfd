//! Policies and learners. This crate knows no file, no clock and no terminal.

pub mod contextual;
pub mod dqn;
pub mod grid;
pub mod policy;
pub mod range;
pub mod rule;
pub mod tabular;
pub mod worlds;
