//! Everything an episode is made from.

use crate::config::ConfigError;
use crate::motion::Track;
use crate::physical::{Faults, Unphysical};
use crate::terrain::{Course, CourseConfig, LapsConfig, read_profile};
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
    /// Episodes that were not physical, of this scenario and of all made from it.
    faults: Faults,
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
            Some(measured_course(&course, &file.parent().unwrap_or(Path::new(".")).join(profile))?)
        }
        None => None,
    };
    Ok((course, measured))
}

/// The course that a measured profile describes, on the surfaces of `course`.
///
/// # Errors
/// [`CourseError`].
pub fn measured_course(course: &CourseConfig, profile: &Path) -> Result<Course, CourseError> {
    Ok(read_profile(profile, &course.name, &course.plain_surfaces())?)
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
        Scenario { vehicle, course, measured, episode, settings, seed, faults: Faults::default() }
    }

    /// The same scenario with another seed.
    #[must_use]
    pub fn with_seed(&self, seed: Seed) -> Scenario {
        Scenario { seed, ..self.clone() }
    }

    /// Vehicle and track of one episode.
    #[must_use]
    pub fn instantiate(&self, episode: u64) -> (Vehicle, Track) {
        if let Some(laps) = &self.course.laps {
            return self.instantiate_lap(laps, episode);
        }
        let vehicle = self.vehicle.draw(&mut self.seed.stream(Stream::Vehicle, episode));
        let course = match &self.measured {
            Some(course) => course.clone(),
            None => self.course.course(&mut self.seed.stream(Stream::Course, episode)),
        };
        let track = Track::new(course, &vehicle);
        (vehicle, track)
    }

    /// A lap: one vehicle drives all laps of a way, with another charge and in other air on each.
    fn instantiate_lap(&self, laps: &LapsConfig, episode: u64) -> (Vehicle, Track) {
        let way = laps.lap_of(episode).way;
        let mut rng = self.seed.stream(Stream::Lap, episode);
        let mut vehicle = self.vehicle.draw(&mut self.seed.stream(Stream::Vehicle, way));
        vehicle.charge = self.vehicle.variation.charge.draw(&mut rng).clamp(0.0, 1.0);
        vehicle.air_c = self.vehicle.variation.air_c.draw(&mut rng);
        vehicle.scale_wheels(laps.wheel_radius_factor.draw(&mut rng));
        let mut way_rng = self.seed.stream(Stream::Course, way);
        let course = self.course.lap(self.measured.as_ref(), &mut way_rng, &mut rng);
        let track = Track::new(course, &vehicle);
        (vehicle, track)
    }

    pub(crate) fn note(&self, fault: Unphysical) {
        self.faults.note(fault);
    }

    /// Whether every episode of this scenario, and of all that were made from the same one, has been physical so far:
    /// to be asked before results are handed out.
    ///
    /// # Errors
    /// The first that was not, by seed and number.
    pub fn check_driven(&self) -> Result<(), Unphysical> {
        self.faults.first().map_or(Ok(()), Err)
    }

    /// Number of gears.
    #[must_use]
    pub fn gears(&self) -> usize {
        self.vehicle.gearbox.total_ratio.len()
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::*;
    use crate::config::{ParameterDistribution, load};

    /// The demonstration's.
    pub(crate) fn scenario(seed: u64) -> Scenario {
        let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
        let vehicle = load(&configs.join("vehicles/demo-cart.toml")).unwrap();
        let course = load_course(&configs.join("courses/garden-mix.toml")).unwrap();
        Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(seed))
    }

    /// What an episode drew.
    fn sampled(scenario: &Scenario, episode: u64) -> (Vehicle, Course) {
        let (vehicle, track) = scenario.instantiate(episode);
        (vehicle, track.course)
    }

    #[test]
    fn an_episode_follows_from_seed_and_number_alone() {
        let one = scenario(5);
        let third = sampled(&one, 3);
        for other in [0, 7, 2] {
            assert_ne!(sampled(&one, other).0, third.0, "another vehicle in episode {other}");
            assert_ne!(sampled(&one, other).1, third.1, "another course in episode {other}");
        }
        assert_eq!(sampled(&one, 3), third, "whatever was drawn in between");
        assert_eq!(sampled(&scenario(5), 3), third, "in another scenario of the same seed");
        let other_seed = sampled(&scenario(6), 3);
        assert_ne!(other_seed.0, third.0);
        assert_ne!(other_seed.1, third.1);
    }

    #[test]
    fn what_the_vehicle_draws_does_not_move_the_course() {
        let mut still = scenario(5);
        still.vehicle.variation = still.vehicle.variation.nominal();
        assert_eq!(sampled(&still, 3).1, sampled(&scenario(5), 3).1);
        let mut wild = scenario(5);
        wild.vehicle.variation.mass_factor =
            ParameterDistribution::Normal { mean: 1.0, sd: 0.5, low: 0.99, high: 1.01 };
        assert_eq!(sampled(&wild, 3).1, sampled(&scenario(5), 3).1, "many tries of one draw change nothing");
    }
}
