//! Dead reckoning against the closed form of its error.
//!
//! On wheels of the radius `f r`, that turn further than the vehicle moves by the share `s` of each piece of 0.2 m, the way `x`
//! is counted as `x (1 + mean of s) / f`. With `f` of standard deviation `a` and `s` of standard deviation `b`, the error has
//! `x sqrt(a^2 + b^2 (0.2 m / x))`: the part of the radius grows with the way, that of the slip with its square root.

use lowgear_env::config::ParameterDistribution;
use lowgear_env::vehicle::LapAdvice;
use lowgear_env::{Drive, RouteRun, Scenario, World, load_course};
use lowgear_onboard::{LapControl, LapMemory, Request};
use lowgear_train::study::read_inputs;
use std::path::Path;
use std::sync::Arc;

const RADIUS_SD: f64 = 0.004;
const SLIP_MEAN: f64 = 0.01;
const SLIP_SD: f64 = 0.02;
const PIECE_M: f64 = 0.2;
const LAPS: u64 = 300;

/// Laps of a level hard path without obstacles, all in one gear.
fn scenario(length_m: f64) -> Arc<Scenario> {
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let mut scenario = read_inputs(&configs.join("studies/demo.toml"), false).unwrap().scenario;
    (scenario.course, scenario.measured) = load_course(&configs.join("courses/garden-laps.toml")).unwrap();
    scenario.course.surfaces.retain(|surface| surface.name == "hard path");
    let normal =
        |mean, sd| ParameterDistribution::Normal { mean, sd, low: mean - 5.0 * sd, high: mean + 5.0 * sd };
    let laps = scenario.course.laps.as_mut().unwrap();
    laps.start_offset_m = ParameterDistribution::Fixed(0.0);
    (laps.wheel_radius_factor, laps.slip_share) = (normal(1.0, RADIUS_SD), normal(SLIP_MEAN, SLIP_SD));
    let random = scenario.course.random.as_mut().unwrap();
    (random.length_m, random.obstacles) = (length_m, vec![]);
    random.grade.grade_deg = ParameterDistribution::Fixed(0.0);
    // The same vehicle on every lap: what is left is what the closed form has.
    scenario.vehicle.variation = scenario.vehicle.variation.nominal();
    scenario.episode.start_gear = 2;
    Arc::new(scenario)
}

/// Mean and standard deviation of the error at the end of a lap, m.
fn error_m(length_m: f64) -> (f64, f64) {
    let scenario = scenario(length_m);
    let settings = scenario.vehicle.lap_settings(LapAdvice::Early);
    let errors: Vec<f64> = (0..LAPS)
        .map(|episode| {
            let run = RouteRun::learning(settings, LapMemory::new());
            let mut drive = Drive::new(Arc::clone(&scenario), episode).with_route(run);
            while drive.step(Request::Hold as usize).end.is_none() {}
            let counted_mm = drive.route().and_then(RouteRun::learned).map_or(0, LapControl::position_mm);
            f64::from(counted_mm) / 1000.0 - drive.position_and_speed().0
        })
        .collect();
    let mean = errors.iter().sum::<f64>() / LAPS as f64;
    let variance = errors.iter().map(|error| (error - mean).powi(2)).sum::<f64>() / (LAPS - 1) as f64;
    (mean, variance.sqrt())
}

#[test]
fn the_error_of_dead_reckoning_grows_as_its_closed_form() {
    let expected_m = |x_m: f64| x_m * (RADIUS_SD.powi(2) + SLIP_SD.powi(2) * PIECE_M / x_m).sqrt();
    let [(short_mean, short_sd), (long_mean, long_sd)] = [3.75, 15.0].map(error_m);
    println!("3.75 m: {short_mean:.4} m, sd {short_sd:.4} m; 15 m: {long_mean:.4} m, sd {long_sd:.4} m");
    // Four standard errors of a standard deviation of 300 draws.
    let tolerance = 4.0 / (2.0 * LAPS as f64).sqrt();
    for (sd, x_m) in [(short_sd, 3.75), (long_sd, 15.0)] {
        let expected = expected_m(x_m);
        assert!((sd / expected - 1.0).abs() < tolerance, "{x_m} m: {sd} and {expected}");
    }
    // What the readings are late by is the same on both.
    let error = long_mean - short_mean - SLIP_MEAN * (15.0 - 3.75);
    let spread = (long_sd.powi(2) + short_sd.powi(2)).sqrt() / (LAPS as f64).sqrt();
    assert!(error.abs() < 4.0 * spread, "{error} m");
}
