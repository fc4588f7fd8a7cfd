//! Steps: the force to start on them and the speed to coast over them.

use super::check_values::{built, close, drive_for, ground_with, number, reference, rows};
use lowgear_env::motion::{GRAVITY_M_S2, Plant, Track};
use lowgear_env::terrain::{Contact, Obstacle, ObstacleShape};
use lowgear_env::vehicle::{AxleConfig, Vehicle, VehicleConfig};
use serde_json::Value;

/// Closed form: push `W tan(theta)` on a towed wheel, torque `W r sin(theta)` on a driven one, `cos(theta) =
/// 1 - h/r` (statics of a wheel at a step).
#[test]
fn the_first_touch_needs_the_force_of_statics() {
    for row in rows("step_static") {
        let (height, load) = (number(&row, "step_height_m"), number(&row, "axle_load_N"));
        let contact = |driven| Contact::new(ObstacleShape::Edge, height, 0.04, driven).unwrap();
        let angle = contact(true).cosine.acos().to_degrees();
        close(angle, number(&row, "contact_angle_deg"), 1e-10, "angle");
        let push = load * contact(false).slope;
        close(push, number(&row, "horizontal_push_at_hub_towed_wheel_N"), 1e-10, "push");
        let torque = load * contact(true).slope * 0.04;
        close(torque, number(&row, "torque_driven_wheel_no_push_Nm"), 1e-10, "torque");
        // The work to the top, force falling linearly: exactly the lifted weight.
        for driven in [true, false] {
            let c = contact(driven);
            close(0.5 * load * c.slope * c.width_m, load * height, 1e-12, "work");
        }
    }
}

/// A step high enough to be a wall: `h >= r`.
#[test]
fn a_step_as_high_as_the_hub_is_a_wall() {
    assert!(Contact::new(ObstacleShape::Edge, 0.04, 0.04, true).is_none());
    let vehicle = built(&reference());
    assert!(!starts_at(&vehicle, 0.045, 1.5, 1.0), "no thrust climbs a wall");
}

/// Starts at rest a nanometre before first touch of a step with the front wheel; tells whether that wheel
/// gets to the top.
fn starts_at(vehicle: &Vehicle, height_m: f64, friction: f64, duty: f64) -> bool {
    let step = Obstacle { position_m: 10.0, height_m, shape: ObstacleShape::Edge };
    let track = Track::new(ground_with(step, 0.0, friction), vehicle);
    let driven = vehicle.axles[0].driven;
    let width = Contact::new(ObstacleShape::Edge, height_m, 0.04, driven).map_or(1e-3, |c| c.width_m);
    let mut plant = Plant::at(vehicle, &track, 10.0 - width - 1e-9, 0.0, 0);
    drive_for(&mut plant, vehicle, &track, 15.0, duty);
    plant.x_m >= 10.0
}

/// Duty at which first gear pushes with `force_n` at standstill (battery resistance left out).
fn duty_for(vehicle: &Vehicle, force_n: f64) -> f64 {
    let gear = vehicle.gears[0];
    let torque_nm = force_n / (gear.efficiency * gear.turn_rad_m);
    let motor = &vehicle.motor;
    let current_a = torque_nm / motor.torque_constant_nm_a + motor.no_load_current_a;
    current_a * motor.resistance_ohm / vehicle.battery.open_circuit_v(1.0)
}

fn stiff_and_strong(front_driven: bool) -> VehicleConfig {
    let mut config = reference();
    config.battery.resistance_ohm = 0.0;
    config.battery.ocv_v = vec![40.0, 40.0];
    config.chassis.cg_height_m = 0.0;
    config.chassis.axles[0].driven = front_driven;
    config.gearbox.total_ratio = vec![72.0, 36.0, 12.0];
    config
}

/// Just under and just over the force of statics, 0.5 % each; the run-up of a nanometre adds far less.
fn assert_force_decides(vehicle: &Vehicle, row: &Value, force_n: f64) {
    let height = number(row, "step_height_m");
    for (share, climbs) in [(0.995, false), (1.005, true)] {
        let duty = duty_for(vehicle, share * force_n);
        assert!(duty <= 1.0, "the motor can give {force_n} N");
        assert_eq!(starts_at(vehicle, height, 12.0, duty), climbs, "{share} of {force_n} N, {row}");
    }
}

#[test]
fn a_driven_axle_starts_on_a_step_with_the_torque_of_statics() {
    let vehicle = built(&stiff_and_strong(true));
    for row in rows("step_static") {
        assert_force_decides(&vehicle, &row, number(&row, "torque_driven_wheel_no_push_Nm") / 0.04);
    }
}

#[test]
fn a_towed_axle_starts_on_a_step_with_the_push_of_statics() {
    let vehicle = built(&stiff_and_strong(false));
    for row in rows("step_static") {
        assert_force_decides(&vehicle, &row, number(&row, "horizontal_push_at_hub_towed_wheel_N"));
    }
}

fn one_axle() -> VehicleConfig {
    let mut config = reference();
    config.chassis.axles = vec![AxleConfig { behind_front_m: 0.0, driven: true }];
    config.chassis.cg_behind_front_m = 0.0;
    config.gearbox.total_ratio = vec![72.0, 36.0, 12.0];
    config
}

/// Closed form: a driven wheel without push from another axle needs `mu >= tan(theta)`.
#[test]
fn a_lone_driven_axle_needs_the_grip_of_statics() {
    let vehicle = built(&one_axle());
    for row in rows("step_static") {
        let (height, needed) =
            (number(&row, "step_height_m"), number(&row, "mu_needed_driven_wheel_no_push"));
        assert!(starts_at(&vehicle, height, 1.005 * needed, 1.0), "grips: {row}");
        assert!(!starts_at(&vehicle, height, 0.995 * needed, 1.0), "slips: {row}");
    }
}

/// Closed form with the plastic strike, ODE climbs at +0.1 % and fails at -0.1 %; here +-0.5 %. One axle
/// carries the whole vehicle; wheel inertia `k m r²`; neutral, no rolling resistance.
#[test]
fn a_vehicle_coasts_over_a_step_from_the_speed_of_the_momentum_balance_on() {
    for row in rows("step_momentum") {
        let mut config = one_axle();
        let inertia = number(&row, "inertia_factor_I_over_mr2");
        config.chassis.wheel_inertia_kg_m2 = inertia * config.chassis.mass_kg * 0.04 * 0.04;
        let vehicle = built(&config);
        let height_m = 0.04 * number(&row, "step_height_over_radius");
        let step = Obstacle { position_m: 10.0, height_m, shape: ObstacleShape::Edge };
        let track = Track::new(ground_with(step, 0.0, 1.0), &vehicle);
        let needed = number(&row, "min_approach_speed_m_s");
        for (share, climbs) in [(0.995, false), (1.005, true)] {
            let mut plant = Plant::at(&vehicle, &track, 9.9, share * needed, 0);
            plant.disengage(&vehicle);
            drive_for(&mut plant, &vehicle, &track, 4.0, 0.0);
            assert_eq!(plant.x_m > 10.0, climbs, "{share} of {needed} m/s, {row}");
            let struck = 0.5 * vehicle.rolling_mass_kg * (share * needed).powi(2);
            let kept = number(&row, "hub_speed_ratio_after_impact").powi(2);
            if climbs {
                // Struck once; a vehicle that fails is struck again where it comes down.
                close(plant.energies.impact_j, struck * (1.0 - kept), 1e-9, "energy of the strike");
                let lifted = vehicle.mass_kg * GRAVITY_M_S2 * height_m;
                close(plant.energies.potential_j, lifted, 1e-9, "lifted weight");
            }
        }
    }
}
