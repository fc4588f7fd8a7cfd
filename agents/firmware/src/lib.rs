//! Firmware: the table or network, the features and the guard in several languages, and the proof that they decide alike.
#![cfg_attr(doc, doc = include_str!("../README.md"))]

mod bounded;
mod c;
mod compiler;
mod cost;
mod decider;
mod disk;
mod laps;
mod listing;
mod micropython;
mod network;
mod prefix;
mod proof;
mod read;
mod recorder;
mod reserved;
mod rust;
mod scratch;
mod selftest;
mod sheet;
mod source;
mod specification;
mod stale;
mod table_features;
mod template;
mod toy;
mod trial;
mod vectors;
mod words;

pub use cost::{Target, TargetCost};
pub use decider::{Decider, DeciderFault, MOST_FLASH_BYTES, MOST_INSTRUCTIONS, MOST_RAM_BYTES};
pub use disk::write_atomically;
pub use laps::{laps_file_names, laps_sources};
pub use prefix::{PrefixError, check_export_prefix};
pub use proof::{ExportError, ExportOptions, NoProof, ProofOutcome, ProofStatus, prove};
pub use read::{Exported, ExportedPolicy, ReadError, read_export};
pub use recorder::{AGAINST, recorder_file_name, recorder_source};
pub use sheet::{NetworkSize, SizeSheet};
pub use source::{Format, SourceError, source, source_with_laps};
pub use table_features::settings_hash;
pub use trial::trial_sources;
pub use vectors::{VectorBudget, Vectors};

#[cfg(test)]
mod tests;
#[cfg(all(test, unix))]
mod unproven;
