//! `lowgear export`.

use super::policy;
use crate::config::check_prefix;
use crate::error::StudyError;
use crate::saved::SavedPolicy;
use crate::study::{distil_policy, prove_table, read_inputs, verdict};
use lowgear_env::config::KeyError;
use lowgear_eval::export::{ExportOptions, Format};
use lowgear_eval::table::LookupTable;
use std::path::PathBuf;

/// Export a saved policy as a table for firmware, with its proof.
///
/// Reads a study file (vehicle, guard, training courses) and a saved policy. A policy that is not a table yet
/// is distilled first, on training courses; that takes up to a minute. Writes the controller in the formats
/// asked for, a size sheet and notes; beside the C header also a harness and test vectors, which it compiles
/// and checks when there is a C compiler.
#[derive(clap::Args)]
pub(super) struct ExportArguments {
    /// Study file (TOML)
    study: PathBuf,
    /// Saved policy: a policy.json, its folder, an exported file, or the word hand-rule
    #[arg(long, value_name = "POLICY")]
    policy: String,
    /// Folder for the exported files
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Prefix of the exported names [default: the study's]
    #[arg(long, value_name = "NAME")]
    prefix: Option<String>,
    /// What to write
    #[arg(long, value_name = "FORMAT", value_enum, default_value_t = Wanted::All)]
    format: Wanted,
    /// Most bytes of a table that is distilled [default: the study's]
    #[arg(long, value_name = "N", value_parser = clap::value_parser!(u32).range(16..=1_048_576))]
    bytes: Option<u32>,
}

/// The formats by name.
#[derive(Clone, Copy, Debug, PartialEq, Eq, clap::ValueEnum)]
enum Wanted {
    /// A C99 header, with harness and test vectors
    C,
    /// A Rust module that needs nothing but `core`
    Rust,
    /// A module for small Python interpreters
    Micropython,
    /// The table as a list
    Csv,
    /// All of them
    All,
}

impl Wanted {
    fn formats(self) -> Vec<Format> {
        match self {
            Wanted::C => vec![Format::C],
            Wanted::Rust => vec![Format::Rust],
            Wanted::Micropython => vec![Format::MicroPython],
            Wanted::Csv => vec![Format::Csv],
            Wanted::All => Format::ALL.to_vec(),
        }
    }
}

pub(super) fn run(arguments: &ExportArguments) -> Result<String, StudyError> {
    if let Some(prefix) = &arguments.prefix {
        check_prefix(prefix).map_err(|e| KeyError { key: format!("--{}", e.key), ..e })?;
    }
    let mut inputs = read_inputs(&arguments.study, false)?;
    if let Some(bytes) = arguments.bytes {
        inputs.study.table.bytes = bytes as usize;
    }
    let (file, player) = policy(&inputs, &arguments.policy)?;
    let table = match &file.policy {
        SavedPolicy::Table(text) => LookupTable::from_json(text).map_err(StudyError::step("table"))?,
        _ => {
            distil_policy(&inputs, &file.name, &player, &inputs.study.rule, inputs.scenario.seed)?.round.table
        }
    };
    let prefix = arguments.prefix.clone().unwrap_or_else(|| inputs.study.table.prefix.clone());
    let options = ExportOptions { prefix, formats: arguments.format.formats(), ..ExportOptions::default() };
    let proof = prove_table(&table, &inputs.scenario.settings, &options, &arguments.out)?;
    Ok(format!("{}{}\n", proof.size.text(), verdict(&proof)))
}
