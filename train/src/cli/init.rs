//! `lowgear init`.

use super::replace::Replace;
use crate::error::StudyError;
use crate::store::write_atomically;
use lowgear_env::config::{ConfigError, escaped, load, shown};
use lowgear_sysid::sheet::Sheet;
use std::path::PathBuf;

/// Make a first vehicle file from a data sheet, counted teeth, a ruler and scales.
///
/// Reads a small file with the motor's data sheet, the teeth of each gear, wheel diameter and mass; `lowgear new` writes an example.
/// Writes a vehicle file and lists what it had to assume.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`:\n  lowgear init sheet.toml --out first.toml"
)]
pub(super) struct InitArguments {
    /// Sheet (TOML)
    sheet: PathBuf,
    /// Vehicle file to write
    #[arg(long, value_name = "FILE")]
    out: PathBuf,
    #[command(flatten)]
    replace: Replace,
}

pub(super) fn run(arguments: &InitArguments) -> Result<String, StudyError> {
    arguments.replace.outputs([&arguments.sheet]).check(&arguments.out)?;
    let sheet: Sheet = load(&arguments.sheet)?;
    let wrong = |error| StudyError::Config(ConfigError::value(&arguments.sheet, error));
    let (vehicle, assumed) = sheet.vehicle().map_err(wrong)?;
    let body = toml::to_string(&vehicle)?;
    let mut text = format!("# {}: a first guess from a data sheet. Assumed:\n", escaped(&vehicle.name));
    assumed.lines().for_each(|line| text.push_str(&format!("#   {line}\n")));
    text.push_str(&body);
    write_atomically(&arguments.out, text.as_bytes())?;
    let ratios: Vec<String> = sheet.ratios().iter().map(|r| format!("{r:.2}")).collect();
    let printed_notes: String = assumed.lines().map(|line| format!("  {line}\n")).collect();
    Ok(format!(
        "ratios: {}\nassumed:\n{printed_notes}vehicle: {}\n",
        ratios.join(", "),
        shown(&arguments.out)
    ))
}
