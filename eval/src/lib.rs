//! Evaluation of policies: suites of courses, the bound, statistics, comparison, sweeps and the replay of logs. Never
//! learns, never draws.
#![cfg_attr(doc, doc = include_str!("../README.md"))]

pub mod aggregate;
pub mod bound;
pub mod figures;
pub mod fitted;
pub mod incidents;
pub mod laps;
pub mod monitor;
mod policy_id;
pub mod replay;
pub mod robustness;
pub mod sensors;
pub mod statistics;
pub mod suite;
pub mod summary;
pub mod sweep;
pub mod trial;

pub use policy_id::PolicyId;

// So that examples for tests can be included by the report as they are.
#[cfg(test)]
extern crate self as lowgear_eval;
