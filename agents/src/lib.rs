//! Policies and learners. This crate knows no file, no clock and no terminal.
#![cfg_attr(doc, doc = include_str!("../README.md"))]

pub mod discount;
pub mod dqn;
pub mod integer_network;
pub mod neural;
pub mod policy;
pub mod ppo;
pub mod rule;
pub mod schedule;
pub mod table;
pub mod tabular;

// Check worlds name this crate as the benchmarks do, which include them too.
#[cfg(test)]
extern crate self as lowgear_agents;

#[cfg(test)]
#[path = "../tests/worlds/mod.rs"]
mod worlds;
