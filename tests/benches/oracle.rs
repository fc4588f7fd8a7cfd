//! What a policy may be given besides the features, to find out which knowledge pays.

use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, config, load_course};
use std::path::Path;

/// Obstacles ahead, and behind, that are shown.
const OBSTACLES: usize = 2;
/// An obstacle farther away is none, m.
const FAR_M: f64 = 1.0;
/// Scale of the nearness of an obstacle, m.
const NEAR_M: f64 = 0.1;
/// Seed of the studies.
pub(crate) const SEED: u64 = 2026;

/// What the policy sees besides the features.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Oracle {
    /// The next obstacles: how far ahead, and how high.
    pub(crate) obstacles: bool,
    /// Mass, charge, friction, rolling resistance and warmth of the winding.
    pub(crate) vehicle: bool,
    /// Ticks by which readings are late, and how noisy they are.
    pub(crate) delay: bool,
    /// Speed.
    pub(crate) speed: bool,
    /// The last obstacles: how far behind the front axle, and how high.
    pub(crate) behind: bool,
}

impl Oracle {
    pub(crate) const ALL: Oracle =
        Oracle { obstacles: true, vehicle: true, delay: true, speed: true, behind: true };

    /// Appends the numbers, always as many.
    pub(crate) fn append(self, drive: &Drive, numbers: &mut Vec<f32>) {
        let (vehicle, plant) = (drive.vehicle(), drive.plant());
        let obstacles = &drive.track().course.obstacles;
        let first = obstacles.partition_point(|obstacle| obstacle.position_m < plant.x_m);
        let mut show = |shown: bool, values: &[f64]| {
            if shown {
                numbers.extend(values.iter().map(|&value| value as f32));
            }
        };
        for number in first..first + OBSTACLES {
            let next = obstacles.get(number);
            let ahead_m = next.map_or(FAR_M, |obstacle| (obstacle.position_m - plant.x_m).min(FAR_M));
            let (near, height_mm) =
                ((-ahead_m / NEAR_M).exp(), next.map_or(0.0, |obstacle| 1000.0 * obstacle.height_m));
            show(self.obstacles, &[ahead_m, near, near * height_mm, height_mm]);
        }
        show(
            self.vehicle,
            &[
                vehicle.mass_kg,
                plant.charge,
                vehicle.friction_factor,
                vehicle.rolling_factor,
                plant.temperature_rise.winding_k,
            ],
        );
        show(self.delay, &[vehicle.latency_ticks as f64, vehicle.sensor_noise_factor.ln()]);
        show(self.speed, &[plant.v_m_s]);
        for number in 1..=OBSTACLES {
            let last = first.checked_sub(number).map(|i| obstacles[i]);
            let behind_m = last.map_or(FAR_M, |obstacle| (plant.x_m - obstacle.position_m).min(FAR_M));
            show(self.behind, &[behind_m, last.map_or(0.0, |obstacle| 1000.0 * obstacle.height_m)]);
        }
    }
}

/// A shipped cart on a shipped course. All carts decide every two ticks, as those with a sensor do.
pub(crate) fn scenario(vehicle: &str, course: &str) -> Scenario {
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let mut vehicle: VehicleConfig =
        config::load(&configs.join("vehicles").join(format!("{vehicle}.toml"))).unwrap();
    vehicle.controller.decision_ticks = 2;
    let course = load_course(&configs.join("courses").join(format!("{course}.toml"))).unwrap();
    Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(SEED))
}
