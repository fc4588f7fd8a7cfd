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

/// The blocks of `--why`: one per tick, the lines of a decision set in below it.
fn why(place: &Sandbox, policy: &str, span: &str) -> String {
    place.run(&["drive", "tiny.toml", "--policy", policy, "--why", span, "--out", "out"]).done().out
}

#[test]
fn it_says_why_for_every_tick_of_a_span_and_agrees_with_the_trace() {
    let place = Sandbox::new();
    let report = why(&place, "hand-rule", "2..4");
    let (before, report) = report.split_at(report.find("2.00 s at ").expect("the tick that ends at 2 s"));
    assert!(before.is_empty() || before.starts_with("in force: "), "{before}");
    let ticks: Vec<&str> = report.lines().filter(|l| l.contains(" s at ")).collect();
    assert_eq!(ticks.len(), 41, "ticks of 50 ms from 2 to 4 s, both ends:\n{report}");
    let asked = ticks.iter().filter(|l| l.contains("asks for")).count();
    assert!(asked > 3 && asked < 30, "{report}");
    assert_eq!(report.matches("  features (gears from 0): gear ").count(), asked);
    assert_eq!(report.matches("  possible: ").count(), asked);
    assert!(report.contains("motor-speed ") && report.contains(" permille, up out of gear "), "{report}");
    let csv = place.read("out/trace.csv");
    let column = |name: &str| csv.lines().next().unwrap().split(',').position(|h| h == name).unwrap();
    let (time, request) = (column("time_s"), column("request"));
    for row in csv.lines().skip(1).map(|l| l.split(',').collect::<Vec<_>>()) {
        let seconds: f64 = row[time].parse().unwrap();
        if !row[request].is_empty() && (2.0..=4.0).contains(&seconds) {
            let line = ticks.iter().find(|l| l.starts_with(&format!("{seconds:.2} s"))).unwrap();
            assert!(line.contains(&format!("asks for {};", row[request])), "{line}");
        }
    }
}

#[test]
fn every_kind_of_policy_can_say_why() {
    let place = Sandbox::new();
    for (name, words) in [
        ("contextual/seed-1/last.json", &["thresholds moved by the context"][..]),
        ("tabular/seed-1/last.json", &["values in cell", "visits of down, hold, up", "rule: speed-ratio"]),
        ("dqn/seed-1/last.json", &["values, scaled reward: down "]),
        ("ppo/seed-1/last.json", &["probabilities: down ", "shifts from a probability"]),
        ("table/seed-1", &[": bin ", " says ", "was "]),
    ] {
        let report = why(&place, reference().join(name).to_str().unwrap(), "1..3");
        for word in words {
            assert!(report.contains(word), "{name}: no {word:?} in\n{report}");
        }
    }
}

#[test]
fn a_time_that_is_none_or_beyond_the_run_is_refused() {
    let place = Sandbox::new();
    let wrong = ["drive", "tiny.toml", "--why", "5..2", "--out", "out"];
    place.run(&wrong).refused(2, &["--why", "5..2", "12..13.5"]);
    let late = ["drive", "tiny.toml", "--why", "99999", "--out", "out"];
    place.run(&late).refused(2, &["--why", "99999", "when this run ends"]);
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
