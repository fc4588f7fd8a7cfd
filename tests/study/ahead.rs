//! A study of a vehicle with a sensor ahead.

use crate::sandbox::{Sandbox, repository};
use serde_json::Value;
use std::fs;
use std::path::Path;

/// The tiny study with the cart that has a feeler, a table over strikes and two learners.
fn with_feeler() -> Sandbox {
    let place = Sandbox::new();
    let cart = repository().join("configs/vehicles/demo-cart-feeler.toml");
    fs::copy(cart, place.path("vehicle.toml")).unwrap();
    let features = r#"features = ["gear", "speed-ratio", "strike-class", "strike-mm", "dwell"]"#;
    place.edit("tiny.toml", "features =", features);
    place
}

fn json(file: &Path) -> Value {
    serde_json::from_str(&fs::read_to_string(file).unwrap()).unwrap()
}

#[test]
fn the_rule_is_tuned_with_the_sensor_and_without_it_and_both_are_compared() {
    let place = with_feeler();
    place.run(&["study", "tiny.toml", "--out", "run", "--threads", "2"]).done();
    let rule =
        |name: &str| json(&place.path(&format!("run/{name}/seed-1/policy.json")))["policy"]["rule"].clone();
    assert_eq!(rule("tuned-load-rule")["preview"], Value::Null);
    let preview = rule("tuned-preview-rule")["preview"].clone();
    assert_eq!(preview["down-class"].as_array().map(Vec::len), Some(2), "{preview}");
    let job = |name: &str| json(&place.path(&format!("run/{name}/seed-1/job.json")));
    let validations = |name: &str| job(name)["curve"].as_array().map(Vec::len);
    assert_eq!(validations("tuned-preview-rule"), validations("tuned-load-rule"), "the same budget");
    // Thresholds that depend on context see the strikes, whichever of the two rules they begin from.
    let contextual = json(&place.path("run/contextual/seed-1/policy.json"))["policy"]["contextual"].clone();
    assert_eq!(contextual["up"][0]["weights"].as_array().map(Vec::len), Some(11), "{contextual}");
    let summary = fs::read_to_string(place.path("run/summary.json")).unwrap();
    for id in ["tuned-load-rule", "tuned-preview-rule"] {
        assert!(summary.contains(id), "{id}");
    }
    place.run(&["study", "tiny.toml", "--out", "again", "--threads", "1"]).done();
    let bytes = |run: &str| fs::read(place.path(run).join("summary.json")).unwrap();
    assert!(bytes("run") == bytes("again"), "the same bytes with one thread and with two");
}

#[test]
fn a_gyroscope_needs_two_axles() {
    let place = Sandbox::new();
    let text = fs::read_to_string(repository().join("configs/vehicles/demo-cart-gyro.toml")).unwrap();
    let rear = "[[chassis.axles]]\nbehind-front-m = 0.20\ndriven = true\n";
    assert!(text.contains(rear));
    let single = text.replace(rear, "").replace("cg-behind-front-m = 0.10", "cg-behind-front-m = 0.0");
    fs::write(place.path("vehicle.toml"), single).unwrap();
    place.run(&["check", "vehicle.toml"]).refused(2, &["sensors.gyro", "0 m apart", "two axles"]);
}

#[test]
fn two_sensors_ahead_are_refused() {
    let place = with_feeler();
    let vehicle = place.path("vehicle.toml");
    let whisker = "\n[sensors.whisker]\nahead-m = 0.2\ntrigger-m = 0.003\ndrag-n = 0.05\n";
    let text = fs::read_to_string(&vehicle).unwrap();
    fs::write(&vehicle, text + whisker).unwrap();
    place
        .run(&["check", "vehicle.toml"])
        .refused(2, &["sensors.whisker", "[sensors.feeler]", "one sensor ahead"]);
}
