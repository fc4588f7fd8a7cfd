//! Equivalent mass, terminal speed, time constant and gradeability of each gear.

use super::check_values::{built, case, close, drive_for, ground, number, numbers, reference, rows};
use lowgear_env::motion::{GRAVITY_M_S2, Plant, Track};

/// Ground that never lets the wheels slip in these rows.
const STICKY: f64 = 1.5;
/// The ODE's own global error at rtol 1e-11, with room.
const ODE: f64 = 1e-9;

/// Closed form `m + (J_w + G² J_m) / r²` (Gillespie, *Fundamentals of Vehicle Dynamics*, 1992, eq. 2-9); while
/// driving the rotor's part passes the gears and is multiplied by their efficiency.
#[test]
fn the_equivalent_mass_counts_wheels_and_rotor() {
    let expected = case("equivalent_mass");
    let vehicle = built(&reference());
    let lossless = numbers(&expected, "equivalent_mass_lossless_kg");
    let driving = numbers(&expected, "equivalent_mass_efficiency_on_motor_inertia_kg");
    for (i, gear) in vehicle.gears.iter().enumerate() {
        close(vehicle.rolling_mass_kg + gear.rotor_kg, lossless[i], 1e-12, "lossless");
        close(vehicle.rolling_mass_kg + 0.8 * gear.rotor_kg, driving[i], 1e-12, "driving");
    }
}

/// Closed form and ODE (SciPy DOP853, rtol 1e-11). Rows at -5° do not apply: the gears are back-driven there.
#[test]
fn speed_builds_up_to_the_terminal_speed_with_the_right_time_constant() {
    let vehicle = built(&reference());
    let mut used = 0;
    for row in rows("terminal_speed") {
        let (gear, grade_deg) = (number(&row, "gear") as usize - 1, number(&row, "grade_deg"));
        if grade_deg < 0.0 || row["can_start"] == false {
            continue;
        }
        used += 1;
        let track = Track::new(ground(0.03, STICKY, grade_deg), &vehicle);
        let mut plant = Plant::new(&vehicle, &track, gear);
        let tau_s = number(&row, "time_constant_s");
        let speeds = numbers(&row, "ode_speed_at_0p5_1_3_10_tau_m_s");
        for (span, speed) in [0.5, 0.5, 2.0, 7.0].iter().zip(speeds) {
            plant.advance(&vehicle, &track, span * tau_s, 1.0);
            close(plant.v_m_s, speed, ODE, &format!("gear {gear} at {grade_deg}°"));
            if *span == 2.0 {
                close(plant.x_m, number(&row, "closed_distance_at_3tau_m"), ODE, "distance at 3 tau");
            }
        }
        plant.advance(&vehicle, &track, 20.0 * tau_s, 1.0);
        close(plant.v_m_s, number(&row, "terminal_speed_m_s"), ODE, "terminal speed");
        close(plant.current_a, number(&row, "current_at_terminal_A"), ODE, "current at terminal speed");
        assert!(!plant.slipping);
    }
    assert_eq!(used, 14, "every row that applies");
}

/// The one row that cannot start: it must not move, neither up nor down (the motor holds it).
#[test]
fn a_gear_that_cannot_start_stays_where_it_is() {
    let vehicle = built(&reference());
    let track = Track::new(ground(0.03, STICKY, 30.0), &vehicle);
    let mut plant = Plant::new(&vehicle, &track, 2);
    assert!(!drive_for(&mut plant, &vehicle, &track, 5.0, 1.0));
    assert_eq!(plant.x_m, 0.0);
}

/// Closed form: stall force against `m g (sin + Crr cos)`. 0.02° is 0.03 % of the force at the limit.
#[test]
fn each_gear_climbs_up_to_its_limit_and_no_further() {
    let vehicle = built(&reference());
    for row in rows("gradeability") {
        let gear = number(&row, "gear") as usize - 1;
        let line = vehicle.motor.line(7.4, 0.1, 1.0, 3.0);
        let force_n = vehicle.gears[gear].efficiency * vehicle.gears[gear].turn_rad_m * line.stall_nm();
        close(force_n, number(&row, "stall_tractive_force_N"), 1e-12, "stall force");
        let Some(limit_deg) = row["max_grade_torque_limited_deg"].as_f64() else {
            assert!(force_n > vehicle.mass_kg * GRAVITY_M_S2, "more force than weight");
            continue;
        };
        for (grade_deg, climbs) in [(limit_deg - 0.02, true), (limit_deg + 0.02, false)] {
            let track = Track::new(ground(0.03, STICKY, grade_deg), &vehicle);
            let mut plant = Plant::new(&vehicle, &track, gear);
            assert_eq!(
                drive_for(&mut plant, &vehicle, &track, 2.0, 1.0),
                climbs,
                "gear {gear} at {grade_deg}°"
            );
        }
    }
}
