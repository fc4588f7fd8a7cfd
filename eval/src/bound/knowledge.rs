//! What a preview knows of its vehicle and of its state, from everything to what a controller can know.

use lowgear_env::motion::Plant;
use lowgear_env::{Drive, Scenario, World};
use lowgear_onboard::Feature;
use std::sync::Arc;

/// What a preview knows of its vehicle and its state.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Knowledge {
    /// The vehicle as it was drawn; otherwise it is taken to be the one in the middle of all that are drawn.
    pub vehicle: bool,
    /// The speed; otherwise it is what the controller's feature shows, late and noisy.
    pub speed: bool,
    /// The position in front of the obstacles.
    pub position: Position,
}

/// How a preview knows where it is in front of the obstacles.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Position {
    /// Exactly.
    Exact,
    /// Off by the way driven in the time by which the vehicle's readings are later than those of the vehicle in the
    /// middle.
    Late,
    /// Off by as much as the controller's own count of the way to the next strike, where it has one in view.
    Counted,
}

/// A count that is farther off from every obstacle is of something else, m.
const COUNTED_M: f64 = 0.06;

impl Knowledge {
    /// All of it.
    pub const ALL: Knowledge = Knowledge { vehicle: true, speed: true, position: Position::Exact };

    /// The vehicle at its start that is taken for that of `drive`.
    pub(super) fn model(self, drive: &Drive) -> Drive {
        if self.vehicle {
            return drive.clone();
        }
        let mut scenario = Scenario::clone(drive.scenario());
        scenario.vehicle.variation = scenario.vehicle.variation.nominal();
        Drive::new(Arc::new(scenario), drive.episode())
    }

    /// Speed in a gear, m/s.
    pub(super) fn speed_m_s(self, drive: &Drive, model: &Drive, plant: &Plant, gear: usize) -> f64 {
        if self.speed {
            return plant.v_m_s;
        }
        let permille = f64::from(drive.observation().get(Feature::MotorSpeed));
        let vehicle = model.vehicle();
        let no_load_rad_s = vehicle.battery.nominal_voltage_v / vehicle.motor.emf_constant_v_s;
        permille * 1e-3 * no_load_rad_s / vehicle.gears[gear].turn_rad_m
    }

    /// By how much the position is taken to be farther than it is, m.
    pub(super) fn offset_m(self, drive: &Drive, v_m_s: f64) -> f64 {
        match self.position {
            Position::Exact => 0.0,
            Position::Late => {
                let (vehicle, config) = (drive.vehicle(), &drive.scenario().vehicle);
                let usual = f64::from(config.sensors.latency_ticks) + config.variation.latency_ticks.centre();
                v_m_s * (usual - vehicle.latency_ticks as f64) * vehicle.tick_s
            }
            Position::Counted => counted_offset_m(drive).unwrap_or(0.0),
        }
    }
}

/// Way that is left to the strike which the controller counts down, less what it counts, m; none where it counts none,
/// or stands on it, or no obstacle is near.
#[must_use]
pub fn counted_offset_m(drive: &Drive) -> Option<f64> {
    let features = drive.observation();
    let counted_m = f64::from(features.get(Feature::StrikeMm)) / 1000.0;
    let x_m = drive.plant().x_m;
    let axles = &drive.vehicle().axles[..drive.vehicle().axle_count];
    let obstacles = drive.track().course.obstacles.iter();
    let left_m = obstacles.flat_map(|o| axles.iter().map(|axle| o.position_m + axle.behind_front_m - x_m));
    let offsets_m = left_m.map(|left_m| left_m - counted_m).filter(|offset_m| offset_m.abs() < COUNTED_M);
    let in_view = features.get(Feature::StrikeClass) > 1 && counted_m > 0.0;
    offsets_m.min_by(|a, b| a.abs().total_cmp(&b.abs())).filter(|_| in_view)
}

#[cfg(test)]
mod tests {
    use super::*;
    use lowgear_env::config::ParameterDistribution;
    use lowgear_env::{EpisodeConfig, Seed, load_course};
    use lowgear_onboard::Request;
    use std::path::Path;

    fn drive() -> Drive {
        let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
        let vehicle = lowgear_env::config::load(&configs.join("vehicles/demo-cart-feeler.toml")).unwrap();
        let course = load_course(&configs.join("courses/level-path-canes.toml")).unwrap();
        let mut scenario = Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(5));
        // The usual delay is 1.5 ticks.
        scenario.vehicle.variation.latency_ticks = ParameterDistribution::Uniform { low: 0.0, high: 3.0 };
        Drive::new(Arc::new(scenario), 2)
    }

    #[test]
    fn a_vehicle_that_is_not_known_is_the_one_in_the_middle_on_the_same_course() {
        let drive = drive();
        let model = Knowledge { vehicle: false, ..Knowledge::ALL }.model(&drive);
        assert_eq!(model.track().course, drive.track().course);
        let (own, taken) = (drive.vehicle(), model.vehicle());
        assert_eq!((taken.mass_kg, taken.latency_ticks), (5.0, 2));
        assert!((own.mass_kg - 5.0).abs() > 0.01);
        assert_eq!(Knowledge::ALL.model(&drive).vehicle().mass_kg, own.mass_kg);
    }

    #[test]
    fn a_position_is_off_by_the_way_driven_in_the_unusual_delay() {
        let drive = drive();
        let delay = drive.vehicle().latency_ticks as f64;
        let late = Knowledge { position: Position::Late, ..Knowledge::ALL };
        assert!((late.offset_m(&drive, 0.2) - 0.2 * 0.05 * (1.5 - delay)).abs() < 1e-12);
        assert_eq!(Knowledge::ALL.offset_m(&drive, 0.2), 0.0);
    }

    #[test]
    fn a_position_that_is_counted_is_off_by_what_the_controller_counts_wrong() {
        let mut drive = drive();
        let counted = Knowledge { position: Position::Counted, ..Knowledge::ALL };
        assert_eq!(counted.offset_m(&drive, 0.2), 0.0, "nothing in view");
        let mut offsets_m = Vec::new();
        while !drive.has_ended() && offsets_m.len() < 20 {
            drive.step(Request::Up as usize);
            let offset_m = counted.offset_m(&drive, 0.2);
            offsets_m.extend((offset_m != 0.0).then_some(offset_m));
        }
        assert_eq!(offsets_m.len(), 20);
        assert!(offsets_m.iter().all(|offset_m| offset_m.abs() < COUNTED_M));
    }

    #[test]
    fn a_speed_that_is_measured_is_near_the_speed() {
        let mut drive = drive();
        for _ in 0..40 {
            drive.step(Request::Hold as usize);
        }
        let plant = drive.plant();
        let gear = plant.gear.unwrap();
        let speed = |knowledge: Knowledge| knowledge.speed_m_s(&drive, &drive, &plant, gear);
        assert_eq!(speed(Knowledge::ALL), plant.v_m_s);
        let measured = speed(Knowledge { speed: false, ..Knowledge::ALL });
        assert!((measured / plant.v_m_s - 1.0).abs() < 0.1 && measured != plant.v_m_s, "{measured}");
    }
}
