//! The motor's speed-torque line, its spin-up and its data sheet.

use super::check_values::{built, case, cases, close, ground, number, numbers, reference};
use lowgear_env::config::Check;
use lowgear_env::motion::{Plant, Track};
use lowgear_env::vehicle::{Constants, DataSheet, MotorLineConfig};
use proptest::prelude::*;

/// Rounding of a handful of operations on doubles.
const EXACT: f64 = 1e-12;

fn constants() -> Constants {
    reference().motor.line.constants()
}

/// Closed form, Hughes and Drury, *Electric Motors and Drives*, 5th ed. 2019, ch. 3.
#[test]
fn the_line_on_a_stiff_supply_is_that_of_the_textbook() {
    let expected = case("motor_line");
    let line = constants().line(7.4, 0.0, 1.0, 3.0);
    close(line.stall_a, number(&expected, "stall_current_A"), EXACT, "stall current");
    close(line.stall_nm(), number(&expected, "stall_shaft_torque_Nm"), EXACT, "stall torque");
    close(line.no_load_rad_s(), number(&expected, "no_load_speed_rad_s"), EXACT, "no-load speed");
    close(line.peak_power_w(), number(&expected, "max_shaft_power_W"), EXACT, "peak power");
    let gradient = number(&expected, "speed_torque_gradient_rad_s_per_Nm");
    close(1.0 / line.slope_nm_s, gradient, EXACT, "speed-torque gradient");
    let inertia = reference().motor.rotor_inertia_kg_m2;
    close(inertia / line.slope_nm_s, number(&expected, "mechanical_time_constant_s"), EXACT, "time constant");
}

/// Closed form `(1 - sqrt(i0 / i_stall))²`, same chapter. Steps of a thousandth of the no-load speed miss the
/// flat top by less than 1e-6.
#[test]
fn the_best_efficiency_is_where_the_textbook_has_it() {
    let expected = case("motor_line");
    let line = constants().line(7.4, 0.0, 1.0, 3.0);
    let efficiency = |w: f64| {
        let current_a = line.stall_a - line.slope_a_s * w;
        (line.stall_nm() - line.slope_nm_s * w) * w / (7.4 * current_a)
    };
    let best = (1..1000).map(|i| efficiency(f64::from(i) * 1e-3 * line.no_load_rad_s())).fold(0.0, f64::max);
    close(best, number(&expected, "max_efficiency"), 2e-6, "best efficiency");
}

/// Closed form: the source's resistance adds to the winding's.
#[test]
fn the_battery_resistance_takes_its_part_of_the_stall() {
    let expected = &case("motor_line")["with_battery"];
    let line = constants().line(7.4, 0.1, 1.0, 3.0);
    close(line.stall_a, number(expected, "stall_current_A"), EXACT, "stall current");
    close(line.stall_nm(), number(expected, "stall_shaft_torque_Nm"), EXACT, "stall torque");
    close(line.no_load_rad_s(), number(expected, "no_load_speed_rad_s"), EXACT, "no-load speed");
    close(
        7.4 - 0.1 * line.stall_a,
        number(expected, "terminal_voltage_at_stall_V"),
        EXACT,
        "terminal voltage",
    );
}

/// Closed form and ODE (SciPy DOP853, rtol 1e-11; 1e-9 covers its global error). With inductance the speed
/// lags by the electrical time constant of 0.27 ms, at 10 ms and later under 1.5 %: what is neglected.
#[test]
fn a_bare_motor_spins_up_as_the_ode_says() {
    let expected = case("spin_up");
    let mut config = reference();
    config.battery.resistance_ohm = 0.0;
    let vehicle = built(&config);
    let track = Track::new(ground(0.03, 1.0, 0.0), &vehicle);
    let mut plant = Plant::new(&vehicle, &track, 0);
    plant.disengage(&vehicle);
    let mut now_s = 0.0;
    let truth = numbers(&expected, "with_inductance_rad_s");
    for (i, (at_s, speed)) in
        numbers(&expected, "times_s").iter().zip(numbers(&expected, "speed_rad_s")).enumerate()
    {
        plant.advance(&vehicle, &track, at_s - now_s, 1.0);
        now_s = *at_s;
        close(plant.motor_rad_s, speed, 1e-9, "motor speed");
        if now_s >= 0.01 {
            close(plant.motor_rad_s, truth[i], 0.015, "motor speed with inductance");
        }
    }
    assert_eq!(plant.x_m, 0.0, "in neutral the vehicle stays");
}

proptest! {
    #![proptest_config(cases(64))]

    /// The data sheet follows from the line at rated voltage; the constants must come back.
    #[test]
    fn a_data_sheet_gives_back_the_constants(
        emf in 0.002_f64..0.1, ratio in 0.8_f64..0.9999, ohm in 0.2_f64..20.0, idle in 0.01_f64..0.15, volt in 3.0_f64..36.0,
    ) {
        let stall_a = volt / ohm;
        let constants = Constants {
            torque_constant_nm_a: ratio * emf, emf_constant_v_s: emf, resistance_ohm: ohm, no_load_current_a: idle * stall_a,
        };
        let line = constants.line(volt, 0.0, 1.0, ohm);
        let sheet = DataSheet {
            rated_voltage_v: volt, no_load_speed_rad_s: line.no_load_rad_s(), no_load_current_a: idle * stall_a,
            stall_torque_nm: line.stall_nm(), stall_current_a: line.stall_a,
        };
        let back = MotorLineConfig::DataSheet(sheet).constants();
        close(back.torque_constant_nm_a, constants.torque_constant_nm_a, EXACT, "torque constant");
        close(back.emf_constant_v_s, constants.emf_constant_v_s, EXACT, "back-EMF constant");
        close(back.resistance_ohm, ohm, EXACT, "resistance");
    }
}

/// Rounding may put the torque constant above the back-EMF constant; the vehicle is driven with their mean, whose stall
/// torque and no-load speed are each half of the contradiction off.
#[test]
fn no_motor_gives_more_than_it_takes() {
    let sheet = DataSheet {
        rated_voltage_v: 7.2,
        no_load_speed_rad_s: 690.0,
        no_load_current_a: 0.045,
        stall_torque_nm: 4.4e-3,
        stall_current_a: 0.5,
    };
    let ratio = sheet.torque_over_emf();
    assert!(ratio > 1.01 && sheet.check().is_ok(), "{ratio}");
    let motor = MotorLineConfig::DataSheet(sheet).constants();
    close(motor.torque_constant_nm_a, motor.emf_constant_v_s, EXACT, "one constant");
    let line = motor.line(7.2, 0.0, 1.0, motor.resistance_ohm);
    close(line.stall_nm(), 4.4e-3 / ratio.sqrt(), EXACT, "stall torque");
    close(line.no_load_rad_s(), 690.0 / ratio.sqrt(), EXACT, "no-load speed");
    let mut cart = super::demo_cart::nominal_cart();
    for torque_constant_nm_a in [0.009, 0.0095, 0.009_55] {
        let typed = Constants { torque_constant_nm_a, emf_constant_v_s: 0.0095, ..motor };
        cart.motor.line = MotorLineConfig::Constants(typed);
        cart.check().unwrap();
        let vehicle = super::check_values::built(&cart);
        assert!(vehicle.iron_share >= 0.0, "{torque_constant_nm_a}: {}", vehicle.iron_share);
    }
}

/// Every shipped vehicle has a motor that there can be, not one that rounding saves.
#[test]
fn the_motors_of_the_shipped_vehicles_lose_in_their_iron() {
    for file in ["demo-cart", "compost-tractor", "watering-barrow"] {
        let path = crate::sandbox::repository().join(format!("configs/vehicles/{file}.toml"));
        let vehicle: lowgear_env::vehicle::VehicleConfig = lowgear_env::config::load(&path).unwrap();
        let MotorLineConfig::DataSheet(sheet) = vehicle.motor.line else { panic!("{file}: no data sheet") };
        assert!((0.97..=1.0).contains(&sheet.torque_over_emf()), "{file}: {}", sheet.torque_over_emf());
    }
}
