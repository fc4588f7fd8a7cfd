//! From a sweep file to its numbered jobs, and from a job to the study that it runs.

use super::assign::{Assignment, assign, locate_error, remove};
use super::known::is_key_of;
use crate::config::{PolicyKind, StudyConfig, SweepConfig, in_words};
use crate::error::StudyError;
use crate::schema::FileKind;
use crate::study::{InputDigests, Inputs};
use lowgear_env::config::{Check, ConfigError, KeyError, in_range, load};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Scenario, Seed, load_course};
use serde::de::DeserializeOwned;
use std::path::{Path, PathBuf};
use toml::{Table, Value};

/// The key that names the learners of a job, and the one that multiplies its budgets.
const LEARNERS: &str = "learners";
const EFFORT: &str = "effort";

/// A sweep that was read.
pub struct Sweep {
    /// As it was typed.
    pub file: PathBuf,
    /// What it says.
    pub config: SweepConfig,
}

/// The three files of a study as tables, to be changed key by key.
struct Tables {
    study: Table,
    vehicle: Table,
    course: Table,
}

impl Sweep {
    /// Reads a sweep file and checks every job.
    ///
    /// # Errors
    /// [`StudyError`] naming file, line, key and what is allowed.
    pub fn read(file: &Path) -> Result<Sweep, StudyError> {
        let config: SweepConfig = load(file)?;
        let sweep = Sweep { file: file.to_owned(), config };
        (1..=sweep.jobs()).try_for_each(|job| sweep.inputs(job).map(drop))?;
        Ok(sweep)
    }

    /// Number of jobs.
    #[must_use]
    pub fn jobs(&self) -> u64 {
        self.config.axes.iter().map(|axis| axis.names().len() as u64).product()
    }

    /// Place of job number `job`, from 1, on each axis; the last axis changes fastest.
    #[must_use]
    pub fn place(&self, job: u64) -> Vec<usize> {
        let mut rest = job.saturating_sub(1) as usize;
        let mut place: Vec<usize> = self
            .config
            .axes
            .iter()
            .rev()
            .map(|axis| {
                let values = axis.names().len();
                let index = rest % values;
                rest /= values;
                index
            })
            .collect();
        place.reverse();
        place
    }

    /// A job in words: "mass 5 kg, battery readable".
    #[must_use]
    pub fn words(&self, job: u64) -> String {
        let place = self.place(job);
        let named = self.config.axes.iter().zip(place).map(|(axis, i)| {
            let name = axis.names().swap_remove(i);
            format!("{} {name} {}", axis.label, axis.unit).trim_end().to_owned()
        });
        named.collect::<Vec<_>>().join(", ")
    }

    /// What job number `job` sets and leaves out, in order.
    fn assignments(&self, job: u64) -> Vec<Assignment> {
        let mut all: Vec<Assignment> = Vec::new();
        let config = &self.config;
        for (i, set) in config.set.iter().enumerate() {
            all.push(Assignment::set(set, format!("set[{i}].value")));
        }
        all.extend(config.leave_out.iter().map(|key| Assignment::leave_out(key, "leave-out".to_owned())));
        for (a, (axis, place)) in config.axes.iter().zip(self.place(job)).enumerate() {
            if let (Some(key), Some(value)) = (&axis.key, axis.values.get(place)) {
                let value = Some(value.clone());
                all.push(Assignment { key: key.clone(), value, origin: format!("axes[{a}].values") });
            }
            if let Some(point) = axis.points.get(place) {
                let at = format!("axes[{a}].points[{place}]");
                all.extend(
                    (0..)
                        .zip(&point.set)
                        .map(|(i, set)| Assignment::set(set, format!("{at}.set[{i}].value"))),
                );
                let outs = point.leave_out.iter();
                all.extend(outs.map(|key| Assignment::leave_out(key, format!("{at}.leave-out"))));
            }
        }
        all
    }

    /// The study that job number `job` runs.
    ///
    /// # Errors
    /// [`StudyError`] naming the place in the sweep file and what is allowed there.
    pub fn inputs(&self, job: u64) -> Result<Inputs, StudyError> {
        let all = self.assignments(job);
        let sibling = self.file.parent().unwrap_or(Path::new("."));
        let named = |key: &str| self.named(&all, key);
        let study_name = named("study")?.unwrap_or_else(|| self.config.study.clone());
        let study_file = sibling.join(&study_name);
        let mut study: StudyConfig = load(&study_file)?;
        // Its ranges may not fit what is varied, and no job searches.
        study.hyper_search = None;
        let varied = self.varied_effort(&all)?;
        if let (None, Some(factor)) = (varied, self.config.effort) {
            study = study.with_effort(factor);
        }
        let absent = self.keep_learners(&mut study, &all)?;
        let among = study_file.parent().unwrap_or(Path::new("."));
        let found = |key: &str, kept: &mut PathBuf| -> Result<PathBuf, StudyError> {
            Ok(match named(key)? {
                Some(name) => {
                    let path = sibling.join(&name);
                    *kept = name;
                    path
                }
                None => among.join(&*kept),
            })
        };
        let vehicle_file = found("vehicle", &mut study.vehicle)?;
        let course_file = found("course", &mut study.course)?;
        let vehicle: VehicleConfig = load(&vehicle_file)?;
        let (course, measured) = load_course(&course_file)?;
        let given = InputDigests::new([&study_file, &vehicle_file, &course_file], &course)?;
        let mut tables = Tables {
            study: self.as_table(&study)?,
            vehicle: self.as_table(&vehicle)?,
            course: self.as_table(&course)?,
        };
        let keys = all
            .iter()
            .filter(|a| !["study", "vehicle", "course", LEARNERS, EFFORT].contains(&a.key.as_str()));
        let mut keys: Vec<&Assignment> = keys.collect();
        self.pass_over(&mut keys, &absent)?;
        for assignment in &keys {
            tables.apply(assignment).map_err(|e| self.wrong(e))?;
        }
        let words = format!("job {job} ({})", self.words(job));
        let study: StudyConfig = self.checked(tables.study, "", &keys, &words)?;
        let vehicle: VehicleConfig = self.checked(tables.vehicle, "vehicle.", &keys, &words)?;
        let course = self.checked(tables.course, "course.", &keys, &words)?;
        let gears = vehicle.gearbox.total_ratio.len();
        // After what the jobs set, whose budgets it multiplies too.
        let study = varied.map_or_else(|| study.clone(), |factor| study.clone().with_effort(factor));
        let study = study.for_gears(gears);
        study.check_gears(gears).map_err(|e| self.wrong(locate_error(&keys, "", e, &words)))?;
        let scenario = Scenario::new(vehicle, (course, measured), study.episode, Seed(study.seed));
        Ok(Inputs {
            study,
            quick: false,
            effort: varied.or(self.config.effort),
            hours: None,
            hyper_search: false,
            scenario,
            file: study_name,
            given,
        })
    }

    /// The factor on all budgets of a job, where an axis or a setting says one.
    fn varied_effort(&self, all: &[Assignment]) -> Result<Option<f64>, StudyError> {
        let Some(assignment) = all.iter().rfind(|a| a.key == EFFORT) else { return Ok(None) };
        let factor = assignment
            .value
            .as_ref()
            .and_then(|value| value.as_float().or_else(|| value.as_integer().map(|whole| whole as f64)));
        let factor = factor.unwrap_or(f64::NAN);
        in_range(&assignment.origin, factor, 1e-3, 1e4, "").map_err(|e| self.wrong(e))?;
        Ok(Some(factor))
    }

    /// The sweep file's name, without its folder.
    #[must_use]
    pub fn file_name(&self) -> String {
        self.file.file_name().map_or_else(String::new, |name| name.to_string_lossy().into_owned())
    }

    /// The file that the last assignment to this key names.
    fn named(&self, all: &[Assignment], key: &str) -> Result<Option<PathBuf>, StudyError> {
        let Some(assignment) = all.iter().rfind(|a| a.key == key) else { return Ok(None) };
        match assignment.value.as_ref().and_then(|value| value.as_str()) {
            Some(name) => Ok(Some(PathBuf::from(name))),
            None => {
                let allowed = format!("a {key} file, relative to this one");
                Err(self.wrong(KeyError::new(&assignment.origin, format!("no file for \"{key}\""), allowed)))
            }
        }
    }

    /// Leaves those learners in that take part: the ones that the last assignment to `learners` names, else those
    /// of the whole sweep. Returns the learners of the study that do not take part though an axis could name them.
    fn keep_learners(
        &self,
        study: &mut StudyConfig,
        all: &[Assignment],
    ) -> Result<Vec<PolicyKind>, StudyError> {
        let named = all.iter().rfind(|a| a.key == LEARNERS);
        let (kept, origin) = match (named, &self.config.learners) {
            (Some(a), _) => (names_of(a.value.as_ref()), a.origin.as_str()),
            (None, Some(kept)) => (Ok(kept.clone()), LEARNERS),
            (None, None) => return Ok(vec![]),
        };
        let there: Vec<PolicyKind> = PolicyKind::learners().filter(|learner| learner.is_in(study)).collect();
        let refused = |got: String| {
            let there: Vec<&str> = there.iter().map(|learner| learner.name()).collect();
            self.wrong(KeyError::new(
                origin,
                got,
                format!("learners of the study file: {}", there.join(", ")),
            ))
        };
        let kept = kept.map_err(refused)?;
        if let Some(name) = kept.iter().find(|name| !there.iter().any(|learner| learner.name() == *name)) {
            return Err(refused(format!("\"{name}\"")));
        }
        let absent = there.into_iter().filter(|learner| !kept.iter().any(|name| name == learner.name()));
        let absent: Vec<PolicyKind> = absent.collect();
        absent.iter().for_each(|learner| learner.leave_out(study));
        Ok(if named.is_some() { absent } else { vec![] })
    }

    /// Passes over what all jobs set of learners that this one is without. On an axis, where it would make jobs that
    /// do the same, it is a mistake.
    fn pass_over(&self, keys: &mut Vec<&Assignment>, absent: &[PolicyKind]) -> Result<(), StudyError> {
        let of_absent = |key: &str| {
            let name = key.strip_prefix("learners.")?.split('.').next()?;
            absent.iter().find(|learner| learner.name() == name)
        };
        let on_an_axis = |a: &&&Assignment| a.origin.starts_with("axes");
        let varied = keys.iter().filter(on_an_axis).find_map(|a| Some((*a, of_absent(&a.key)?)));
        if let Some((assignment, learner)) = varied {
            let got = format!("\"{}\" where {} does not take part", assignment.key, learner.name());
            let allowed = "one axis of points that name `learners` and set their keys together";
            return Err(self.wrong(KeyError::new(&assignment.origin, got, allowed)));
        }
        keys.retain(|a| of_absent(&a.key).is_none());
        Ok(())
    }

    fn as_table(&self, part: &impl serde::Serialize) -> Result<Table, StudyError> {
        Table::try_from(part).map_err(|e| self.wrong(KeyError::new("study", e, "what TOML can hold")))
    }

    /// A table as what it is, checked; `prefix` is that of its keys, `words` the job.
    fn checked<T: DeserializeOwned + Check>(
        &self,
        table: Table,
        prefix: &str,
        all: &[&Assignment],
        words: &str,
    ) -> Result<T, StudyError> {
        let value: T = table.try_into().map_err(|e: toml::de::Error| {
            let message = e.message().replace('\n', " ");
            self.wrong(locate_error(all, prefix, KeyError::new(key_of(&e), "refused", message), words))
        })?;
        value.check().map_err(|e| self.wrong(locate_error(all, prefix, e, words)))?;
        Ok(value)
    }

    fn wrong(&self, error: KeyError) -> StudyError {
        ConfigError::value(&self.file, error).into()
    }
}

/// Names of learners, from one name or a list; none where they are left out. What else it is, is the error.
fn names_of(value: Option<&Value>) -> Result<Vec<String>, String> {
    let name = |value: &Value| value.as_str().map(str::to_owned).ok_or_else(|| in_words(value));
    match value {
        None => Ok(vec![]),
        Some(Value::Array(names)) => names.iter().map(name).collect(),
        Some(one) => name(one).map(|name| vec![name]),
    }
}

/// The key that the reader of a table stumbled over, which it names on a line of its own; empty when it does not.
fn key_of(error: &toml::de::Error) -> String {
    let text = error.to_string();
    let place = text.lines().find_map(|line| line.strip_prefix("in `")?.strip_suffix('`'));
    place.unwrap_or_default().to_owned()
}

impl Tables {
    fn apply(&mut self, assignment: &Assignment) -> Result<(), KeyError> {
        let (kind, table, key) = match assignment.key.split_once('.') {
            Some(("vehicle", rest)) => (FileKind::Vehicle, &mut self.vehicle, rest),
            Some(("course", rest)) => (FileKind::Course, &mut self.course, rest),
            _ => (FileKind::Study, &mut self.study, assignment.key.as_str()),
        };
        match &assignment.value {
            Some(value) => assign(table, key, value.clone()),
            None => is_key_of(kind, key).and_then(|()| remove(table, key)),
        }
        .map_err(|allowed| {
            KeyError::new(&assignment.origin, format!("no such key \"{}\"", assignment.key), allowed)
        })
    }
}
