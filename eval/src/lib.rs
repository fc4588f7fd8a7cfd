//! placeholder

pub mod bound;
pub mod report;
pub mod statistics;
pub mod suite;
pub mod summary;
pub mod distil;
pub mod export;
pub mod table;
