//! What a study is given, and the folder that it leaves.

use super::Options;
use super::gap::read_gap;
use super::given::{InputDigests, differences, digest};
use super::resolved::{self, PROFILE_FILE, RESOLVED_FILE};
use crate::config::{PolicyKind, StudyConfig};
use crate::error::StudyError;
use crate::halving::{SearchResult, chosen};
use crate::lock::{FolderLock, LOCK_FILE};
use crate::store::{StoreError, write_atomically};
use lowgear_agents::table::Provenance;
use lowgear_env::config::{ConfigError, KeyError, load, parse};
use lowgear_env::terrain::{Course, CourseConfig};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Scenario, Seed, load_course};
use lowgear_eval::fitted::FittedWorlds;
use std::path::{Path, PathBuf};

/// What a study is given.
#[derive(Clone)]
pub struct Inputs {
    /// The study, `--quick` applied.
    pub study: StudyConfig,
    /// Whether `--quick` was.
    pub quick: bool,
    /// Factor on every budget, as `--effort` gave it.
    pub effort: Option<f64>,
    /// Hours that tuning and training may take, as `--hours` gave them.
    pub hours: Option<f64>,
    /// Whether hyper-parameters are searched.
    pub hyper_search: bool,
    /// Vehicle, course and episode together.
    pub scenario: Scenario,
    /// As it was typed.
    pub file: PathBuf,
    /// The files that it was read from.
    pub given: InputDigests,
}

impl Inputs {
    /// Where what is distilled from this policy comes from.
    pub(super) fn provenance(&self, teacher: &str) -> Provenance {
        Provenance {
            study: self.study.name.clone(),
            vehicle: self.scenario.vehicle.name.clone(),
            teacher: teacher.to_owned(),
            seed: self.study.seed,
            version: env!("CARGO_PKG_VERSION").to_owned(),
        }
    }
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
    if options.hyper_search && inputs.study.hyper_search.is_none() {
        let allowed = "with a study file that has a table [hyper-search] with budget and ranges";
        return Err(KeyError::new("--hyper-search", "given", allowed).into());
    }
    if !options.hyper_search {
        inputs.study.hyper_search = None;
    }
    Ok(inputs)
}

fn read_whole(file: &Path, options: &Options) -> Result<Inputs, StudyError> {
    let Options { quick, effort, hours, hyper_search, .. } = *options;
    let text = std::fs::read_to_string(file)
        .map_err(|reason| ConfigError::Unreadable { file: file.to_owned(), reason })?;
    if resolved::is_resolved(&text) {
        let applied = [("--quick", quick), ("--effort", effort.is_some()), ("--hyper-search", hyper_search)];
        if let Some((option, _)) = applied.into_iter().find(|(_, given)| *given) {
            let allowed =
                "with a study file; a run's resolved configuration has such options applied already";
            return Err(KeyError::new(option, "given", allowed).into());
        }
        let inputs = resolved::read(&text, file)?;
        return Ok(Inputs { hours: hours.or(inputs.hours), ..inputs });
    }
    let study: StudyConfig = parse(&text, file)?;
    let study = if quick { study.with_quick_budget() } else { study };
    let study = if let Some(factor) = effort { study.with_effort(factor) } else { study };
    let sibling = file.parent().unwrap_or(Path::new("."));
    let (vehicle_file, course_file) = (sibling.join(&study.vehicle), sibling.join(&study.course));
    let mut vehicle: VehicleConfig = load(&vehicle_file)?;
    let gap_file = read_gap(&vehicle_file, &mut vehicle)?;
    let course: (CourseConfig, Option<Course>) = load_course(&course_file)?;
    let mut given = InputDigests::new([file, &vehicle_file, &course_file], &course.0)?;
    given.files.extend(gap_file);
    let gears = vehicle.gearbox.total_ratio.len();
    let study = study.for_gears(gears);
    study.check_gears(gears).map_err(|error| ConfigError::value(file, error))?;
    let scenario = Scenario::new(vehicle, course, study.episode, Seed(study.seed));
    if let Some(fitted) = &scenario.vehicle.fitted {
        FittedWorlds::new(&scenario, fitted).map_err(|error| ConfigError::value(&vehicle_file, error))?;
    }
    Ok(Inputs { study, quick, effort, hours, hyper_search, scenario, file: file.to_owned(), given })
}

/// The folder of a run.
pub struct RunFolder {
    /// Where it is.
    pub path: PathBuf,
    /// SHA-256 of everything that the study was given.
    pub digest: String,
    _lock: FolderLock,
}

/// Where a run goes unless `--out` says: a quick one into a folder of its own, so that it is not in the way of the
/// whole one after it.
fn default_folder(inputs: &Inputs) -> PathBuf {
    let name = &inputs.study.name;
    Path::new("runs").join(if inputs.quick { format!("{name}-quick") } else { name.clone() })
}

impl RunFolder {
    /// Creates the folder, or opens it again with `--resume`.
    ///
    /// # Errors
    /// [`StudyError::FolderExists`], [`StudyError::NoFolder`], [`StudyError::OtherStudy`], or the system's refusal.
    pub fn open(inputs: &Inputs, options: &Options) -> Result<RunFolder, StudyError> {
        let path = options.out.clone().unwrap_or_else(|| default_folder(inputs));
        let kept_file = path.join(RESOLVED_FILE);
        let text = resolved::text(inputs, &inputs.study, &kept_file)?;
        let digest = digest(text.as_bytes());
        if options.resume && !path.exists() {
            return Err(StudyError::NoFolder { folder: path });
        }
        let lock = FolderLock::take(&path)?;
        if options.resume && kept_file.exists() {
            let kept = std::fs::read_to_string(&kept_file).map_err(StoreError::io(&kept_file))?;
            if kept != text && !is_found_there(inputs, &path, &kept)? {
                let changed = differences(&kept, &text);
                return Err(StudyError::OtherStudy { file: kept_file, changed });
            }
            keep_profile(inputs, &path)?;
            return Ok(RunFolder { path, digest, _lock: lock });
        }
        if !is_free(&path)? {
            let folder = path;
            return Err(if options.resume && !kept_file.exists() {
                StudyError::NoStudy { folder }
            } else {
                StudyError::FolderExists { folder }
            });
        }
        write_atomically(&kept_file, text.as_bytes())?;
        keep_profile(inputs, &path)?;
        Ok(RunFolder { path, digest, _lock: lock })
    }

    /// How the study that a run folder keeps differs from the one given; none where there is none yet.
    ///
    /// # Errors
    /// [`StudyError`].
    pub fn difference(inputs: &Inputs, folder: &Path) -> Result<Option<String>, StudyError> {
        let file = folder.join(RESOLVED_FILE);
        if !file.exists() {
            return Ok(None);
        }
        let kept = std::fs::read_to_string(&file).map_err(StoreError::io(&file))?;
        let text = resolved::text(inputs, &inputs.study, &file)?;
        Ok((kept != text).then(|| differences(&kept, &text)))
    }

    /// Writes the study again, with the settings that a search has found.
    ///
    /// # Errors
    /// [`StudyError`].
    pub(super) fn keep_study(&self, inputs: &Inputs) -> Result<(), StudyError> {
        let file = self.file(RESOLVED_FILE);
        Ok(write_atomically(&file, resolved::text(inputs, &inputs.study, &file)?.as_bytes())?)
    }

    /// A file in the folder.
    #[must_use]
    pub fn file(&self, name: &str) -> PathBuf {
        self.path.join(name)
    }
}

/// Copies the measured profile into the run folder, so that the resolved configuration can be given again.
fn keep_profile(inputs: &Inputs, run: &Path) -> Result<(), StoreError> {
    let copy = run.join(PROFILE_FILE);
    match (&inputs.given.profile, inputs.given.files.last()) {
        (Some(_), Some(profile)) if !copy.exists() => {
            let bytes = std::fs::read(profile).map_err(StoreError::io(profile))?;
            write_atomically(&copy, &bytes)
        }
        _ => Ok(()),
    }
}

/// Whether a folder holds nothing but what a run left that was ended before it had begun.
fn is_free(folder: &Path) -> Result<bool, StoreError> {
    for entry in std::fs::read_dir(folder).map_err(StoreError::io(folder))? {
        let name = entry.map_err(StoreError::io(folder))?.file_name();
        if name != LOCK_FILE && name.to_string_lossy() != format!("{RESOLVED_FILE}.partial") {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Whether a kept study is the one given with what the search in the run folder has found.
fn is_found_there(inputs: &Inputs, run: &Path, kept: &str) -> Result<bool, StudyError> {
    let Some(search) = &inputs.study.hyper_search else { return Ok(false) };
    let mut found = Vec::new();
    for policy_kind in PolicyKind::all().filter(|c| c.is_in(&inputs.study)) {
        match SearchResult::load(run, policy_kind)? {
            Some(result) => found.push((policy_kind, result)),
            None => return Ok(false),
        }
    }
    let study = chosen(&inputs.study, search, &found)?;
    Ok(resolved::text(inputs, &study, &run.join(RESOLVED_FILE))? == kept)
}
