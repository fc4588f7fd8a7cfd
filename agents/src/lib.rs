//! Policies and learners. This crate knows no file, no clock and no terminal.

pub mod policy;
