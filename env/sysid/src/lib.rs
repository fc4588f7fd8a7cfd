//! System identification: logs of a real vehicle, and the vehicle file fitted to them. This crate knows no policy, no
//! terminal, and draws nothing.
//!
//! Start reading at [`log::LogReader`] (a log, row by row), then [`runs`] (which stretches tell what) and
//! [`fit`] (the simulator's parameters from them).
#![cfg_attr(doc, doc = include_str!("../README.md"))]

pub mod fit;
pub mod heat;
pub mod log;
pub mod past;
pub mod plausibility;
pub mod plot;
pub mod recording;
pub mod runs;
pub mod sheet;
pub mod validate;
