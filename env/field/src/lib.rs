//! From the field and back: logs of a real vehicle, the vehicle file fitted to them, and policies replayed over
//! them. This crate knows no policy and no terminal.
//!
//! Start reading at [`log::LogReader`] (a log, row by row), then [`runs`] (which stretches tell what) and
//! [`fit`] (the simulator's parameters from them).
#![doc = include_str!("../README.md")]

pub mod doubts;
pub mod fit;
pub mod gap;
pub mod log;
pub mod picture;
pub mod plain;
pub mod recipes;
pub mod replay;
pub mod runs;
pub mod sheet;
