//! A study of a vehicle that was fitted to logs.

use crate::sandbox::Sandbox;
use serde_json::Value;
use std::fs;

const FITTED: &str = r#"
[fitted]
vehicles = 12
courses = 3
gap-percent = 1.5

[[fitted.parameters]]
name = "resistance-ohm (winding)"
value = 14.4
error = 0.3
correlation = []

[[fitted.parameters]]
name = "rolling on mown lawn"
value = 0.085
error = 0.01
correlation = [-0.4]
"#;

fn fitted(change: impl Fn(&str) -> String) -> Sandbox {
    let place = Sandbox::new();
    let vehicle = place.read("vehicle.toml");
    place.write("vehicle.toml", vehicle + &change(FITTED));
    place
}

#[test]
fn a_fitted_vehicle_is_drawn_again_and_again_and_the_report_says_how_often_the_table_is_ahead() {
    let place = fitted(str::to_owned);
    let out = place.run(&["study", "tiny.toml", "--out", "run", "--threads", "2"]).done().out;
    assert!(out.contains("of 12 vehicles that fit these logs"), "{out}");
    let summary: Value =
        serde_json::from_str(&fs::read_to_string(place.path("run/summary.json")).unwrap()).unwrap();
    let compared = summary["fitted"].as_array().unwrap();
    assert_eq!(compared.len(), 2, "the hand-written and the tuned rule");
    for one in compared {
        let percents: Vec<f64> =
            one["time_percent"].as_array().unwrap().iter().map(|v| v.as_f64().unwrap()).collect();
        let count = |beyond: f64| percents.iter().filter(|p| **p < -beyond).count();
        assert_eq!(percents.len(), 12);
        assert_eq!(one["ahead"], count(0.0));
        assert_eq!(one["ahead_beyond_gap"], count(1.5));
        assert!(percents.windows(2).any(|two| two[0] != two[1]), "vehicles differ: {percents:?}");
    }
    let report = place.read("run/report.html");
    assert!(report.contains("of 12 vehicles that fit these logs"));
    place.run(&["study", "tiny.toml", "--out", "again", "--threads", "1"]).done();
    let bytes = |run: &str| fs::read(place.path(run).join("summary.json")).unwrap();
    assert!(bytes("run") == bytes("again"), "the same bytes with one thread and with two");
}

#[test]
fn a_study_reads_the_gap_that_validation_measured_and_refuses_that_of_another_vehicle() {
    let place = fitted(|text| text.replace("gap-percent = 1.5\n", ""));
    place.write("other.csv", crate::command::field::logged());
    // The runs of the log name their surface so.
    place.write("ground.toml", place.read("course.toml").replace("hard path", "path"));
    let out = place.run(&["validate", "vehicle.toml", "other.csv", "--course", "ground.toml"]).done().out;
    assert!(out.contains("vehicle-gap.toml"), "{out}");
    let gap: toml::Table = toml::from_str(&place.read("vehicle-gap.toml")).unwrap();
    let percent = gap["gap-percent"].as_float().unwrap();
    assert!(out.contains(&format!("off by {percent:.1} %")) && percent > 0.0, "{percent}: {out}");
    place.run(&["study", "tiny.toml", "--out", "run"]).done();
    let summary: Value = serde_json::from_str(&place.read("run/summary.json")).unwrap();
    assert_eq!(summary["fitted"][0]["gap_percent"].as_f64(), Some(percent));
    assert!(place.read("run/resolved.toml").contains("gap-percent"));
    // Another vehicle by one figure.
    place.write("vehicle.toml", place.read("vehicle.toml").replace("value = 14.4", "value = 14.5"));
    place
        .run(&["study", "tiny.toml", "--out", "again"])
        .refused(2, &["vehicle-gap.toml", "vehicle", "lowgear validate"]);
    assert!(!place.path("again").exists());
}

#[test]
fn a_fit_that_is_not_this_vehicles_is_refused_before_any_work() {
    let renamed = fitted(|text| text.replace("(winding)", "(rotor)"));
    renamed
        .run(&["study", "tiny.toml", "--out", "run"])
        .refused(2, &["vehicle.toml", "fitted.parameters[0].name", "lowgear fit"]);
    assert!(!renamed.path("run").exists(), "nothing was written");
    let short = fitted(|text| text.replace("correlation = [-0.4]", "correlation = []"));
    short.run(&["check", "vehicle.toml"]).refused(2, &["fitted.parameters[1].correlation", "1 values"]);
}
