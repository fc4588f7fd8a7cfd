//! `lowgear export`.

use super::policy;
use crate::config::check_prefix;
use crate::error::StudyError;
use crate::saved::SavedPolicy;
use crate::study::{distil_policy, prove_table, read_inputs, verdict};
use lowgear_env::config::KeyError;
use lowgear_eval::export::ExportOptions;
use lowgear_eval::table::LookupTable;
use std::path::PathBuf;

/// Export a saved policy as a C99 table with its proof.
///
/// Reads a study file (vehicle, guard, training courses) and a saved policy. A policy that is not a table yet
/// is distilled first, on training courses; that takes up to a minute. Writes the header, a harness, test
/// vectors, the table as CSV, a size sheet and notes; compiles and checks them when there is a C compiler.
#[derive(clap::Args)]
pub(super) struct ExportArguments {
    /// Study file (TOML)
    study: PathBuf,
    /// Saved policy: a policy.json, its folder, or the word hand-rule
    #[arg(long, value_name = "POLICY")]
    policy: String,
    /// Folder for the exported files
    #[arg(long, value_name = "DIR")]
    out: PathBuf,
    /// Prefix of the exported names [default: the study's]
    #[arg(long, value_name = "NAME")]
    prefix: Option<String>,
}

pub(super) fn run(arguments: &ExportArguments) -> Result<String, StudyError> {
    if let Some(prefix) = &arguments.prefix {
        check_prefix(prefix).map_err(|e| KeyError { key: format!("--{}", e.key), ..e })?;
    }
    let inputs = read_inputs(&arguments.study, false)?;
    let (file, player) = policy(&inputs, &arguments.policy)?;
    let table = match &file.policy {
        SavedPolicy::Table(text) => LookupTable::from_json(text).map_err(StudyError::step("table"))?,
        _ => {
            distil_policy(&inputs, &file.name, &player, &inputs.study.rule, inputs.scenario.seed)?.round.table
        }
    };
    let prefix = arguments.prefix.clone().unwrap_or_else(|| inputs.study.table.prefix.clone());
    let options = ExportOptions { prefix, ..ExportOptions::default() };
    let proof = prove_table(&table, &inputs.scenario.settings, &options, &arguments.out)?;
    Ok(format!("{}{}\n", proof.size.text(), verdict(&proof)))
}
