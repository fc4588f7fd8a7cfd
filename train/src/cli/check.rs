//! `lowgear check`.

use crate::error::StudyError;
use crate::resolved::resolved;
use crate::schema::FileKind;
use crate::study::read_inputs;
use crate::sweep::Sweep;
use lowgear_env::config::{ConfigError, load};
use lowgear_env::load_course;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_field::log::Mapping;
use lowgear_field::sheet::Sheet;
use std::path::{Path, PathBuf};

/// Check a study, vehicle, course, sweep, sheet or mapping file without running anything.
///
/// Reads the file and whatever it names; takes no time and writes no file. Says what is wrong with file, line,
/// key and allowed range. With --resolved it writes the file to standard output as it was understood: every
/// key with its meaning, unit and value, defaults filled in. With --schema it reads nothing and writes the JSON
/// schema of a kind of file, which editors complete and check keys with.
#[derive(clap::Args)]
pub(super) struct CheckArguments {
    /// Study, vehicle, course, sweep, sheet or mapping file (TOML)
    #[arg(required_unless_present = "schema")]
    file: Option<PathBuf>,
    /// Write the file with every default filled in and every key explained
    #[arg(long)]
    resolved: bool,
    /// Write the JSON schema of a kind of file
    #[arg(long, value_name = "KIND", conflicts_with_all = ["file", "resolved"])]
    schema: Option<FileKind>,
}

pub(super) fn run(arguments: &CheckArguments) -> Result<String, StudyError> {
    match (&arguments.file, arguments.schema) {
        (Some(file), _) => check(file, arguments.resolved),
        (None, kind) => Ok(kind.map(FileKind::schema_text).unwrap_or_default()),
    }
}

fn check(file: &Path, whole: bool) -> Result<String, StudyError> {
    // What cannot be read is reported as a study would be.
    let kind = FileKind::of(&std::fs::read_to_string(file).unwrap_or_default());
    let (found, text) = match kind {
        FileKind::Vehicle => {
            let vehicle: VehicleConfig = load(file)?;
            let gears = vehicle.gearbox.total_ratio.len();
            (format!("vehicle \"{}\", {gears} gears", vehicle.name), resolved(kind, &vehicle)?)
        }
        FileKind::Course => {
            let (course, _) = load_course(file)?;
            let surfaces = course.surfaces.len();
            (format!("course \"{}\", {surfaces} surfaces", course.name), resolved(kind, &course)?)
        }
        FileKind::Study => {
            let inputs = read_inputs(file, false)?;
            let found = format!(
                "study \"{}\": vehicle \"{}\", course \"{}\", {} training seeds",
                inputs.study.name,
                inputs.scenario.vehicle.name,
                inputs.scenario.course.name,
                inputs.study.training_seeds
            );
            (found, resolved(kind, &inputs.study)?)
        }
        FileKind::Sweep => {
            let sweep = Sweep::read(file)?;
            let (name, axes) = (&sweep.config.name, sweep.config.axes.len());
            let found = format!("sweep \"{name}\": {axes} axes, {} jobs", sweep.jobs());
            (found, resolved(kind, &sweep.config)?)
        }
        FileKind::Sheet => {
            let sheet: Sheet = load(file)?;
            // The figures must make a vehicle, too.
            let (vehicle, _) =
                sheet.vehicle().map_err(|e| StudyError::Config(ConfigError::value(file, e)))?;
            let gears = vehicle.gearbox.total_ratio.len();
            (format!("sheet \"{}\", {gears} gears", sheet.name), resolved(kind, &sheet)?)
        }
        FileKind::Mapping => {
            let mapping: Mapping = load(file)?;
            (format!("mapping of {} columns", mapping.columns.len()), resolved(kind, &mapping)?)
        }
    };
    Ok(if whole { text } else { format!("{}: in order ({found})\n", file.display()) })
}
