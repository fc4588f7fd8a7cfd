//! Where the plan's grid has positions, and how fast its gears go.

use lowgear_env::motion::Track;
use lowgear_env::terrain::Contact;
use lowgear_env::vehicle::Vehicle;

/// Shares of a climb that are positions of the grid: finer where a vehicle that fails stops.
const CLIMB: [f64; 9] = [0.0, 0.06, 0.12, 0.2, 0.3, 0.4, 0.5, 0.7, 1.0];

/// Positions of the grid: evenly spaced, and where each axle meets an obstacle, is half way up and on top,
/// since that is where a vehicle gets stuck.
pub(super) fn positions_m(vehicle: &Vehicle, track: &Track, step_m: f64) -> Vec<f64> {
    let length_m = track.course.length_m;
    let steps = (length_m / step_m).ceil();
    let mut positions: Vec<f64> = (0..=steps as usize).map(|i| length_m * i as f64 / steps).collect();
    for axle in &vehicle.axles[..vehicle.axle_count] {
        for obstacle in &track.course.obstacles {
            let contact =
                Contact::new(obstacle.shape, obstacle.height_m, vehicle.wheel_radius_m, axle.driven);
            let width_m = contact.map_or(0.0, |c| c.width_m);
            let top_m = obstacle.position_m + axle.behind_front_m;
            positions.extend(CLIMB.map(|share| top_m - width_m * (1.0 - share)));
        }
    }
    positions.retain(|x| (0.0..=length_m).contains(x));
    positions.sort_by(f64::total_cmp);
    positions.dedup_by(|b, a| *b - *a < 1e-3);
    positions
}

/// No-load speed in each gear at the charge of the episode, m/s.
pub(super) fn no_load_speeds_m_s(vehicle: &Vehicle) -> Vec<f64> {
    let line = vehicle.motor.line(
        vehicle.battery.open_circuit_v(vehicle.charge),
        vehicle.battery.resistance_ohm,
        1.0,
        vehicle.motor.resistance_ohm,
    );
    vehicle.gears.iter().map(|gear| line.no_load_rad_s() / gear.turn_rad_m).collect()
}
