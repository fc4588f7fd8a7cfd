//! What a study is given, and the folder that it leaves.

use super::Options;
use super::given::{Given, differences, digest};
use crate::config::{Contender, StudyConfig};
use crate::error::StudyError;
use crate::halving::{Found, chosen};
use crate::lock::{FolderLock, LOCK_FILE};
use crate::outputs::STUDY_MARK;
use crate::store::{StoreError, write_atomically};
use lowgear_env::config::{ConfigError, KeyError, load};
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
    /// Whether settings are searched for.
    pub search: bool,
    /// Vehicle, course and episode together.
    pub scenario: Scenario,
    /// As it was typed.
    pub file: PathBuf,
    /// The files that it was read from.
    pub given: Given,
    /// What was typed, where it was not `lowgear study` and that file.
    pub command: Option<String>,
}

/// Reads a study file and the files that it names.
///
/// # Errors
/// [`StudyError`] naming file, line, key and what is allowed.
pub fn read_inputs(file: &Path, quick: bool) -> Result<Inputs, StudyError> {
    read_whole(file, &Options { quick, ..Options::default() })
}

/// The same, with all that the options change, and without the ranges of a search that is not asked for.
pub(super) fn read_inputs_for(file: &Path, options: &Options) -> Result<Inputs, StudyError> {
    let mut inputs = read_whole(file, options)?;
    if options.search && inputs.study.search.is_none() {
        let allowed = "with a study file that has a table [search] with budget and ranges";
        return Err(KeyError::new("--search", "given", allowed).into());
    }
    if !options.search {
        inputs.study.search = None;
    }
    Ok(inputs)
}

fn read_whole(file: &Path, options: &Options) -> Result<Inputs, StudyError> {
    let Options { quick, effort, hours, search, .. } = *options;
    let study: StudyConfig = load(file)?;
    let study = if quick { study.quickened() } else { study };
    let study = if let Some(factor) = effort { study.with_effort(factor) } else { study };
    let beside = file.parent().unwrap_or(Path::new("."));
    let (vehicle_file, course_file) = (beside.join(&study.vehicle), beside.join(&study.course));
    let vehicle: VehicleConfig = load(&vehicle_file)?;
    let course: (CourseConfig, Option<Course>) = load_course(&course_file)?;
    let given = Given::new([file, &vehicle_file, &course_file], &course.0)?;
    let gears = vehicle.gearbox.total_ratio.len();
    let study = study.for_gears(gears);
    study.check_gears(gears).map_err(|error| ConfigError::value(file, error))?;
    let scenario = Scenario::new(vehicle, course, study.episode, Seed(study.seed));
    Ok(Inputs { study, quick, effort, hours, search, scenario, file: file.to_owned(), given, command: None })
}

/// The folder of a run.
pub struct RunFolder {
    /// Where it is.
    pub path: PathBuf,
    /// SHA-256 of everything that the study was given.
    pub digest: String,
    _lock: FolderLock,
}

/// The study file that a run folder keeps.
const STUDY_FILE: &str = "study.toml";

impl RunFolder {
    /// Creates the folder, or opens it again with `--resume`.
    ///
    /// # Errors
    /// [`StudyError::FolderExists`], [`StudyError::NoFolder`], [`StudyError::OtherStudy`], or the system's refusal.
    pub fn open(inputs: &Inputs, options: &Options) -> Result<RunFolder, StudyError> {
        let path = options.out.clone().unwrap_or_else(|| Path::new("runs").join(&inputs.study.name));
        let study_file = path.join(STUDY_FILE);
        let text = resolved(inputs, &inputs.study, &study_file)?;
        let digest = digest(text.as_bytes());
        if options.resume && !path.exists() {
            return Err(StudyError::NoFolder { folder: path });
        }
        let lock = FolderLock::take(&path)?;
        if options.resume && study_file.exists() {
            let kept = std::fs::read_to_string(&study_file).map_err(StoreError::io(&study_file))?;
            if kept != text && !is_found_there(inputs, &path, &kept)? {
                let changed = differences(&kept, &text);
                return Err(StudyError::OtherStudy { file: study_file, changed });
            }
            return Ok(RunFolder { path, digest, _lock: lock });
        }
        if !is_free(&path)? {
            let folder = path;
            return Err(if options.resume && !study_file.exists() {
                StudyError::NoStudy { folder }
            } else {
                StudyError::FolderExists { folder }
            });
        }
        write_atomically(&study_file, text.as_bytes())?;
        Ok(RunFolder { path, digest, _lock: lock })
    }

    /// How the study that a run folder keeps differs from the one given; none where there is none yet.
    ///
    /// # Errors
    /// [`StudyError`].
    pub fn difference(inputs: &Inputs, folder: &Path) -> Result<Option<String>, StudyError> {
        let file = folder.join(STUDY_FILE);
        if !file.exists() {
            return Ok(None);
        }
        let kept = std::fs::read_to_string(&file).map_err(StoreError::io(&file))?;
        let text = resolved(inputs, &inputs.study, &file)?;
        Ok((kept != text).then(|| differences(&kept, &text)))
    }

    /// Writes the study anew, with the settings that a search has found.
    ///
    /// # Errors
    /// [`StudyError`].
    pub(super) fn keep_study(&self, inputs: &Inputs) -> Result<(), StudyError> {
        let file = self.file(STUDY_FILE);
        Ok(write_atomically(&file, resolved(inputs, &inputs.study, &file)?.as_bytes())?)
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
        if name != LOCK_FILE && name.to_string_lossy() != format!("{STUDY_FILE}.partial") {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Whether a kept study is the one given with what the search in the run folder has found.
fn is_found_there(inputs: &Inputs, run: &Path, kept: &str) -> Result<bool, StudyError> {
    let Some(search) = &inputs.study.search else { return Ok(false) };
    let mut found = Vec::new();
    for contender in Contender::all().filter(|c| c.is_in(&inputs.study)) {
        match Found::load(run, contender)? {
            Some(result) => found.push((contender, result)),
            None => return Ok(false),
        }
    }
    let study = chosen(&inputs.study, search, &found)?;
    Ok(resolved(inputs, &study, &run.join(STUDY_FILE))? == kept)
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
    given: Digests,
    study: &'a StudyConfig,
    vehicle: &'a VehicleConfig,
    course: &'a CourseConfig,
}

/// SHA-256 of each part: of the three tables below as they stand in TOML, of the profile's bytes.
#[derive(Serialize)]
struct Digests {
    study: String,
    vehicle: String,
    course: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    profile: Option<String>,
}

/// Everything that was read, with every default filled in.
fn resolved(inputs: &Inputs, study: &StudyConfig, file: &Path) -> Result<String, StudyError> {
    let content = |e: toml::ser::Error| StoreError::Content { file: file.to_owned(), problem: e.to_string() };
    let (vehicle, course) = (&inputs.scenario.vehicle, &inputs.scenario.course);
    let given = Digests {
        study: digest(toml::to_string(study).map_err(content)?.as_bytes()),
        vehicle: digest(toml::to_string(vehicle).map_err(content)?.as_bytes()),
        course: digest(toml::to_string(course).map_err(content)?.as_bytes()),
        profile: inputs.given.profile.clone(),
    };
    let all = Resolved {
        version: env!("CARGO_PKG_VERSION"),
        quick: inputs.quick,
        effort: inputs.effort,
        hours: inputs.hours,
        given,
        study,
        vehicle,
        course,
    };
    let text = toml::to_string_pretty(&all).map_err(content)?;
    Ok(format!("{STUDY_MARK}, with every default filled in.\n{text}"))
}
