//! Policies and learners. This crate knows no file, no clock and no terminal.
#![doc = include_str!("../README.md")]

pub mod contextual;
pub mod discount;
pub mod dqn;
pub mod grid;
pub mod neural;
pub mod policy;
pub mod ppo;
pub mod range;
pub mod reasons;
pub mod rollout;
pub mod rule;
pub mod tabular;
pub mod worlds;
