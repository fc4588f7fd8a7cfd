//! From files to a scenario: the same files, checks and messages as those of the command line.

use lowgear_env::config::{self, Check, ConfigError, KeyError, in_range};
use lowgear_env::terrain::{Course, CourseConfig};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{CourseError, EpisodeConfig, Scenario, Seed, load_course};
use schemars::JsonSchema;
use serde::Deserialize;
use std::path::{Path, PathBuf};

/// What an environment needs of a study file; the rest of it is for learners.
#[derive(Debug, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
struct StudyHead {
    #[serde(default = "usual_seed")]
    seed: u64,
    vehicle: PathBuf,
    course: PathBuf,
    #[serde(default)]
    episode: EpisodeConfig,
}

const fn usual_seed() -> u64 {
    Seed::USUAL.0
}

impl Check for StudyHead {
    fn check(&self) -> Result<(), KeyError> {
        self.episode.check().map_err(|e| e.within("episode"))
    }
}

/// Why an environment cannot be made or cannot go on.
#[derive(Debug, thiserror::Error)]
pub(crate) enum SetupError {
    /// A study or vehicle file.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// A course file.
    #[error(transparent)]
    Course(#[from] CourseError),
    /// An argument.
    #[error(transparent)]
    Argument(#[from] KeyError),
}

/// The demonstration, which is there without any file.
const DEMO_STUDY: &str = include_str!("../../../configs/studies/demo.toml");
const DEMO_VEHICLE: &str = include_str!("../../../configs/vehicles/demo-cart.toml");
const DEMO_COURSE: &str = include_str!("../../../configs/courses/garden-mix.toml");

/// The courses of a study that an environment may show; the numbers are those of the study's own suites, so that
/// `test` are the courses that `lowgear compare` judges by.
#[derive(Clone, Copy, Debug)]
#[repr(u64)]
pub(crate) enum Split {
    Training = 1,
    Validation = 2,
    Test = 3,
}

impl Split {
    pub(crate) fn named(name: &str) -> Result<Split, KeyError> {
        match name {
            "training" => Ok(Split::Training),
            "validation" => Ok(Split::Validation),
            "test" => Ok(Split::Test),
            _ => Err(KeyError::new("split", format!("\"{name}\""), "training, validation or test")),
        }
    }

    /// The scenario of these courses under `seed`.
    pub(crate) fn of(self, study: &Scenario, seed: Seed) -> Scenario {
        study.with_seed(seed.part(self as u64))
    }
}

/// The scenario of a study file, or of the demonstration, with another vehicle or course where one is given.
pub(crate) fn scenario(
    study: Option<&Path>,
    vehicle: Option<&Path>,
    course: Option<&Path>,
) -> Result<Scenario, SetupError> {
    let head: StudyHead = match study {
        Some(file) => config::load(file)?,
        None => config::parse(DEMO_STUDY, Path::new("demo.toml"))?,
    };
    let sibling = |named: &Path| study.and_then(Path::parent).map(|folder| folder.join(named));
    let vehicle_file = vehicle.map(Path::to_owned).or_else(|| sibling(&head.vehicle));
    let vehicle = match vehicle_file {
        Some(file) => config::load(&file)?,
        None => config::parse(DEMO_VEHICLE, Path::new("demo-cart.toml"))?,
    };
    let course_file = course.map(Path::to_owned).or_else(|| sibling(&head.course));
    let course = match course_file {
        Some(file) => load_course(&file)?,
        None => (config::parse(DEMO_COURSE, Path::new("garden-mix.toml"))?, None),
    };
    assembled(study, vehicle, course, head.episode, Seed(head.seed))
}

/// `study` with another vehicle or course.
pub(crate) fn changed(
    study: &Scenario,
    vehicle: Option<&Path>,
    course: Option<&Path>,
) -> Result<Scenario, SetupError> {
    let vehicle = match vehicle {
        Some(file) => config::load(file)?,
        None => study.vehicle.clone(),
    };
    let course = match course {
        Some(file) => load_course(file)?,
        None => (study.course.clone(), study.measured.clone()),
    };
    assembled(None, vehicle, course, study.episode, study.seed)
}

fn assembled(
    study: Option<&Path>,
    vehicle: VehicleConfig,
    course: (CourseConfig, Option<Course>),
    episode: EpisodeConfig,
    seed: Seed,
) -> Result<Scenario, SetupError> {
    let gears = vehicle.gearbox.total_ratio.len() as f64;
    let start = episode.start_gear as f64;
    in_range("episode.start-gear", start, 1.0, gears, "(gears of the vehicle)").map_err(|e| match study {
        Some(file) => SetupError::from(ConfigError::value(file, e)),
        None => SetupError::from(e),
    })?;
    Ok(Scenario::new(vehicle, course, episode, seed))
}
