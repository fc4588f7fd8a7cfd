//! `lowgear drive`.

use super::schema::shipped;
use crate::sandbox::{Ran, Sandbox, repository, run_in};
use crate::study::reference;
use lowgear_train::schema::FileKind;
use std::path::{Path, PathBuf};

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

/// Shipped files of a kind.
fn files(kind: FileKind) -> Vec<PathBuf> {
    shipped().into_iter().filter(|(_, text)| FileKind::of(text) == kind).map(|(file, _)| file).collect()
}

/// Drives the hand-written rule of a shipped study, on another shipped course if one is given.
fn drive_shipped(study: &Path, course: Option<&Path>, out: PathBuf) -> Ran {
    let mut arguments = vec!["drive".into(), study.to_owned(), "--out".into(), out];
    arguments.extend(course.into_iter().flat_map(|course| ["--course".into(), course.to_owned()]));
    run_in(&repository().join("configs"), &arguments).done()
}

#[test]
fn every_shipped_study_drives_every_shipped_course() {
    let place = Sandbox::new();
    let (studies, courses) = (files(FileKind::Study), files(FileKind::Course));
    assert!(studies.len() >= 3 && courses.len() >= 8, "{studies:?} {courses:?}");
    for study in &studies {
        for course in &courses {
            let ran = drive_shipped(study, Some(course), place.path("out"));
            assert!(ran.out.contains("hand-rule: "), "{} on {}", study.display(), course.display());
        }
    }
}

#[test]
fn every_shipped_study_finishes_its_own_course_and_the_demonstration_the_scripted_ones() {
    let place = Sandbox::new();
    for study in files(FileKind::Study) {
        let ran = drive_shipped(&study, None, place.path("out"));
        assert!(ran.out.contains("finished in"), "{}: {}", study.display(), ran.out);
    }
    let scripted = shipped().into_iter().filter(|(_, text)| text.contains("[[sections]]"));
    for (course, _) in scripted {
        let ran = drive_shipped(Path::new("studies/demo.toml"), Some(&course), place.path("out"));
        assert!(ran.out.contains("finished in"), "{}: {}", course.display(), ran.out);
    }
}

#[test]
fn every_shipped_vehicle_belongs_to_a_study() {
    let studies: Vec<String> =
        shipped().into_iter().filter(|(_, t)| FileKind::of(t) == FileKind::Study).map(|(_, t)| t).collect();
    for vehicle in files(FileKind::Vehicle) {
        let line = format!("vehicle = \"../{}\"", vehicle.display());
        assert!(studies.iter().any(|text| text.contains(&line)), "{}", vehicle.display());
    }
}
