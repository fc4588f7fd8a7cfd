//! placeholder

pub mod statistics;
pub mod export;
pub mod table;
