//! Grades at the limit of the grip.

use super::check_values::{built, case, drive_for, ground, number, reference, rows};
use lowgear_env::motion::{Plant, Track};
use lowgear_env::vehicle::{Vehicle, VehicleConfig};

/// Slip sets in at the limit itself; 0.05° is the margin to either side (0.1 to 0.3 % of the force).
const MARGIN_DEG: f64 = 0.05;

fn climbs(vehicle: &Vehicle, friction: f64, grade_deg: f64) -> bool {
    let track = Track::new(ground(0.03, friction, grade_deg), vehicle);
    let mut plant = Plant::new(vehicle, &track, 0);
    let moved = drive_for(&mut plant, vehicle, &track, 3.0, 1.0);
    assert!(moved || plant.slipping, "first gear has the torque, so it slips or climbs");
    assert!(moved || plant.motor_rad_s > 0.0, "slipping wheels turn");
    moved
}

fn assert_limit(vehicle: &Vehicle, friction: f64, limit_deg: f64) {
    assert!(climbs(vehicle, friction, limit_deg - MARGIN_DEG), "friction {friction} below {limit_deg}°");
    assert!(!climbs(vehicle, friction, limit_deg + MARGIN_DEG), "friction {friction} above {limit_deg}°");
}

/// Closed form `tan = mu - Crr`: rolling resistance acts on the chassis.
#[test]
fn all_wheel_drive_climbs_as_far_as_the_ground_grips() {
    let vehicle = built(&reference());
    for row in rows("traction_all_wheel") {
        assert_limit(&vehicle, number(&row, "mu"), number(&row, "max_grade_deg"));
    }
}

fn two_wheel_drive(rear: bool) -> VehicleConfig {
    let inputs = &case("traction_two_wheel")["inputs"];
    let mut config = reference();
    let wheelbase = number(inputs, "wheelbase_m");
    config.chassis.cg_height_m = number(inputs, "cg_height_m");
    config.chassis.cg_behind_front_m = wheelbase - number(inputs, "cg_to_rear_axle_m");
    config.chassis.axles[1].behind_front_m = wheelbase;
    config.chassis.axles[0].driven = !rear;
    config.chassis.axles[1].driven = rear;
    config
}

/// Closed form with the load moving to the rear on a grade (Wong, *Theory of Ground Vehicles*, ch. 3).
#[test]
fn two_wheel_drive_climbs_as_far_as_the_load_on_its_axle_allows() {
    for row in case("traction_two_wheel")["rows"].as_array().unwrap() {
        let friction = number(row, "mu");
        assert_limit(&built(&two_wheel_drive(true)), friction, number(row, "max_grade_rear_drive_deg"));
        assert_limit(&built(&two_wheel_drive(false)), friction, number(row, "max_grade_front_drive_deg"));
    }
}
