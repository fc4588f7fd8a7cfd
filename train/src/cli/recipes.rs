//! `lowgear recipes`.

use super::replace::Replace;
use crate::error::StudyError;
use crate::store::write_atomically;
use lowgear_env::config::{load, shown};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_report::recipes::{sheet_html, sheet_text};
use std::path::PathBuf;

/// Print the sheet of short runs that tell what a vehicle file needs.
///
/// Reads a vehicle file for its gears, motor and weight. Writes the sheet as plain text to standard output, or with --out as a
/// page to print (HTML): what to drive, for how long, what to write into the log, and the cautions.
#[derive(clap::Args)]
#[command(
    after_help = "Example, in a folder made by `lowgear new`:\n  lowgear recipes vehicle.toml --out runs-to-log.html"
)]
pub(super) struct RecipesArguments {
    /// Vehicle file (TOML)
    vehicle: PathBuf,
    /// Page to write (HTML)
    #[arg(long, value_name = "FILE")]
    out: Option<PathBuf>,
    #[command(flatten)]
    replace: Replace,
}

pub(super) fn run(arguments: &RecipesArguments) -> Result<String, StudyError> {
    let vehicle: VehicleConfig = load(&arguments.vehicle)?;
    match &arguments.out {
        Some(file) => {
            arguments.replace.outputs([&arguments.vehicle]).check(file)?;
            write_atomically(file, sheet_html(&vehicle).as_bytes())?;
            Ok(format!("sheet: {}\n", shown(file)))
        }
        None => Ok(sheet_text(&vehicle)),
    }
}
