//! What a study is given, and the folder that it leaves.

use super::Options;
use crate::config::StudyConfig;
use crate::error::StudyError;
use crate::store::{StoreError, create_folder, write_atomically};
use lowgear_env::config::{ConfigError, load};
use lowgear_env::terrain::{Course, CourseConfig};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Scenario, Seed, load_course};
use serde::Serialize;
use std::path::{Path, PathBuf};

/// What a study is given.
pub struct Inputs {
    /// The study, `--quick` applied.
    pub study: StudyConfig,
    /// Whether `--quick` was.
    pub quick: bool,
    /// Factor on every budget, as `--effort` gave it.
    pub effort: Option<f64>,
    /// Hours that tuning and training may take, as `--hours` gave them.
    pub hours: Option<f64>,
    /// Vehicle, course and episode together.
    pub scenario: Scenario,
    /// As it was typed.
    pub file: PathBuf,
}

/// Reads a study file and the files that it names.
///
/// # Errors
/// [`StudyError`] naming file, line, key and what is allowed.
pub fn read_inputs(file: &Path, quick: bool) -> Result<Inputs, StudyError> {
    read_inputs_for(file, &Options { quick, ..Options::default() })
}

/// The same, with all that the options change.
pub(super) fn read_inputs_for(file: &Path, options: &Options) -> Result<Inputs, StudyError> {
    let Options { quick, effort, hours, .. } = *options;
    let study: StudyConfig = load(file)?;
    let study = if quick { study.quickened() } else { study };
    let study = if let Some(factor) = effort { study.with_effort(factor) } else { study };
    let beside = file.parent().unwrap_or(Path::new("."));
    let vehicle: VehicleConfig = load(&beside.join(&study.vehicle))?;
    let course: (CourseConfig, Option<Course>) = load_course(&beside.join(&study.course))?;
    let gears = vehicle.gearbox.total_ratio.len();
    study.check_gears(gears).map_err(|error| ConfigError::value(file, error))?;
    let scenario = Scenario::new(vehicle, course, study.episode, Seed(study.seed));
    Ok(Inputs { study, quick, effort, hours, scenario, file: file.to_owned() })
}

/// The folder of a run.
pub struct RunFolder {
    /// Where it is.
    pub path: PathBuf,
}

/// The study file that a run folder keeps.
const STUDY_FILE: &str = "study.toml";

impl RunFolder {
    /// Creates the folder, or opens it again with `--resume`.
    ///
    /// # Errors
    /// [`StudyError::FolderExists`], [`StudyError::OtherStudy`], or the system's refusal.
    pub fn open(inputs: &Inputs, options: &Options) -> Result<RunFolder, StudyError> {
        let path = options.out.clone().unwrap_or_else(|| Path::new("runs").join(&inputs.study.name));
        let study_file = path.join(STUDY_FILE);
        let text = resolved(inputs, &study_file)?;
        if options.resume && study_file.exists() {
            let kept = std::fs::read_to_string(&study_file).map_err(StoreError::io(&study_file))?;
            if kept != text {
                return Err(StudyError::OtherStudy { file: study_file });
            }
            return Ok(RunFolder { path });
        }
        if path.exists() && !is_free(&path)? {
            let folder = path;
            return Err(if options.resume && !study_file.exists() {
                StudyError::NoStudy { folder }
            } else {
                StudyError::FolderExists { folder }
            });
        }
        create_folder(&path)?;
        write_atomically(&study_file, text.as_bytes())?;
        Ok(RunFolder { path })
    }

    /// A file in the folder.
    #[must_use]
    pub fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }
}

/// Whether a folder holds nothing but what a run left that was ended before it had begun.
fn is_free(folder: &Path) -> Result<bool, StoreError> {
    for entry in std::fs::read_dir(folder).map_err(StoreError::io(folder))? {
        let name = entry.map_err(StoreError::io(folder))?.file_name();
        if name.to_string_lossy() != format!("{STUDY_FILE}.partial") {
            return Ok(false);
        }
    }
    Ok(true)
}

#[derive(Serialize)]
struct Resolved<'a> {
    version: &'static str,
    quick: bool,
    /// Applied to the budgets below already.
    #[serde(skip_serializing_if = "Option::is_none")]
    effort: Option<f64>,
    #[serde(skip_serializing_if = "Option::is_none")]
    hours: Option<f64>,
    study: &'a StudyConfig,
    vehicle: &'a VehicleConfig,
    course: &'a CourseConfig,
}

/// Everything that was read, with every default filled in.
fn resolved(inputs: &Inputs, file: &Path) -> Result<String, StudyError> {
    let all = Resolved {
        version: env!("CARGO_PKG_VERSION"),
        quick: inputs.quick,
        effort: inputs.effort,
        hours: inputs.hours,
        study: &inputs.study,
        vehicle: &inputs.scenario.vehicle,
        course: &inputs.scenario.course,
    };
    let text = toml::to_string_pretty(&all)
        .map_err(|e| StoreError::Content { file: file.to_owned(), problem: e.to_string() })?;
    Ok(format!("# Everything that this run was given, with every default filled in.\n{text}"))
}
