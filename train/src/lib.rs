//! Studies: tune, train, compare, report, export. Owns files, terminals and long-running work.

pub mod config;
pub mod progress;
pub mod search;
pub mod store;
