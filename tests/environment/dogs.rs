//! Dogs and selector: the impact, the move, the chance to enter.

use super::check_values::{built, case, close, ground, number, reference, rows};
use lowgear_env::motion::{Plant, Track};

/// Closed form; the peak torque is the ODE's (two inertias and a spring; SciPy DOP853, rtol 1e-11). The
/// reference's life curve reads a cycle's damage as its range: neutral, the peak and back is half a cycle up
/// and half a cycle down.
#[test]
fn dogs_that_meet_at_different_speeds_shock_as_the_oscillator_says() {
    let expected = case("dogs");
    let mut config = reference();
    config.motor.rotor_inertia_kg_m2 = number(&expected["inputs"], "motor_side_inertia_kgm2");
    config.gearbox.stiffness_nm_rad = number(&expected["inputs"], "torsional_stiffness_Nm_per_rad");
    let vehicle = built(&config);
    let track = Track::new(ground(0.03, 1.0, 0.0), &vehicle);
    for row in expected["rows"].as_array().unwrap() {
        let difference = number(row, "speed_difference_rad_s");
        let mut plant = Plant::at(&vehicle, &track, 0.0, 1.0, 1);
        plant.disengage(&vehicle);
        plant.motor_rad_s += difference * vehicle.gears[1].ratio;
        let before = (plant.v_m_s, plant.kinetic_j(&vehicle));
        close(plant.mismatch_rad_s(&vehicle, 1), difference, 1e-12, "difference");
        plant.engage(&vehicle, 1);
        close(plant.v_m_s - before.0, number(row, "vehicle_speed_step_m_s"), 1e-9, "speed step");
        let lost = number(row, "energy_lost_rigid_J");
        close(plant.energies.engage_j, lost, 1e-12, "energy booked");
        close(before.1 - plant.kinetic_j(&vehicle), lost, 1e-9, "energy that is gone");
        close(plant.stress.total(), number(row, "ode_peak_torque_elastic_Nm"), 1e-9, "peak torque");
    }
}

/// Closed form: a triangle of speed, or a trapezoid.
#[test]
fn the_selector_takes_the_time_of_its_speed_profile() {
    let mut selector = reference().selector;
    for row in rows("servo") {
        selector.speed_deg_s = number(&row, "max_speed_deg_s");
        selector.acceleration_deg_s2 = number(&row, "max_accel_deg_s2");
        close(selector.move_time_s(number(&row, "angle_deg")), number(&row, "time_s"), 1e-12, "time");
    }
}

/// Facts of the trade (notes, 2.3): more mismatch hurts, more dogs and a faster sleeve help.
#[test]
fn the_chance_to_enter_falls_with_the_mismatch() {
    let mut dogs = reference().dogs;
    (dogs.count, dogs.gap_deg, dogs.overlap_mm, dogs.axial_speed_mm_s) = (6, 30.0, 2.0, 60.0);
    let chances: Vec<f64> = (0..40).map(|i| dogs.entry_chance(f64::from(i))).collect();
    close(chances[0], 0.5, 1e-12, "at rest the share of open phases");
    assert!(chances.windows(2).all(|c| c[1] <= c[0]) && chances[39] == 0.0);
    assert_eq!(dogs.entry_chance(-5.0), dogs.entry_chance(5.0));
    let mut faster = dogs;
    faster.axial_speed_mm_s *= 2.0;
    assert!(faster.entry_chance(10.0) > dogs.entry_chance(10.0));
}

/// Closed forms: friction `Kt i0 / J` slows an undriven motor from its speed in first gear to that in second, full
/// voltage brings it back, and engaged at once it differs by this at the wheel.
#[test]
fn a_motor_in_neutral_takes_the_time_of_the_closed_form_to_the_speed_of_the_next_gear() {
    let expected = case("sync");
    let vehicle = built(&reference());
    let track = Track::new(ground(0.03, 1.0, 0.0), &vehicle);
    let (fast, slow) =
        (number(&expected, "motor_speed_gear1_rad_s"), number(&expected, "motor_speed_gear2_rad_s"));
    let mut plant = Plant::at(&vehicle, &track, 0.0, number(&expected, "vehicle_speed_m_s"), 0);
    close(plant.motor_rad_s, fast, 1e-12, "in first gear");
    plant.disengage(&vehicle);
    let at_once = number(&expected, "mismatch_if_engaged_at_once_at_wheel_rad_s");
    close(plant.mismatch_rad_s(&vehicle, 1), at_once, 1e-12, "mismatch");
    plant.advance(&vehicle, &track, number(&expected, "upshift_time_open_circuit_s"), 0.0);
    close(plant.motor_rad_s, slow, 1e-12, "run down");
    plant.advance(&vehicle, &track, number(&expected, "downshift_time_at_full_voltage_s"), 1.0);
    close(plant.motor_rad_s, fast, 1e-9, "run up");
}
