//! The decision table as a study keeps it: owned, with its origin, and with a file format of its own.

mod changes;
pub mod distil;
mod edge_refinement;
mod file;
pub use changes::Situation;
pub use file::hex;

use std::fmt::Write as _;

use crate::policy::explain::Explain;
use crate::policy::{Mask, Policy};
use lowgear_env::request_name;
use lowgear_onboard::{Axis, Feature, Features, Request, Table, TableError};
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

/// Layout of a table file and of the exported data; rises on any change of meaning.
pub const TABLE_FORMAT: u32 = 4;

/// One axis: a feature and the increasing edges that cut it into bins.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct TableAxis {
    /// What the axis measures.
    pub feature: Feature,
    /// Strictly increasing; a value equal to an edge lies in the upper bin.
    pub edges: Vec<i16>,
}

impl TableAxis {
    /// Number of bins.
    #[must_use]
    pub fn bins(&self) -> usize {
        self.edges.len() + 1
    }

    pub(crate) fn view(&self) -> Axis<'_> {
        Axis { feature: self.feature as u8, edges: &self.edges }
    }
}

/// Where a table comes from.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Provenance {
    /// Name of the study.
    pub study: String,
    /// Name of the vehicle.
    pub vehicle: String,
    /// The policy it imitates.
    pub teacher: String,
    /// Seed of the study.
    pub seed: u64,
    /// Version of the program that made it.
    pub version: String,
}

/// Why a table or its file was refused.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum TableFault {
    /// Not JSON, cut short, or with fields missing.
    #[error("not a whole table file: {0}")]
    Syntax(#[from] serde_json::Error),
    /// Some other file.
    #[error("a file of kind `{0}`, not a decision table")]
    Kind(String),
    /// Written by another version.
    #[error("table format {found}; this version reads {TABLE_FORMAT}")]
    Format {
        /// The number in the file.
        found: u32,
    },
    /// An axis names no known feature.
    #[error("unknown feature `{0}`")]
    Feature(String),
    /// Two axes over one feature.
    #[error("two axes over `{0}`")]
    Repeated(&'static str),
    /// An edge at the lowest value of all cuts nothing off.
    #[error("the lowest edge of `{0}` leaves an empty bin below it")]
    EmptyBin(&'static str),
    /// The cells are not hexadecimal digits.
    #[error("cells are not hexadecimal: at digit {0}")]
    Digits(usize),
    /// Axes and cells do not fit.
    #[error("axes and cells do not fit: {0:?}")]
    Grid(TableError),
    /// The content is not what was written.
    #[error("damaged: content hash {found}, the file claims {claimed}")]
    Hash {
        /// Hash of the content.
        found: String,
        /// Hash in the file.
        claimed: String,
    },
}

/// A decision table that owns its data. Construction checks it, so every value can be decided with.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct LookupTable {
    axes: Vec<TableAxis>,
    cells: Vec<u8>,
    provenance: Provenance,
}

impl LookupTable {
    /// A table from packed cells, two bits each, the last axis varying fastest.
    ///
    /// # Errors
    /// [`TableFault`] says what does not fit.
    pub fn new(
        axes: Vec<TableAxis>,
        cells: Vec<u8>,
        provenance: Provenance,
    ) -> Result<LookupTable, TableFault> {
        for (i, axis) in axes.iter().enumerate() {
            if axes[..i].iter().any(|other| other.feature == axis.feature) {
                return Err(TableFault::Repeated(axis.feature.name()));
            }
            if axis.edges.first() == Some(&i16::MIN) {
                return Err(TableFault::EmptyBin(axis.feature.name()));
            }
        }
        let views: Vec<Axis> = axes.iter().map(TableAxis::view).collect();
        Table::new(&views, &cells).map_err(TableFault::Grid)?;
        Ok(LookupTable { axes, cells, provenance })
    }

    /// A table from one request per cell.
    ///
    /// # Errors
    /// As [`LookupTable::new`].
    pub fn from_requests(
        axes: Vec<TableAxis>,
        requests: &[Request],
        provenance: Provenance,
    ) -> Result<LookupTable, TableFault> {
        let mut cells = vec![0u8; requests.len().div_ceil(4)];
        for (i, &request) in requests.iter().enumerate() {
            cells[i / 4] |= (request as u8) << (2 * (i % 4));
        }
        LookupTable::new(axes, cells, provenance)
    }

    /// The axes.
    #[must_use]
    pub fn axes(&self) -> &[TableAxis] {
        &self.axes
    }

    /// The packed cells.
    #[must_use]
    pub fn cells(&self) -> &[u8] {
        &self.cells
    }

    /// Where the table comes from.
    #[must_use]
    pub fn provenance(&self) -> &Provenance {
        &self.provenance
    }

    /// Number of cells.
    #[must_use]
    pub fn count(&self) -> usize {
        self.axes.iter().map(TableAxis::bins).product()
    }

    /// Bytes of program memory for cells, edges and axes.
    #[must_use]
    pub fn bytes(&self) -> usize {
        let edges: usize = self.axes.iter().map(|axis| axis.edges.len()).sum();
        self.cells.len() + 2 * edges + 3 * self.axes.len()
    }

    /// Index of the cell that `features` lie in.
    #[must_use]
    pub fn cell(&self, features: &Features) -> usize {
        self.axes.iter().fold(0, |cell, axis| {
            let view = axis.view();
            cell * view.bins() + view.bin(features.get(axis.feature))
        })
    }

    /// The decision in a cell; [`Request::Hold`] beyond the last one.
    #[must_use]
    pub fn request(&self, cell: usize) -> Request {
        let byte = self.cells.get(cell / 4).copied().unwrap_or(0b0101_0101);
        Request::from_code((byte >> (2 * (cell % 4))) & 3)
    }

    /// The decision at `features`.
    #[must_use]
    pub fn decide(&self, features: &Features) -> Request {
        self.request(self.cell(features))
    }

    /// Lends the table in the form that runs on the vehicle.
    ///
    /// # Errors
    /// Never for a table that was built by this type; the check is the onboard crate's own.
    pub fn with_onboard<R>(&self, use_table: impl FnOnce(&Table<'_>) -> R) -> Result<R, TableFault> {
        let views: Vec<Axis> = self.axes.iter().map(TableAxis::view).collect();
        let table = Table::new(&views, &self.cells).map_err(TableFault::Grid)?;
        Ok(use_table(&table))
    }

    /// The bin of every axis that cell number `cell` lies in.
    #[must_use]
    pub fn bins_of(&self, cell: usize) -> Vec<usize> {
        let mut rest = cell;
        let mut bins: Vec<usize> = self
            .axes
            .iter()
            .rev()
            .map(|axis| {
                let bin = rest % axis.bins();
                rest /= axis.bins();
                bin
            })
            .collect();
        bins.reverse();
        bins
    }

    /// SHA-256 over axes and cells, as hexadecimal digits.
    #[must_use]
    pub fn hash(&self) -> String {
        let mut digest = Sha256::new();
        for axis in &self.axes {
            digest.update([axis.feature as u8]);
            digest.update((axis.edges.len() as u32).to_le_bytes());
            for edge in &axis.edges {
                digest.update(edge.to_le_bytes());
            }
        }
        digest.update(&self.cells);
        file::hex(&digest.finalize())
    }

    /// The table for people: one line a cell, with the bounds of every bin (empty: open) and the decision.
    #[must_use]
    pub fn to_csv(&self) -> String {
        let mut text = String::from("cell");
        for axis in &self.axes {
            let name = axis.feature.name();
            let _ = write!(text, ",{name}-from,{name}-below");
        }
        text.push_str(",decision\n");
        for cell in 0..self.count() {
            let _ = write!(text, "{cell}");
            for (axis, bin) in self.axes.iter().zip(self.bins_of(cell)) {
                let from = bin.checked_sub(1).and_then(|i| axis.edges.get(i)).map(ToString::to_string);
                let below = axis.edges.get(bin).map(ToString::to_string);
                let _ = write!(text, ",{},{}", from.unwrap_or_default(), below.unwrap_or_default());
            }
            let _ = writeln!(text, ",{}", request_name(self.request(cell)));
        }
        text
    }
}

/// A table as a policy. What the guard would refuse anyway is answered with [`Request::Hold`].
#[derive(Clone, Debug)]
pub struct TablePolicy {
    table: LookupTable,
}

impl TablePolicy {
    /// Decides with `table`.
    #[must_use]
    pub fn new(table: LookupTable) -> TablePolicy {
        TablePolicy { table }
    }

    /// The table.
    #[must_use]
    pub fn table(&self) -> &LookupTable {
        &self.table
    }
}

impl Policy for TablePolicy {
    fn reset(&mut self) {}

    fn decide(&mut self, features: &Features, mask: Mask) -> Request {
        let request = self.table.decide(features);
        if mask.allows(request as usize) { request } else { Request::Hold }
    }
}

impl Explain for TablePolicy {
    fn explain(&mut self, features: &Features, _: Mask) -> Vec<String> {
        let cell = self.table.cell(features);
        let axes = self.table.axes.iter().zip(self.table.bins_of(cell)).map(|(axis, bin)| {
            let bound = |i: Option<usize>, open: &str| {
                i.and_then(|i| axis.edges.get(i)).map_or(open.to_owned(), ToString::to_string)
            };
            let (from, below) = (bound(bin.checked_sub(1), "the lowest"), bound(Some(bin), "the highest"));
            let name = axis.feature.name();
            format!("{name} {}: bin {bin}, from {from} up to {below}", features.get(axis.feature))
        });
        axes.chain([format!("cell {cell} says {}", request_name(self.table.request(cell)))]).collect()
    }
}

#[cfg(test)]
mod tests;
