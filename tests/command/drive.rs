//! `lowgear drive`.

use crate::sandbox::Sandbox;
use crate::study::reference;

/// Headings of quantities, each with its unit at the end.
const UNITS: [&str; 12] = [
    "time_s",
    "position_m",
    "speed_m_s",
    "grade_deg",
    "motor_speed_rad_s",
    "motor_current_a",
    "battery_voltage_v",
    "winding_c",
    "output_torque_nm",
    "return_s",
    "tilt_ddeg",
    "load_slow_permille",
];

#[test]
fn it_writes_a_trace_with_units_and_a_picture() {
    let place = Sandbox::new();
    let out = place.run(&["drive", "tiny.toml", "--out", "out"]).done().out;
    assert!(out.contains("hand-rule: ") && out.contains("trace.csv"), "{out}");
    let csv = place.read("out/trace.csv");
    let headings: Vec<&str> = csv.lines().next().unwrap().split(',').collect();
    for heading in UNITS {
        assert!(headings.contains(&heading), "no {heading} in {headings:?}");
    }
    assert!(csv.lines().count() > 100, "one row per tick");
    assert!(csv.lines().all(|l| l.split(',').count() == headings.len()), "every row is whole");
    let svg = place.read("out/trace.svg");
    assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"));
}

#[test]
fn the_same_episode_writes_the_same_bytes_and_another_one_others() {
    let place = Sandbox::new();
    for (episode, out) in [("3", "a"), ("3", "b"), ("4", "c")] {
        place.run(&["drive", "tiny.toml", "--episode", episode, "--out", out]).done();
    }
    assert_eq!(place.read("a/trace.csv"), place.read("b/trace.csv"));
    assert_eq!(place.read("a/trace.svg"), place.read("b/trace.svg"));
    assert_ne!(place.read("a/trace.csv"), place.read("c/trace.csv"));
}

#[test]
fn every_kind_of_saved_policy_drives() {
    let place = Sandbox::new();
    for name in [
        "tuned-load-rule/seed-1",
        "contextual/seed-1/last.json",
        "tabular/seed-1/last.json",
        "dqn/seed-1/last.json",
        "table/seed-1",
    ] {
        let policy = reference().join(name);
        let ran =
            place.run(&["drive", "tiny.toml", "--policy", policy.to_str().unwrap(), "--out", "out"]).done();
        assert!(ran.out.contains("/seed-1: "), "{}", ran.out);
    }
}

#[test]
fn the_highest_episode_number_is_an_episode_like_any_other() {
    let place = Sandbox::new();
    place.run(&["drive", "tiny.toml", "--episode", &u64::MAX.to_string(), "--out", "out"]).done();
}
