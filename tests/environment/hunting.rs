//! The hunting band of a speed-only schedule.

use super::check_values::{built, close, ground, number, reference, rows};
use lowgear_env::motion::{Plant, Track};
use lowgear_env::vehicle::Vehicle;
use serde_json::Value;

fn gears_of(row: &Value) -> (usize, usize) {
    match row["pair"].as_str().unwrap() {
        pair if pair.starts_with("gears 1-2") => (0, 1),
        pair if pair.starts_with("gears 2-3") => (1, 2),
        _ => (0, 2),
    }
}

fn force_n(vehicle: &Vehicle, gear: usize, speed_m_s: f64) -> f64 {
    let line = vehicle.motor.line(7.4, 0.1, 1.0, 3.0);
    let gear = vehicle.gears[gear];
    gear.efficiency * gear.turn_rad_m * (line.stall_nm() - line.slope_nm_s * gear.turn_rad_m * speed_m_s)
}

/// Closed forms: forces of the two gears at the two thresholds, and the speed at which they are equal.
#[test]
fn the_band_lies_where_the_two_forces_cross() {
    let vehicle = built(&reference());
    for row in rows("hunting") {
        let (low, high) = gears_of(&row);
        let (up, down) = (number(&row, "upshift_speed_m_s"), number(&row, "downshift_speed_m_s"));
        let (at_up, at_down) = (force_n(&vehicle, low, up), force_n(&vehicle, high, down));
        close(at_up, number(&row, "low_gear_force_at_upshift_N"), 1e-9, "low gear at its upshift");
        close(at_down, number(&row, "high_gear_force_at_downshift_N"), 1e-9, "high gear at its downshift");
        let equal = number(&row, "equal_force_speed_m_s");
        close(force_n(&vehicle, low, equal), force_n(&vehicle, high, equal), 1e-9, "equal force");
        // At the equal-force speed itself the two sides agree up to rounding.
        assert_eq!(at_down < at_up - 1e-9, row["hunts_for_some_steady_load"] == true, "{row}");
    }
}

/// Shifts in 20 s under a load in the middle of the band, shifts without interruption. The outside counts come
/// from a loop of 1 ms, which resolves a threshold to 1 ms: 2 shifts and 1 % either way.
#[test]
fn under_a_load_inside_the_band_it_shifts_as_often_as_the_outside_loop() {
    let mut counted = 0;
    for row in rows("hunting") {
        let Some(expected) = row["shifts_in_20s_at_mid_band_load"].as_f64() else { continue };
        let (low, high) = gears_of(&row);
        let mut config = reference();
        config.chassis.drag_n = 0.5
            * (number(&row, "low_gear_force_at_upshift_N") + number(&row, "high_gear_force_at_downshift_N"));
        let vehicle = built(&config);
        let track = Track::new(ground(0.0, 1.5, 0.0), &vehicle);
        let mut plant = Plant::new(&vehicle, &track, low);
        let mut shifts = 0;
        for _ in 0..20_000 {
            plant.advance(&vehicle, &track, 1e-3, 1.0);
            let next = match plant.gear {
                Some(g) if g == low && plant.v_m_s >= number(&row, "upshift_speed_m_s") => high,
                Some(g) if g == high && plant.v_m_s <= number(&row, "downshift_speed_m_s") => low,
                _ => continue,
            };
            plant.gear = Some(next);
            plant.motor_rad_s = plant.v_m_s * vehicle.gears[next].turn_rad_m;
            shifts += 1;
        }
        counted += 1;
        let off = (f64::from(shifts) - expected).abs();
        assert!(off <= 2.0 + 0.01 * expected, "{shifts} shifts against {expected}: {row}");
    }
    assert_eq!(counted, 18);
}

/// Closed form: the largest downshift speed at which the high gear still carries what the low gear did at its
/// upshift.
#[test]
fn at_the_largest_downshift_speed_without_hunting_both_gears_carry_the_same() {
    let vehicle = built(&reference());
    for row in rows("hunting_limit") {
        let (low, high) = gears_of(&row);
        let down = number(&row, "largest_downshift_speed_without_hunting_m_s");
        let up = number(&row, "upshift_speed_m_s");
        let (at_up, at_down) = (force_n(&vehicle, low, up), force_n(&vehicle, high, down));
        if down < up {
            close(at_down, at_up, 1e-9, "force");
        } else {
            assert!(at_down > at_up - 1e-9, "above the equal-force speed nothing hunts: {row}");
        }
    }
}
