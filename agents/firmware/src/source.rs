//! A table or network, a vehicle's settings and a prefix as source text in one of the formats.

use std::fmt::Write as _;

use lowgear_onboard::Settings;
use sha2::{Digest, Sha256};

use super::decider::{Decider, DeciderFault};
use super::prefix::{PrefixError, check_export_prefix};
use super::selftest::SelfTest;
use super::table_features::TableFeatures;
use super::template::Filling;
use super::words::{CAUTIONS, FILE_HASH, UNITS, commented, provenance};
use super::{c, listing, micropython, rust};
use lowgear_agents::table::{LookupTable, hex};

/// Longest line of numbers in a generated file.
pub(super) const LINE_WIDTH: usize = 100;

/// What an exported file is written in.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Format {
    /// A C99 header.
    C,
    /// A Rust module that needs nothing but `core`.
    Rust,
    /// A module for small Python interpreters.
    MicroPython,
    /// The table or network as a list, for people and other tools.
    Csv,
}

impl Format {
    /// Every format.
    pub const ALL: [Format; 4] = [Format::C, Format::Rust, Format::MicroPython, Format::Csv];

    /// Name on the command line.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Format::C => "c",
            Format::Rust => "rust",
            Format::MicroPython => "micropython",
            Format::Csv => "csv",
        }
    }

    /// End of the file's name.
    #[must_use]
    pub const fn extension(self) -> &'static str {
        match self {
            Format::C => "h",
            Format::Rust => "rs",
            Format::MicroPython => "py",
            Format::Csv => "csv",
        }
    }

    /// Name of the exported file; the list is that of a table, see [`Decider::list_name`].
    #[must_use]
    pub fn file_name(self, prefix: &str) -> String {
        if self == Format::Csv { "table.csv".to_owned() } else { format!("{prefix}.{}", self.extension()) }
    }

    /// What a comment line begins with.
    const fn mark(self) -> &'static str {
        match self {
            Format::C => " *",
            Format::Rust => "//!",
            Format::MicroPython | Format::Csv => "#",
        }
    }
}

/// Why no source could be made.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum SourceError {
    /// The prefix is no name.
    #[error(transparent)]
    Prefix(#[from] PrefixError),
    /// The table or network is not sound.
    #[error(transparent)]
    Decider(#[from] DeciderFault),
}

/// The exported file for a table or a network on a vehicle with these settings.
///
/// # Errors
/// [`SourceError`] when the prefix is no name in all the languages.
pub fn source<'a>(
    format: Format,
    decider: impl Into<Decider<'a>>,
    settings: &Settings,
    prefix: &str,
) -> Result<String, SourceError> {
    filled(format, decider.into(), settings, prefix, false)
}

/// The same for a controller next to which the files of [`super::laps_sources`] go.
///
/// # Errors
/// As [`source`].
pub fn source_with_laps<'a>(
    format: Format,
    decider: impl Into<Decider<'a>>,
    settings: &Settings,
    prefix: &str,
) -> Result<String, SourceError> {
    filled(format, decider.into(), settings, prefix, true)
}

pub(super) fn filled(
    format: Format,
    decider: Decider<'_>,
    settings: &Settings,
    prefix: &str,
    laps: bool,
) -> Result<String, SourceError> {
    check_export_prefix(prefix)?;
    let table_features = TableFeatures::of(decider, settings, laps);
    let self_test = SelfTest::of(decider, settings)?;
    let mut filling = Filling { set: table_features.set.clone(), ..Filling::default() };
    let mark = format.mark();
    let mut put = |name, text: String| filling.text.insert(name, text);
    put("PROVENANCE", commented(&provenance(decider, settings), mark));
    put("CAUTIONS", commented(CAUTIONS, mark));
    put("UNITS", commented(UNITS, mark));
    put("FORMAT", decider.format().to_string());
    put("HASH", decider.hash());
    put("RUNS", self_test.runs.len().to_string());
    put("SELF_SUM", self_test.sum.to_string());
    let text = match format {
        Format::C => c::fill(&mut filling, decider, &table_features, &self_test, prefix),
        Format::Rust => rust::fill(&mut filling, decider, settings, &table_features, &self_test, prefix),
        Format::MicroPython => micropython::fill(&mut filling, decider, &table_features, &self_test, prefix),
        Format::Csv => listing::fill(&mut filling, decider, &table_features, prefix),
    };
    Ok(with_checksum(&text))
}

/// `text` with the hash of itself in the line made for it.
fn with_checksum(text: &str) -> String {
    let checksum = checksum(text);
    let end = format!("{FILE_HASH}\n");
    text.replacen(&end, &format!("{FILE_HASH} {checksum}\n"), 1)
}

/// Hash of every line but the one that holds it; the ends of lines do not count.
pub(super) fn checksum(text: &str) -> String {
    let mut digest = Sha256::new();
    let mut found = false;
    for line in text.lines() {
        if !found && comment(line).starts_with(FILE_HASH) {
            found = true;
            continue;
        }
        digest.update(line.trim_end().as_bytes());
        digest.update(b"\n");
    }
    hex(&digest.finalize())
}

/// A line without the mark of a comment.
pub(super) fn comment(line: &str) -> &str {
    line.trim_start_matches([' ', '*', '#', '/', '!']).trim_end()
}

/// Numbers as lines of at most [`LINE_WIDTH`] characters, each behind `indent`.
pub(super) fn numbers(values: impl Iterator<Item = String>, indent: &str, between: &str) -> String {
    let (mut text, mut line) = (String::new(), String::new());
    for value in values {
        if !line.is_empty() && indent.len() + line.len() + value.len() > LINE_WIDTH {
            let _ = writeln!(text, "{indent}{}", line.trim_end());
            line.clear();
        }
        line.push_str(&value);
        line.push_str(between);
    }
    let _ = writeln!(text, "{indent}{}", line.trim_end());
    text
}

/// The marker before the edges: how many each axis has, and what was added to them.
pub(super) fn edges_marker(table: &LookupTable, bias: u16) -> String {
    let counts: Vec<String> = table.axes().iter().map(|axis| axis.edges.len().to_string()).collect();
    format!("data: edges {} plus {bias}", counts.join(" "))
}

/// The marker that names the axes.
pub(super) fn axes_marker(table: &LookupTable) -> String {
    let names: Vec<&str> = table.axes().iter().map(|axis| axis.feature.name()).collect();
    format!("data: axes {}", names.join(" "))
}

/// The marker before the cells.
pub(super) fn cells_marker(table: &LookupTable) -> String {
    format!("data: cells {}", table.cells().len())
}
