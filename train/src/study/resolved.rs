//! The resolved configuration of a run: everything that the run was given, with every default filled in. It can be given
//! to `study` again as it is.

use super::Inputs;
use super::given::{InputDigests, digest};
use crate::config::StudyConfig;
use crate::error::StudyError;
use crate::outputs::STUDY_MARK;
use crate::store::StoreError;
use lowgear_env::config::{Check, ConfigError, KeyError, parse};
use lowgear_env::terrain::CourseConfig;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Scenario, Seed, measured_course};
use lowgear_eval::summary::InputDigest;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::path::Path;

/// Name of the file in the run folder.
pub(super) const RESOLVED_FILE: &str = "resolved.toml";
/// Copy of the measured profile, next to it.
pub(super) const PROFILE_FILE: &str = "profile.csv";

/// The file.
#[derive(Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Resolved {
    /// Version of the program.
    version: String,
    /// Whether the budgets below are those of `--quick`.
    quick: bool,
    /// Factor that the budgets below were multiplied by.
    #[serde(skip_serializing_if = "Option::is_none")]
    effort: Option<f64>,
    /// Hours that tuning and training may take.
    #[serde(skip_serializing_if = "Option::is_none")]
    hours: Option<f64>,
    /// SHA-256 of each part.
    given: Digests,
    /// The study.
    study: StudyConfig,
    /// The vehicle.
    vehicle: VehicleConfig,
    /// The course.
    course: CourseConfig,
}

/// SHA-256 of each part: of the three tables as they stand in TOML, of the profile's bytes.
#[derive(Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
struct Digests {
    study: String,
    vehicle: String,
    course: String,
    #[serde(skip_serializing_if = "Option::is_none")]
    profile: Option<String>,
}

impl Check for Resolved {
    fn check(&self) -> Result<(), KeyError> {
        self.study.check().map_err(|e| e.within("study"))?;
        self.vehicle.check().map_err(|e| e.within("vehicle"))?;
        self.course.check().map_err(|e| e.within("course"))
    }
}

/// SHA-256 of each part, with `study`, which a search may have changed.
fn digests(inputs: &Inputs, study: &StudyConfig) -> Result<Digests, toml::ser::Error> {
    Ok(Digests {
        study: digest(toml::to_string(study)?.as_bytes()),
        vehicle: digest(toml::to_string(&inputs.scenario.vehicle)?.as_bytes()),
        course: digest(toml::to_string(&inputs.scenario.course)?.as_bytes()),
        profile: inputs.given.profile.clone(),
    })
}

/// The same by name, for the report.
///
/// # Errors
/// [`StudyError::Store`] for what TOML cannot hold.
pub(super) fn input_digests(inputs: &Inputs) -> Result<Vec<InputDigest>, StudyError> {
    let found = digests(inputs, &inputs.study).map_err(|e| content(Path::new(RESOLVED_FILE), &e))?;
    let parts =
        [("study", Some(found.study)), ("vehicle", Some(found.vehicle)), ("course", Some(found.course))];
    let parts = parts.into_iter().chain([("profile", found.profile)]);
    Ok(parts
        .filter_map(|(part, sha256)| Some(InputDigest { part: part.to_owned(), sha256: sha256? }))
        .collect())
}

fn content(file: &Path, error: &toml::ser::Error) -> StoreError {
    StoreError::Content { file: file.to_owned(), problem: error.to_string() }
}

/// The text of the file for `study`, which a search may have changed.
///
/// # Errors
/// [`StudyError::Store`] for what TOML cannot hold.
pub(super) fn text(inputs: &Inputs, study: &StudyConfig, file: &Path) -> Result<String, StudyError> {
    let (vehicle, course) = (&inputs.scenario.vehicle, &inputs.scenario.course);
    let given = digests(inputs, study).map_err(|e| content(file, &e))?;
    let all = Resolved {
        version: env!("CARGO_PKG_VERSION").to_owned(),
        quick: inputs.quick,
        effort: inputs.effort,
        hours: inputs.hours,
        given,
        study: study.clone(),
        vehicle: vehicle.clone(),
        course: course.clone(),
    };
    let text = toml::to_string_pretty(&all).map_err(|e| content(file, &e))?;
    Ok(format!("{STUDY_MARK}, with every default filled in.\n{text}"))
}

/// Whether a text is such a file: by its table of digests.
pub(super) fn is_resolved(text: &str) -> bool {
    let table = |table: &toml::Table, key: &str| table.get(key).is_some_and(toml::Value::is_table);
    toml::from_str::<toml::Table>(text).is_ok_and(|all| table(&all, "given") && table(&all, "study"))
}

/// Reads such a file. The ranges of a search are left out, since what the search found stands in the study.
///
/// # Errors
/// [`StudyError`] naming file, line, key and what is allowed.
pub(super) fn read(text: &str, file: &Path) -> Result<Inputs, StudyError> {
    let Resolved { quick, effort, hours, given: digests, mut study, vehicle, course, .. } =
        parse(text, file)?;
    let gears = vehicle.gearbox.total_ratio.len();
    study.check_gears(gears).map_err(|error| ConfigError::value(file, error.within("study")))?;
    study.hyper_search = None;
    let mut given = InputDigests { files: vec![file.to_owned()], profile: None };
    let mut measured = None;
    if course.profile.is_some() {
        let path = file.with_file_name(PROFILE_FILE);
        let bytes = std::fs::read(&path).map_err(StoreError::io(&path))?;
        let found = digest(&bytes);
        if digests.profile.as_ref() != Some(&found) {
            let allowed = format!("the digest of {PROFILE_FILE} next to this file, {found}");
            let error = KeyError::new("given.profile", digests.profile.unwrap_or_default(), allowed);
            return Err(ConfigError::value(file, error).into());
        }
        measured = Some(measured_course(&course, &path)?);
        given = InputDigests { files: vec![file.to_owned(), path], profile: Some(found) };
    }
    let scenario = Scenario::new(vehicle, (course, measured), study.episode, Seed(study.seed));
    Ok(Inputs { study, quick, effort, hours, hyper_search: false, scenario, file: file.to_owned(), given })
}
