//! The battery: sag, constant power, charge.

use super::check_values::{built, case, close, drive_for, ground, number, numbers, reference, rows};
use lowgear_env::motion::{Plant, Track};
use lowgear_env::vehicle::{Constants, MotorLineConfig};

/// Closed form `i = (OCV - sqrt(OCV² - 4 R P)) / 2R`, nothing above `OCV² / 4R`.
#[test]
fn constant_power_draws_the_current_of_the_closed_form() {
    let battery = reference().battery;
    for row in rows("battery_power") {
        let current = battery.current_at_power_a(0.5, number(&row, "power_W")).unwrap();
        // At the very limit the root is of a difference that rounds to about 1e-14: 1e-6 of the current.
        close(current, number(&row, "current_A"), 2e-6, "current");
        close(7.4 - 0.1 * current, number(&row, "terminal_V"), 2e-6, "terminal voltage");
    }
    assert_eq!(battery.current_at_power_a(0.5, 136.9 * 1.0001), None, "more than it can give");
}

/// ODE (SciPy DOP853, rtol 1e-11) over the open-circuit curve. The curve's corners cost a step of 1 s and
/// fourth order some 1e-6.
#[test]
fn a_discharge_at_constant_power_follows_the_ode() {
    let expected = case("battery_discharge");
    let mut battery = reference().battery;
    battery.ocv_v = numbers(&expected, "ocv_table_V");
    battery.capacity_ah = number(&expected, "capacity_Ah");
    battery.resistance_ohm = number(&expected, "resistance_ohm");
    let power = number(&expected, "power_W");
    let rate =
        |charge: f64| battery.current_at_power_a(charge, power).unwrap() / (3600.0 * battery.capacity_ah);
    let (mut charge, mut energy_j, mut second) = (1.0, 0.0, 0);
    let (charges, energies) = (numbers(&expected, "soc"), numbers(&expected, "internal_energy_J"));
    for (i, until) in numbers(&expected, "times_s").into_iter().enumerate() {
        while second < until as usize {
            let k1 = rate(charge);
            let k2 = rate(charge - 0.5 * k1);
            let k3 = rate(charge - 0.5 * k2);
            let k4 = rate(charge - k3);
            let drawn = (k1 + 2.0 * k2 + 2.0 * k3 + k4) / 6.0;
            let middle = charge - 0.5 * drawn;
            energy_j += battery.open_circuit_v(middle) * drawn * 3600.0 * battery.capacity_ah;
            charge -= drawn;
            second += 1;
        }
        close(charge, charges[i], 1e-5, "state of charge");
        close(energy_j, energies[i], 1e-5, "energy from the chemistry");
    }
}

/// Ideal chopper at stall: `i = duty OCV / (R + duty² R_s)`; the battery gives `duty i` and sags by `R_s duty i`.
#[test]
fn a_stalled_motor_draws_charge_and_sags_the_battery() {
    let vehicle = built(&reference());
    for (duty, grade_deg) in [(1.0, 30.0), (0.6, 20.0)] {
        let track = Track::new(ground(0.03, 1.5, grade_deg), &vehicle);
        let mut plant = Plant::new(&vehicle, &track, 2);
        let before = plant.energies.heat();
        drive_for(&mut plant, &vehicle, &track, 10.0, duty);
        assert_eq!(plant.v_m_s, 0.0, "the grade stalls third gear");
        plant.update_thermal_tick(&vehicle, before);
        let current = duty * 7.4 / (3.0 + duty * duty * 0.1);
        close(plant.current_a, current, 1e-12, "current");
        close(plant.terminal_v, 7.4 - 0.1 * duty * current, 1e-12, "terminal voltage");
        close(vehicle.charge - plant.charge, duty * current * 10.0 / (3600.0 * 1.5), 1e-9, "charge");
        close(plant.energies.battery_j, plant.energies.losses_j(), 1e-12, "all becomes heat");
    }
}

/// Closed form `V = OCV - R i`. A stalled motor with the winding that draws the current of the row.
#[test]
fn the_terminal_voltage_sags_by_resistance_times_current() {
    let case = case("battery_sag");
    for row in case["rows"].as_array().unwrap() {
        let current_a = number(row, "current_A");
        let mut config = reference();
        config.battery.resistance_ohm = number(&case, "resistance_ohm");
        config.motor.line = MotorLineConfig::Constants(Constants {
            resistance_ohm: number(&case, "ocv_V") / current_a - config.battery.resistance_ohm,
            // Too weak to move.
            torque_constant_nm_a: 1e-4,
            emf_constant_v_s: 1e-4,
            no_load_current_a: 0.0,
        });
        let vehicle = built(&config);
        let track = Track::new(ground(0.03, 1.5, 0.0), &vehicle);
        let mut plant = Plant::new(&vehicle, &track, 2);
        plant.advance(&vehicle, &track, 2.0, 1.0);
        assert_eq!(plant.v_m_s, 0.0);
        close(plant.current_a, current_a, 1e-12, "current");
        close(plant.terminal_v, number(row, "terminal_V"), 1e-12, "terminal voltage");
        close(plant.energies.source_j, 2.0 * number(row, "loss_W"), 1e-12, "loss");
    }
}
