//! `lowgear check`.

use crate::error::StudyError;
use crate::study::read_inputs;
use lowgear_env::config::load;
use lowgear_env::load_course;
use lowgear_env::vehicle::VehicleConfig;
use std::path::PathBuf;

/// Check a study, vehicle or course file without running anything.
///
/// Reads the file and whatever it names, writes nothing, takes no time. Says what is wrong with file, line,
/// key and allowed range.
#[derive(clap::Args)]
pub(super) struct CheckArguments {
    /// Study, vehicle or course file (TOML)
    file: PathBuf,
}

pub(super) fn run(arguments: &CheckArguments) -> Result<String, StudyError> {
    let file = &arguments.file;
    // Which kind of file it is shows in its tables; what cannot be read is reported as a study would be.
    let text = std::fs::read_to_string(file).unwrap_or_default();
    let has = |header: &str| text.lines().any(|line| line.trim().starts_with(header));
    let found = if has("[chassis") || has("[gearbox") {
        let vehicle: VehicleConfig = load(file)?;
        format!("vehicle \"{}\", {} gears", vehicle.name, vehicle.gearbox.total_ratio.len())
    } else if has("[[surfaces") || has("surfaces") {
        let (course, _) = load_course(file)?;
        format!("course \"{}\", {} surfaces", course.name, course.surfaces.len())
    } else {
        let inputs = read_inputs(file, false)?;
        format!(
            "study \"{}\": vehicle \"{}\", course \"{}\", {} training seeds",
            inputs.study.name,
            inputs.scenario.vehicle.name,
            inputs.scenario.course.name,
            inputs.study.training_seeds
        )
    };
    Ok(format!("{}: in order ({found})\n", file.display()))
}
