//! Evaluation of policies: suites of courses, the bound, statistics, report, tables and firmware.
#![doc = include_str!("../README.md")]

pub mod bound;
pub mod card;
pub mod distil;
pub mod export;
pub mod gallery;
pub mod gather;
pub mod incidents;
pub mod report;
pub mod robustness;
pub mod statistics;
pub mod suite;
pub mod summary;
pub mod sweep;
pub mod table;
