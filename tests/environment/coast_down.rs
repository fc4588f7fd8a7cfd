//! Coasting to a stop.

use super::check_values::{built, case, close, drive_for, ground, number, numbers, reference, rows};
use lowgear_env::motion::{GRAVITY_M_S2, Plant, Track};
use lowgear_env::terrain::Course;
use lowgear_env::vehicle::{Vehicle, VehicleConfig};

fn coasting(config: &VehicleConfig, course: Course) -> (Vehicle, Track, Plant) {
    let vehicle = built(config);
    let track = Track::new(course, &vehicle);
    let mut plant = Plant::at(&vehicle, &track, 0.0, 2.0, 0);
    plant.disengage(&vehicle);
    (vehicle, track, plant)
}

/// Closed form, constant deceleration.
#[test]
fn rolling_resistance_alone_stops_at_the_closed_form() {
    let expected = &case("coast_down")["constant"];
    let (vehicle, track, mut plant) = coasting(&reference(), ground(0.03, 1.0, 0.0));
    let stop_s = number(expected, "stop_time_s");
    plant.advance(&vehicle, &track, 0.5 * stop_s, 0.0);
    close(plant.v_m_s, 1.0, 1e-12, "half way in time");
    plant.advance(&vehicle, &track, 0.4999 * stop_s, 0.0);
    assert!(plant.v_m_s > 0.0, "not before its time");
    plant.advance(&vehicle, &track, 0.0002 * stop_s, 0.0);
    assert_eq!(plant.v_m_s, 0.0, "and not after");
    close(plant.x_m, number(expected, "stop_distance_m"), 1e-12, "distance");
}

/// Closed form and ODE (SciPy DOP853, rtol 1e-11). Air drag is linear about the speed at the start of each
/// tick of 50 ms: the force is off by `0.6 c_d A (dv)²`, 2e-6 N of 0.5 N.
#[test]
fn air_drag_slows_as_the_ode_says() {
    let expected = &case("coast_down")["quadratic"];
    let mut config = reference();
    config.chassis.drag_area_m2 = 0.02;
    let (vehicle, track, mut plant) = coasting(&config, ground(0.03, 1.0, 0.0));
    let speeds = numbers(expected, "speed_at_0p25_0p5_1_s_m_s");
    let distances = numbers(expected, "distance_m");
    for (i, span) in [0.25, 0.25, 0.5].into_iter().enumerate() {
        drive_for(&mut plant, &vehicle, &track, span, 0.0);
        close(plant.v_m_s, speeds[i], 1e-5, "speed");
        close(plant.x_m, distances[i], 1e-5, "distance");
    }
    drive_for(&mut plant, &vehicle, &track, 10.0, 0.0);
    close(plant.x_m, number(expected, "stop_distance_m"), 1e-5, "stopping distance");
}

/// Closed form: speed falls with `m / c`, distance tends to `v m / c`.
#[test]
fn drag_by_grass_slows_exponentially() {
    let expected = &case("coast_down")["viscous"];
    let mut course = ground(0.0, 1.0, 0.0);
    course.surfaces[0].drag_s_m = 1.5 / (1.6 * GRAVITY_M_S2);
    let (vehicle, track, mut plant) = coasting(&reference(), course);
    plant.advance(&vehicle, &track, 1.0, 0.0);
    close(plant.v_m_s, number(expected, "speed_at_1s_m_s"), 1e-12, "speed at 1 s");
    // 40 s are 34 time constants.
    drive_for(&mut plant, &vehicle, &track, 39.0, 0.0);
    close(plant.x_m, number(expected, "distance_m"), 1e-12, "distance");
}

/// Closed form: back-driven gears multiply motor friction and rotor inertia by `1 / efficiency`.
#[test]
fn an_undriven_motor_in_gear_brakes_through_the_gears() {
    for row in case("coast_down")["in_gear"].as_array().unwrap() {
        let gear = number(row, "gear") as usize - 1;
        let vehicle = built(&reference());
        let mass =
            vehicle.rolling_mass_kg + vehicle.gears[gear].rotor_kg / vehicle.gears[gear].back_efficiency;
        close(mass, number(row, "equivalent_mass_kg"), 1e-12, "equivalent mass");
        let track = Track::new(ground(0.03, 1.0, 0.0), &vehicle);
        let mut plant = Plant::at(&vehicle, &track, 0.0, 2.0, gear);
        let stop_s = number(row, "open_circuit_stop_time_s");
        plant.advance(&vehicle, &track, 0.5 * stop_s, 0.0);
        close(plant.v_m_s, 1.0, 1e-12, "half way in time");
        plant.advance(&vehicle, &track, 0.5001 * stop_s, 0.0);
        assert_eq!(plant.v_m_s, 0.0);
        close(plant.x_m, stop_s, 1e-12, "distance, at a mean speed of 1 m/s");
    }
}

/// Closed form `0.5 rho c_d A v²` at `c_d A` of 0.02 m²: energy over the first tenth of a millimetre, in which the
/// speed hardly falls.
#[test]
fn air_drag_is_that_of_the_closed_form() {
    let mut config = reference();
    config.chassis.drag_area_m2 = 0.02;
    let vehicle = built(&config);
    let track = Track::new(ground(0.03, 1.0, 0.0), &vehicle);
    for row in rows("air_drag") {
        let speed_m_s = number(&row, "speed_m_s");
        let mut plant = Plant::at(&vehicle, &track, 0.0, speed_m_s, 0);
        plant.disengage(&vehicle);
        plant.advance(&vehicle, &track, 1e-4 / speed_m_s, 0.0);
        close(plant.energies.drag_j / plant.x_m, number(&row, "drag_N"), 2e-4, "drag");
    }
}
