//! Replays: a log that the simulator left, and one made by hand with a failed upshift and hunting in it.

use crate::sandbox::repository;
use lowgear_env::config::{ParameterDistribution, load};
use lowgear_env::terrain::CourseConfig;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Drive, EpisodeConfig, Mask, Scenario, Seed, TraceRow, World, load_course};
use lowgear_eval::replay::{CoverageStatus, Decision, Replay, TrainingCoverage};
use lowgear_onboard::{Feature, Features, Request};
use lowgear_report::plot::plot_svg;
use lowgear_sysid::log::{LogError, LogReader, Mapping};
use std::path::Path;
use std::sync::Arc;

/// The demonstration's cart with readings as they are written down: neither late nor noisier than its file says.
pub(super) fn cart() -> VehicleConfig {
    let mut cart: VehicleConfig = load(&repository().join("configs/vehicles/demo-cart.toml")).unwrap();
    cart.variation.latency_ticks = ParameterDistribution::Fixed(0.0);
    cart.variation.sensor_noise_factor = ParameterDistribution::Fixed(1.0);
    cart
}

/// Up above a speed ratio of 700 permille, down below 400.
fn rule(features: &Features, mask: Mask) -> Request {
    let speed = features.get(Feature::SpeedRatio);
    match speed {
        701.. if mask.allows(2) => Request::Up,
        ..400 if mask.allows(0) => Request::Down,
        _ => Request::Hold,
    }
}

fn walked(
    log: &str,
    decide: impl FnMut(&Features, Mask) -> Request + Clone,
    seen: Option<&TrainingCoverage>,
) -> (Vec<Decision>, String, [u64; 4]) {
    let config = cart();
    let mut reader = LogReader::new(log.as_bytes(), Path::new("log.csv"), &Mapping::default()).unwrap();
    let mut replay = Replay::new(&config, decide, seen);
    let mut rows = Vec::new();
    replay
        .run(&mut reader, |d| {
            rows.push(d.clone());
            Ok::<(), LogError>(())
        })
        .unwrap();
    let s = replay.summary();
    let counts = [s.shifts, s.failed_upshifts, s.hunting, s.agreed];
    assert!(plot_svg(&replay.plot("a < b")).contains("a &lt; b"));
    (rows, s.text(), counts)
}

/// What the controller of an episode read and ordered, as its owner would have logged it.
fn logged_episode() -> (String, u64) {
    let course: (CourseConfig, _) =
        load_course(&repository().join("configs/courses/garden-mix.toml")).unwrap();
    let scenario = Arc::new(Scenario::new(cart(), course, EpisodeConfig::default(), Seed(3)));
    let mut drive = Drive::new(scenario, 1).with_trace();
    while drive.step(rule(drive.observation(), drive.mask()) as usize).end.is_none() {
        if drive.ticks() > 2400 {
            break;
        }
    }
    let rows = drive.into_trace();
    let shifts = rows.iter().filter(|row| row.verdict == "accepted").count();
    (log_of(&rows), shifts as u64)
}

/// A trace as a log.
pub(super) fn log_of(rows: &[TraceRow]) -> String {
    let mut text = String::from("time_s,motor_speed_rad_s,duty,battery_voltage_v,tilt_ddeg,gear\n");
    for row in rows {
        let speed = f64::from(row.encoder_counts) * std::f64::consts::TAU / (20.0 * 0.05);
        text += &format!(
            "{:.2},{speed:.6},{},{:.3},{},{}\n",
            row.time_s, row.drive, row.battery_voltage_v, row.tilt_ddeg, row.gear_in_mesh
        );
    }
    text
}

#[test]
fn the_policy_that_drove_agrees_with_its_own_log() {
    let (log, shifts) = logged_episode();
    assert!(shifts >= 4, "{shifts} shifts");
    let (rows, text, [found, _, _, agreed]) = walked(&log, rule, None);
    // The voltage in this log has neither steps nor noise, the one that the policy saw had both: a decision on the edge may differ.
    let share = agreed as f64 / rows.len() as f64;
    assert!(share > 0.98, "{share}: {text}");
    assert!(found.abs_diff(shifts) <= 1, "{found} of {shifts} shifts found\n{text}");
    assert!(text.contains("accepted"), "{text}");
}

#[test]
fn failed_shifts_hunting_and_refusals_are_found() {
    let mut log = String::from("time_s,motor_speed_rad_s,duty,battery_voltage_v,gear\n");
    let mut time = 0.0;
    for (gear, speed, seconds) in
        [(1, 650.0, 4.0), (2, 300.0, 1.0), (1, 600.0, 1.0), (2, 300.0, 0.1), (1, 600.0, 4.0)]
    {
        for _ in 0..5 {
            time += 0.05;
            log += &format!("{time:.2},100,0,7.8,0\n");
        }
        for _ in 0..(seconds / 0.05) as usize {
            time += 0.05;
            log += &format!("{time:.2},{speed},1,7.4,{gear}\n");
        }
    }
    let (rows, text, [shifts, failed, hunting, _]) = walked(&log, rule, None);
    assert_eq!((shifts, failed), (4, 2), "{text}");
    assert_eq!(hunting, 1, "up, down and up: {text}");
    assert!(text.contains("reversals: 3"), "{text}");
    assert!(text.contains("dwell not over"), "a shift 0.1 s after arrival is refused: {text}");
    let differing: Vec<&Decision> = rows.iter().filter(|d| d.request != d.done).collect();
    assert!(differing.iter().any(|d| d.why.contains("speed-ratio")), "{differing:?}");
    assert_eq!(Decision::headings().split(',').count(), rows[0].row().split(',').count());
}

#[test]
fn what_training_has_not_seen_is_told() {
    let (log, _) = logged_episode();
    let (rows, _, _) = walked(&log, rule, None);
    let mut seen = TrainingCoverage::default();
    rows.iter().for_each(|d| seen.record(&d.features));
    let (again, text, _) = walked(&log, rule, Some(&seen));
    assert!(
        again.iter().all(|d| d.place == Some(CoverageStatus::Inside)) && text.contains("seen 100.0 %"),
        "{text}"
    );
    let weak = log.replace(",1,7.", ",1,3.");
    let (_, text, _) = walked(&weak, rule, Some(&seen));
    assert!(text.contains("outside by battery"), "{text}");
}
