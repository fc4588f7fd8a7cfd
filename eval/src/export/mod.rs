//! Firmware: the table, the features and the guard as one C header, and the proof that it decides alike.

mod disk;
mod header;
mod proof;
mod sheet;
mod toy;
mod vectors;

pub use disk::write_atomically;
pub use header::{PrefixError, header};
pub use proof::{ExportError, ExportOptions, ProofOutcome, ProofStatus, prove};
pub use sheet::SizeSheet;
pub use vectors::{VectorBudget, Vectors};

#[cfg(test)]
mod tests;
