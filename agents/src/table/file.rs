//! The table file: JSON with a format number and a content hash.

use std::fmt::Write as _;

use lowgear_onboard::Feature;
use serde::{Deserialize, Serialize};

use super::{LookupTable, Provenance, TABLE_FORMAT, TableAxis, TableFault};

const KIND: &str = "lowgear-table";

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct AxisRecord {
    feature: String,
    edges: Vec<i16>,
}

#[derive(Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct FileRecord {
    kind: String,
    format: u32,
    provenance: Provenance,
    axes: Vec<AxisRecord>,
    cells: String,
    hash: String,
}

/// Read first, so that a foreign or newer file is named as such.
#[derive(Deserialize)]
struct Head {
    #[serde(default)]
    kind: String,
    #[serde(default)]
    format: u32,
}

impl LookupTable {
    /// The table as a JSON text.
    ///
    /// # Errors
    /// [`TableFault::Syntax`] when a text cannot be written as JSON.
    pub fn to_json(&self) -> Result<String, TableFault> {
        let record = FileRecord {
            kind: KIND.to_owned(),
            format: TABLE_FORMAT,
            provenance: self.provenance.clone(),
            axes: self
                .axes
                .iter()
                .map(|axis| AxisRecord { feature: axis.feature.name().to_owned(), edges: axis.edges.clone() })
                .collect(),
            cells: hex(&self.cells),
            hash: self.hash(),
        };
        Ok(serde_json::to_string_pretty(&record)? + "\n")
    }

    /// Reads what [`LookupTable::to_json`] wrote.
    ///
    /// # Errors
    /// [`TableFault`] for anything cut short, foreign, newer or damaged.
    pub fn from_json(text: &str) -> Result<LookupTable, TableFault> {
        let head: Head = serde_json::from_str(text)?;
        if head.kind != KIND {
            return Err(TableFault::Kind(head.kind));
        }
        if head.format != TABLE_FORMAT {
            return Err(TableFault::Format { found: head.format });
        }
        let record: FileRecord = serde_json::from_str(text)?;
        let axes = record.axes.into_iter().map(read_axis).collect::<Result<Vec<_>, _>>()?;
        let table = LookupTable::new(axes, unhex(&record.cells)?, record.provenance)?;
        let found = table.hash();
        if found == record.hash { Ok(table) } else { Err(TableFault::Hash { found, claimed: record.hash }) }
    }
}

fn read_axis(record: AxisRecord) -> Result<TableAxis, TableFault> {
    let feature = Feature::ALL.into_iter().find(|feature| feature.name() == record.feature);
    feature
        .map(|feature| TableAxis { feature, edges: record.edges })
        .ok_or(TableFault::Feature(record.feature))
}

/// Bytes as hexadecimal digits, two for each.
#[must_use]
pub fn hex(bytes: &[u8]) -> String {
    let mut text = String::with_capacity(2 * bytes.len());
    for byte in bytes {
        let _ = write!(text, "{byte:02x}");
    }
    text
}

fn unhex(text: &str) -> Result<Vec<u8>, TableFault> {
    if !text.len().is_multiple_of(2) {
        return Err(TableFault::Digits(text.len()));
    }
    let digit = |i: usize, c: u8| match (c as char).to_digit(16) {
        Some(value) => Ok(value as u8),
        None => Err(TableFault::Digits(i)),
    };
    let pairs = text.as_bytes().chunks_exact(2).enumerate();
    pairs.map(|(i, pair)| Ok(digit(2 * i, pair[0])? << 4 | digit(2 * i + 1, pair[1])?)).collect()
}
