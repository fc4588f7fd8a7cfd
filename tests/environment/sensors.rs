//! Encoder and tilt as the controller reads them.

use super::check_values::{close, ground, number, reference, rows};
use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, tilt_deg};
use lowgear_onboard::Request;
use std::f64::consts::TAU;
use std::sync::Arc;

/// Closed form `tan(indicated) = (g sin + a) / (g cos)`.
#[test]
fn acceleration_leaks_into_the_tilt() {
    for row in rows("tilt") {
        let sin_grade = number(&row, "true_grade_deg").to_radians().sin();
        let got = tilt_deg(sin_grade, number(&row, "longitudinal_accel_m_s2"));
        assert!((got - number(&row, "indicated_deg")).abs() < 1e-9, "{got} against {row}");
    }
}

/// At a steady speed of `k + f` counts a tick the reading is `k` or `k + 1`, its mean is the speed and its
/// variance `f (1 - f)` counts² (closed form). 4000 ticks: the sum of counts is exact to one count, the
/// variance of so regular a sequence to a few permille.
#[test]
fn the_encoder_resolves_one_pulse_per_tick() {
    for row in rows("encoder") {
        let mut config = reference();
        config.sensors.encoder.pulses_per_turn = number(&row, "pulses_per_rev") as u32;
        config.controller.tick_s = number(&row, "window_s");
        let tick_s = config.controller.tick_s;
        let resolution = number(&row, "resolution_rad_s");
        close(TAU / (number(&row, "pulses_per_rev") * tick_s), resolution, 1e-12, "resolution");
        let course = (flat_course_file(), Some(ground(0.03, 1.0, 0.0)));
        let episode = EpisodeConfig { start_gear: 3, time_limit_s: 1000.0, ..EpisodeConfig::default() };
        let scenario = Arc::new(Scenario::new(config, course, episode, Seed(1)));
        let mut drive = Drive::new(scenario, 0).with_trace();
        let settled = (8.0 / tick_s) as usize;
        for _ in 0..settled + 4000 {
            drive.tick(Request::Hold, false);
        }
        let rows = drive.into_trace();
        let rows = &rows[settled..];
        // The winding warms, so the speed drifts by a permille over the run.
        let counts = rows.iter().map(|r| r.motor_speed_rad_s).sum::<f64>() / 4000.0 / resolution;
        let read: Vec<f64> = rows.iter().map(|r| f64::from(r.encoder_counts)).collect();
        assert!(
            read.iter().all(|&c| (c - counts).abs() < 1.0 + 0.002 * counts),
            "within one count of {counts}"
        );
        let mean = read.iter().sum::<f64>() / 4000.0;
        assert!((mean - counts).abs() < 2.0 / 4000.0 * counts.max(1.0), "mean {mean} against {counts}");
        let variance = read.iter().map(|c| (c - mean).powi(2)).sum::<f64>() / 4000.0;
        let share = counts.fract();
        assert!((variance - share * (1.0 - share)).abs() < 0.02, "variance {variance} at a fraction {share}");
    }
}

fn flat_course_file() -> lowgear_env::terrain::CourseConfig {
    let text = "name = 'measured'\nprofile = 'flat.csv'\n[[surfaces]]\nname = 'plain'\nrolling = 0.03\nfriction = 1.0\n";
    lowgear_env::config::parse(text, std::path::Path::new("flat.toml")).unwrap()
}

/// What is handed out is as old as the controller's own readings; before the start the cart stood.
#[test]
fn readings_are_as_late_as_the_controller_sees_them() {
    let counts = |latency_ticks: u8| -> Vec<u16> {
        let mut config = reference();
        config.sensors.latency_ticks = latency_ticks;
        let course = (flat_course_file(), Some(ground(0.03, 1.0, 0.0)));
        let episode = EpisodeConfig { start_gear: 3, ..EpisodeConfig::default() };
        let mut drive = Drive::new(Arc::new(Scenario::new(config, course, episode, Seed(1))), 0);
        let mut read = || {
            drive.tick(Request::Hold, false);
            drive.reading().encoder_counts
        };
        (0..60).map(|_| read()).collect()
    };
    let (at_once, late) = (counts(0), counts(2));
    assert!(at_once.iter().max() > at_once.first(), "the cart gains speed: {at_once:?}");
    assert_eq!(late[2..], at_once[..58]);
    assert_eq!(late[..2], [0; 2]);
}
