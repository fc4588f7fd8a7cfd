//! Policies and learners. This crate knows no file, no clock and no terminal.
#![doc = include_str!("../README.md")]

pub mod discount;
pub mod dqn;
pub mod neural;
pub mod policy;
pub mod ppo;
pub mod rule;
pub mod schedule;
pub mod table;
pub mod tabular;

#[cfg(test)]
#[path = "../tests/worlds/mod.rs"]
mod worlds;
