//! Studies: tune, train, compare, report, export. Owns files, terminals and long-running work.
#![cfg_attr(doc, doc = include_str!("../README.md"))]

pub mod checkpoint;
pub mod cli;
pub mod config;
pub mod damage_limit;
mod effort;
mod error;
mod event_file;
pub mod exported;
pub mod field;
pub mod halving;
pub mod jobs;
pub mod lock;
pub mod outputs;
pub mod progress;
mod progress_page;
pub mod resolved;
pub mod route;
pub mod schema;
pub mod search;
pub mod sensors;
pub mod starter;
pub mod stop;
pub mod store;
pub mod study;
pub mod sweep;
pub mod terminal;
pub mod timing;

pub use error::{LearnerError, PolicyError, SlurmError, StudyError};
