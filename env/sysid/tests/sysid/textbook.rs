//! Textbook values: a coast-down, and a motor's worked example.

use lowgear_env::config::load;
use lowgear_env::vehicle::{DataSheet, MotorLineConfig, VehicleConfig};
use lowgear_sysid::fit::{Conditions, GivenErrors, Surfaces, World, fit, simulate};
use lowgear_sysid::heat::ThermalState;
use lowgear_sysid::log::Sample;
use lowgear_sysid::past::Past;
use lowgear_sysid::runs::{Collected, Recipe, Run};
use lowgear_sysid::sheet::Sheet;

/// Standard gravity, m/s² (ISO 80000-3).
const GRAVITY: f64 = 9.806_65;

fn free_wheeling() -> VehicleConfig {
    let mut config: VehicleConfig =
        load(&super::python::repository().join("configs/vehicles/demo-cart.toml")).unwrap();
    // Nothing in the drive line: what remains is a wheel on the ground.
    config.motor.rotor_inertia_kg_m2 = 1e-9;
    config.motor.line = MotorLineConfig::Constants(lowgear_env::vehicle::Constants {
        no_load_current_a: 0.0,
        ..config.motor.line.constants()
    });
    config.chassis.wheel_inertia_kg_m2 = 0.0;
    config.chassis.drag_n = 1e-4;
    config.sensors.encoder.noise = 1e-4;
    config.gearbox.total_ratio = vec![1.0];
    config.gearbox.efficiency = vec![0.98];
    config.gearbox.back_efficiency = vec![0.98];
    config.selector.order = vec!["1".into()];
    config.selector.angle_deg = vec![0.0];
    config
}

fn rows(count: usize, step_s: f64, speed: impl Fn(f64) -> f64) -> Vec<Sample> {
    (0..count)
        .map(|k| Sample {
            line: k as u64 + 2,
            time_s: k as f64 * step_s,
            dt_s: step_s,
            after_break: k == 0,
            motor_rad_s: speed(k as f64 * step_s),
            duty: 0.0,
            battery_v: None,
            current_a: None,
            tilt_deg: None,
            gear: Some(1),
            selector_deg: None,
            distance_m: None,
            ..Sample::default()
        })
        .collect()
}

/// Coast-down in its simplest form: with rolling resistance alone the speed falls straight, `v = v0 - f g t`, and stops
/// after `v0² / (2 f g)` (Newton's second law; the road-load method of SAE J2263 and ISO 10521 fits just this constant
/// term and the one that grows with speed).
#[test]
fn a_coast_down_gives_the_textbook_rolling_resistance() {
    let config = free_wheeling();
    let (coefficient, start_m_s) = (0.025, 1.2);
    let radius = config.chassis.wheel_radius_m;
    // A row shows the mean since the row before, which for a straight line is the value half a row earlier.
    let speed = |t: f64| (start_m_s - coefficient * GRAVITY * (t - 0.025)).max(0.0) / radius;
    let run = Run {
        recipe: Recipe::Level,
        gear: 0,
        surface: Some("track".into()),
        grade_deg: 0.0,
        force_n: None,
        samples: rows(80, 0.05, speed),
        thermal_state: ThermalState::default(),
        past: Past::default(),
        labelled: true,
    };
    let collected = Collected { runs: vec![run], ..Collected::default() };
    let found = fit(&config, &collected, Conditions::default(), |_| {}).unwrap();
    let rolling = found.estimates.iter().find(|e| e.name == "rolling on track").expect("it is reported");
    assert!((rolling.value / coefficient - 1.0).abs() < 2e-3, "{rolling:?}");
    let report: Vec<&str> = found.estimates.iter().map(|e| e.name.as_str()).collect();
    assert!(!report.contains(&"emf-constant-v-s") && !report.contains(&"efficiency, gear 1"), "{report:?}");
}

/// Coast-downs on patches that differ: the standard error of the coefficient is that of a mean of so many patches,
/// `s / sqrt(n)` (JCGM 100:2008, 4.2.3), however many readings each of them has.
#[test]
fn runs_on_patches_that_differ_give_the_error_of_a_mean_over_patches() {
    let config = free_wheeling();
    let radius = config.chassis.wheel_radius_m;
    let patches = [0.0225, 0.0236, 0.0243, 0.0248, 0.0252, 0.0257, 0.0264, 0.0275];
    let run = |coefficient: &f64| Run {
        recipe: Recipe::Level,
        gear: 0,
        surface: Some("track".into()),
        grade_deg: 0.0,
        force_n: None,
        samples: rows(60, 0.05, |t| (1.2 - coefficient * GRAVITY * (t - 0.025)).max(0.0) / radius),
        thermal_state: ThermalState::default(),
        past: Past::default(),
        labelled: true,
    };
    let collected = Collected { runs: patches.iter().map(run).collect(), ..Collected::default() };
    let conditions = Conditions { given: GivenErrors::EXACT, ..Conditions::default() };
    let found = fit(&config, &collected, conditions, |_| {}).unwrap();
    let rolling = found.estimates.iter().find(|e| e.name == "rolling on track").expect("it is reported");
    let n = patches.len() as f64;
    let mean = patches.iter().sum::<f64>() / n;
    let of_mean = (patches.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / (n * (n - 1.0))).sqrt();
    assert!((rolling.value - mean).abs() < 2.0 * of_mean, "{rolling:?}, mean {mean} ± {of_mean}");
    // Drag that grows with speed is fitted next to it, and what the simulator lacks is counted in: both widen it.
    assert!((0.6..4.0).contains(&(rolling.error / of_mean)), "{rolling:?}, mean {mean} ± {of_mean}");
    assert!(rolling.readings_error < 0.7 * rolling.error, "{rolling:?}");
}

/// The same motion from the simulator that the fit uses: stopping time `v0 / (f g)`.
#[test]
fn the_simulated_coast_down_stops_in_the_textbook_time() {
    let config = free_wheeling();
    let run = Run {
        recipe: Recipe::Level,
        gear: 0,
        surface: Some("track".into()),
        grade_deg: 0.0,
        force_n: None,
        samples: rows(120, 0.05, |_| 0.0),
        thermal_state: ThermalState::default(),
        past: Past::default(),
        labelled: true,
    };
    let mut surfaces = Surfaces::new(vec!["track".into()]);
    (surfaces.rolling[0], surfaces.drag_s_m[0]) = (0.025, 0.0);
    let mut still = config;
    still.variation = still.variation.nominal();
    still.variation.rolling_factor = lowgear_env::config::ParameterDistribution::Fixed(1.0);
    still.variation.mass_factor = lowgear_env::config::ParameterDistribution::Fixed(1.0);
    let predicted = simulate(&World::new(&still, &surfaces, &run, 0.7, 0.0), &run, 1.2);
    let stops = predicted.iter().position(|p| p.speed_m_s == 0.0).unwrap();
    let exact_s = 1.2 / (0.025 * GRAVITY + 1e-4 / 5.0);
    assert_eq!(stops, (exact_s / 0.05).ceil() as usize, "stops at {exact_s} s");
}

/// A worked example of the usual kind for a permanent-magnet motor (the relations of Hughes and Drury, *Electric Motors and
/// Drives*, 5th ed. 2019, ch. 3, from memory; figures our own): 12 V, 3000 rpm and 0.4 A without load, 0.36 N·m and 10.4 A at
/// stall. By hand: `R = 12 / 10.4 = 1.153846 Ω`; `w0 = 3000 * 2 pi / 60 = 314.159 rad/s`;
/// `Ke = (12 - 1.153846 * 0.4) / 314.159 = 0.0367277 V·s`; `Kt = 0.36 / (10.4 - 0.4) = 0.036 N·m/A`.
#[test]
fn a_data_sheet_gives_the_constants_of_the_worked_example() {
    let sheet = DataSheet {
        rated_voltage_v: 12.0,
        no_load_speed_rad_s: 314.159_265,
        no_load_current_a: 0.4,
        stall_torque_nm: 0.36,
        stall_current_a: 10.4,
    };
    let motor = MotorLineConfig::DataSheet(sheet).constants();
    assert!((motor.resistance_ohm - 1.153_846).abs() < 1e-6);
    assert!((motor.emf_constant_v_s - 0.036_728).abs() < 1e-6, "{}", motor.emf_constant_v_s);
    assert!((motor.torque_constant_nm_a - 0.036).abs() < 1e-12);
    // At 0.09 N·m the current is 0.09 / 0.036 + 0.4 = 2.9 A and the speed (12 - 2.9 * 1.153846) / 0.0367277 = 235.6 rad/s.
    let line = motor.line(12.0, 0.0, 1.0, motor.resistance_ohm);
    let speed = (line.stall_nm() - 0.09) / line.slope_nm_s;
    assert!((speed - 235.6).abs() < 0.05, "{speed}");
    assert!((line.stall_a - line.slope_a_s * speed - 2.9).abs() < 1e-3);
}

/// Ratios are products of driven over driving teeth, and the first vehicle file passes the check of vehicle files.
#[test]
fn a_sheet_becomes_a_vehicle_with_its_assumptions_told() {
    let sheet: Sheet = load(&super::python::repository().join("configs/sheets/seed-tray-cart.toml")).unwrap();
    let ratios = sheet.ratios();
    assert_eq!(ratios.len(), 3);
    assert!((ratios[0] - 5.0 * 5.0 * 5.0 * 4.0).abs() < 1e-9, "{ratios:?}");
    let (vehicle, assumed) = sheet.vehicle().unwrap();
    assert!((vehicle.chassis.wheel_radius_m - 0.03).abs() < 1e-12);
    for word in ["efficiency", "rotor inertia", "battery", "winding", "training ranges"] {
        assert!(assumed.contains(word), "{word} in\n{assumed}");
    }
    let mut wrong = sheet.clone();
    wrong.stall_torque_nm = 0.4;
    assert!(wrong.vehicle().unwrap_err().to_string().contains("stall-torque-nm"));
    let mut none = sheet;
    none.teeth.clear();
    assert!(lowgear_env::config::Check::check(&none).unwrap_err().key.contains("teeth"));
}
