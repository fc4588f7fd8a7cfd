//! Laps of one way: what stays from lap to lap, and what does not.
//!
//! Edges, grades, borders of surfaces and roughness stay. An obstacle with a `met-share` is met on some laps only: it was
//! cleared away, or the wheels passed it by. Obstacles of one lap come on top. Grass grows and ground is wet: surfaces have a
//! factor per lap. The vehicle starts somewhat before or behind the mark, on wheels that are never quite as large as before,
//! and its wheels turn further than it moves. Not modelled: a vehicle that leaves its track for good, obstacles that are
//! pushed along.

use super::generate::{CourseConfig, Ground, LEAST_GAP_M};
use super::{Course, Obstacle};
use crate::config::{Check, KeyError, ParameterDistribution, in_range};
use rand::{Rng, RngExt};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Laps of one way. Episodes `0..count` are laps of the first way, the next `count` of the second, and so on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct LapsConfig {
    /// Laps of each way, 1 to 1000.
    pub count: u32,
    /// Where a lap starts, m behind the mark (negative: before it), -0.3 to 0.3; drawn for each lap. The finish stays.
    #[serde(default = "nought")]
    pub start_offset_m: ParameterDistribution,
    /// Factor on the radius of the wheels, 0.9 to 1.1; drawn for each lap. The controller knows that of the vehicle file.
    #[serde(default = "one")]
    pub wheel_radius_factor: ParameterDistribution,
    /// How much further the wheels turn than the vehicle moves, as a share, -0.2 to 0.5; drawn for each piece of 0.2 m of each
    /// lap. The counts of the encoder have it, the motion has not.
    #[serde(default = "nought")]
    pub slip_share: ParameterDistribution,
}

fn nought() -> ParameterDistribution {
    ParameterDistribution::Fixed(0.0)
}

fn one() -> ParameterDistribution {
    ParameterDistribution::Fixed(1.0)
}

/// A lap of a way.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct LapNumber {
    /// Number of the way, from 0.
    pub way: u64,
    /// Number of the lap of that way, from 0.
    pub lap: u64,
}

impl LapsConfig {
    /// Which lap of which way an episode is.
    #[must_use]
    pub fn lap_of(&self, episode: u64) -> LapNumber {
        let count = u64::from(self.count.max(1));
        LapNumber { way: episode / count, lap: episode % count }
    }
}

impl CourseConfig {
    /// One lap of the way that `way_rng` draws. `measured` stands in for a way that is not drawn.
    pub fn lap(&self, measured: Option<&Course>, way_rng: &mut impl Rng, lap_rng: &mut impl Rng) -> Course {
        let ground = match measured {
            Some(course) => Ground { course: course.clone(), kinds: vec![], patches: vec![], placed: vec![] },
            None => self.ground(way_rng),
        };
        let offset_m = self.laps.map_or(0.0, |laps| laps.start_offset_m.draw(lap_rng));
        let factors: Vec<f64> =
            self.surfaces.iter().map(|s| s.lap_factor.map_or(1.0, |factor| factor.draw(lap_rng))).collect();
        let obstacles = self.lap_obstacles(&ground, lap_rng);
        let mut course = Course { obstacles, ..ground.course };
        for surface in &mut course.surfaces {
            let factor =
                self.surfaces.iter().position(|s| s.name == surface.name).map_or(1.0, |i| factors[i]);
            surface.rolling *= factor;
            surface.drag_s_m *= factor;
        }
        shift_start(&mut course, offset_m);
        course
    }

    /// The obstacles that the wheels meet on this lap.
    fn lap_obstacles(&self, ground: &Ground, lap_rng: &mut impl Rng) -> Vec<Obstacle> {
        let kinds = self.random.as_ref().map_or(&[][..], |random| &random.obstacles);
        let mut met = Vec::new();
        for (i, obstacle) in ground.course.obstacles.iter().enumerate() {
            // One draw each, whatever the share: laps of other shares stay comparable.
            let chance = lap_rng.random::<f64>();
            let kind = ground.kinds.get(i).and_then(|&kind| kinds.get(kind));
            if chance < kind.and_then(|kind| kind.met_share).unwrap_or(1.0) {
                met.push(*obstacle);
            }
        }
        for kind in kinds {
            let rate = kind.stray_rate_per_m.unwrap_or(0.0);
            let strays = kind.place(rate, ground.course.length_m, &self.surfaces, &ground.patches, lap_rng);
            met.extend(strays.iter().filter(|stray| stray.lies).map(|stray| stray.obstacle));
        }
        met.sort_by(|a, b| a.position_m.total_cmp(&b.position_m));
        met.dedup_by(|b, a| b.position_m - a.position_m < LEAST_GAP_M);
        met
    }
}

/// What has changed on a way since a vehicle learned it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum GroundChange {
    /// The obstacle nearest to `near_m` lies farther on by `by_m`.
    Moved {
        /// Where to look for it, m.
        near_m: f64,
        /// How far, m.
        by_m: f64,
    },
    /// One more obstacle lies across the way.
    Added(Obstacle),
}

impl Course {
    /// The course after a change; of obstacles that come to lie closer to each other than a wheel can tell, the first stays.
    #[must_use]
    pub fn changed(mut self, change: GroundChange) -> Course {
        match change {
            GroundChange::Moved { near_m, by_m } => {
                let apart_m = |obstacle: &Obstacle| (obstacle.position_m - near_m).abs();
                let nearest = self.obstacles.iter_mut().min_by(|a, b| apart_m(a).total_cmp(&apart_m(b)));
                if let Some(obstacle) = nearest {
                    obstacle.position_m += by_m;
                }
            }
            GroundChange::Added(obstacle) => self.obstacles.push(obstacle),
        }
        self.obstacles.sort_by(|a, b| a.position_m.total_cmp(&b.position_m));
        self.obstacles.dedup_by(|b, a| b.position_m - a.position_m < LEAST_GAP_M);
        self
    }
}

/// Moves the start of a course to `offset_m`; its end stays.
fn shift_start(course: &mut Course, offset_m: f64) {
    course.length_m -= offset_m;
    for segment in &mut course.segments {
        segment.start_m -= offset_m;
    }
    for obstacle in &mut course.obstacles {
        obstacle.position_m -= offset_m;
    }
}

impl Check for LapsConfig {
    fn check(&self) -> Result<(), KeyError> {
        in_range("count", f64::from(self.count), 1.0, 1000.0, "")?;
        self.start_offset_m.check_within("start-offset-m", -0.3, 0.3, "m")?;
        self.wheel_radius_factor.check_within("wheel-radius-factor", 0.9, 1.1, "")?;
        self.slip_share.check_within("slip-share", -0.2, 0.5, "")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{EpisodeConfig, Scenario, Seed, load_course};
    use std::path::Path;

    fn scenario() -> Scenario {
        let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
        let vehicle = crate::config::load(&configs.join("vehicles/demo-cart.toml")).unwrap();
        let course = load_course(&configs.join("courses/garden-laps.toml")).unwrap();
        Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(11))
    }

    fn still(mut scenario: Scenario) -> Scenario {
        let laps = LapsConfig {
            count: 10,
            start_offset_m: nought(),
            wheel_radius_factor: one(),
            slip_share: nought(),
        };
        scenario.course.laps = Some(laps);
        for surface in &mut scenario.course.surfaces {
            surface.lap_factor = None;
        }
        for kind in scenario.course.random.iter_mut().flat_map(|random| &mut random.obstacles) {
            (kind.met_share, kind.stray_rate_per_m) = (None, None);
        }
        scenario
    }

    #[test]
    fn laps_of_one_way_are_the_same_course_where_nothing_changes() {
        let scenario = still(scenario());
        let course = |episode| scenario.instantiate(episode).1.course;
        assert_eq!(course(0), course(9));
        assert_ne!(course(9), course(10), "the next way");
        let mut single = scenario.clone();
        single.course.laps = None;
        assert_eq!(course(13), single.instantiate(1).1.course, "way 1 is course 1");
    }

    #[test]
    fn grades_stay_and_canes_come_and_go() {
        let scenario = scenario();
        let laps: Vec<Course> = (0..10).map(|lap| scenario.instantiate(lap).1.course).collect();
        let grades = |course: &Course| course.segments.iter().map(|s| s.sin_grade).collect::<Vec<f64>>();
        assert!(laps.iter().all(|lap| grades(lap) == grades(&laps[0])));
        let counts: Vec<usize> = laps.iter().map(|lap| lap.obstacles.len()).collect();
        assert!(counts.iter().any(|count| *count != counts[0]), "{counts:?}");
        assert!(laps.windows(2).any(|pair| pair[0].surfaces != pair[1].surfaces), "grass grows");
    }

    #[test]
    fn obstacles_are_met_as_often_as_asked_for() {
        let mut scenario = still(scenario());
        let random = scenario.course.random.as_mut().unwrap();
        random.obstacles.truncate(1);
        random.obstacles[0].met_share = Some(0.7);
        let (mut met, mut there) = (0, 0);
        let mut all = scenario.clone();
        all.course.random.as_mut().unwrap().obstacles[0].met_share = None;
        for episode in 0..600 {
            met += scenario.instantiate(episode).1.course.obstacles.len();
            there += all.instantiate(episode).1.course.obstacles.len();
        }
        let share = met as f64 / there as f64;
        // 1.5 a lap: a standard deviation of 0.015.
        assert!((share - 0.7).abs() < 0.05, "{met} of {there}");
    }

    #[test]
    fn a_later_start_moves_everything_nearer_and_the_finish_with_it() {
        let mut course = scenario().instantiate(0).1.course;
        let before = course.clone();
        shift_start(&mut course, 0.2);
        assert!((course.length_m - before.length_m + 0.2).abs() < 1e-12);
        assert!((course.obstacles[0].position_m - before.obstacles[0].position_m + 0.2).abs() < 1e-12);
        let sections = before.segments.iter().zip(&course.segments).skip(1);
        assert!(sections.into_iter().all(|(a, b)| (a.start_m - b.start_m - 0.2).abs() < 1e-12));
    }

    #[test]
    fn one_vehicle_drives_all_laps_on_wheels_that_differ_a_little() {
        let scenario = scenario();
        let (first, _) = scenario.instantiate(20);
        let (second, _) = scenario.instantiate(21);
        assert_eq!(first.mass_kg, second.mass_kg);
        assert_ne!(first.charge, second.charge);
        assert_ne!(first.wheel_radius_m, second.wheel_radius_m);
        // What belongs together stays together.
        for vehicle in [&first, &second] {
            let gear = vehicle.gears[0];
            assert!((gear.turn_rad_m * vehicle.wheel_radius_m / gear.ratio - 1.0).abs() < 1e-12);
        }
    }
}
