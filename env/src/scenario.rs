//! Everything an episode is made from.

use crate::config::ConfigError;
use crate::motion::Track;
use crate::terrain::{Course, CourseConfig, read_profile};
use crate::vehicle::{Vehicle, VehicleConfig};
use crate::{EpisodeConfig, Seed, Stream, config};
use lowgear_onboard::Settings;
use std::path::Path;

/// A vehicle, its terrain and the rules of the episode. Episode `n` follows from the seed and `n` alone.
#[derive(Clone, Debug)]
pub struct Scenario {
    /// Vehicle file.
    pub vehicle: VehicleConfig,
    /// Course file.
    pub course: CourseConfig,
    /// Measured course, when the file names a profile.
    pub measured: Option<Course>,
    /// Rules.
    pub episode: EpisodeConfig,
    /// Constants of the controller.
    pub settings: Settings,
    /// Seed.
    pub seed: Seed,
}

/// Why a course file could not be used.
#[derive(Debug, thiserror::Error)]
pub enum CourseError {
    /// The file itself.
    #[error(transparent)]
    Config(#[from] ConfigError),
    /// The profile it names.
    #[error(transparent)]
    Profile(#[from] crate::terrain::ProfileError),
}

/// Reads a course file and the profile it may name.
///
/// # Errors
/// [`CourseError`].
pub fn load_course(file: &Path) -> Result<(CourseConfig, Option<Course>), CourseError> {
    let course: CourseConfig = config::load(file)?;
    let measured = match &course.profile {
        Some(profile) => {
            let path = file.parent().unwrap_or(Path::new(".")).join(profile);
            Some(read_profile(&path, &course.name, &course.plain_surfaces())?)
        }
        None => None,
    };
    Ok((course, measured))
}

impl Scenario {
    /// Puts the parts together.
    #[must_use]
    pub fn new(
        vehicle: VehicleConfig,
        (course, measured): (CourseConfig, Option<Course>),
        episode: EpisodeConfig,
        seed: Seed,
    ) -> Scenario {
        let settings = vehicle.controller_settings();
        Scenario { vehicle, course, measured, episode, settings, seed }
    }

    /// The same scenario with another seed.
    #[must_use]
    pub fn with_seed(&self, seed: Seed) -> Scenario {
        Scenario { seed, ..self.clone() }
    }

    /// Vehicle and track of one episode.
    #[must_use]
    pub fn lay(&self, episode: u64) -> (Vehicle, Track) {
        let vehicle = self.vehicle.draw(&mut self.seed.stream(Stream::Vehicle, episode));
        let course = match &self.measured {
            Some(course) => course.clone(),
            None => self.course.course(&mut self.seed.stream(Stream::Course, episode)),
        };
        let track = Track::new(course, &vehicle);
        (vehicle, track)
    }

    /// Number of gears.
    #[must_use]
    pub fn gears(&self) -> usize {
        self.vehicle.gearbox.total_ratio.len()
    }
}
