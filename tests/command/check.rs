//! `lowgear check` on what is shipped.

use crate::sandbox::{Sandbox, files_below, repository, run_in};
use serde_json::Value;

#[test]
fn every_shipped_file_is_in_order() {
    let configs = repository().join("configs");
    let files = files_below(&configs);
    let toml: Vec<_> = files.iter().filter(|f| f.extension().is_some_and(|e| e == "toml")).collect();
    assert!(toml.len() >= 3, "{files:?}");
    for file in toml {
        let ran = run_in(&configs, &["check".as_ref(), file.as_os_str()]).done();
        assert!(ran.out.contains(": OK ("), "{}", ran.out);
    }
}

#[test]
fn it_says_what_it_found() {
    let place = Sandbox::new();
    for (file, words) in [
        ("tiny.toml", &["study \"tiny\"", "2 training seeds"][..]),
        ("vehicle.toml", &["vehicle \"seed-tray cart\"", "3 gears"]),
        ("course.toml", &["course \"garden mix\"", "surfaces"]),
    ] {
        let out = place.run(&["check", file]).done().out;
        assert!(words.iter().all(|w| out.contains(w)), "{out}");
    }
    assert_eq!(place.names(), ["course.toml", "tiny.toml", "vehicle.toml"], "it writes nothing");
}

#[test]
fn a_program_reads_what_it_found() {
    let place = Sandbox::new();
    let out = place.run(&["check", "vehicle.toml", "--json"]).done().out;
    let found: Value = serde_json::from_str(&out).unwrap();
    assert_eq!((&found["valid"], &found["kind"]), (&Value::from(true), &Value::from("vehicle")));
    let written: toml::Table = place.read("vehicle.toml").parse().unwrap();
    let mass = written["chassis"]["mass-kg"].as_float().unwrap();
    assert_eq!(found["settings"]["chassis"]["mass-kg"], Value::from(mass));
    let keys = place.run(&["check", "vehicle.toml", "--resolved"]).done().out;
    let resolved: toml::Table = keys.parse().unwrap();
    assert_eq!(found["settings"].as_object().unwrap().len(), resolved.len(), "defaults are filled in");
}

#[test]
fn a_program_reads_what_is_wrong() {
    let place = Sandbox::new();
    place.edit("vehicle.toml", "mass-kg", "mass-kg = -3.0");
    let ran = place.run(&["check", "vehicle.toml", "--json"]);
    let found: Value = serde_json::from_str(&ran.out).unwrap();
    assert_eq!(found["valid"], Value::from(false));
    assert!(found["error"].as_str().unwrap().contains("mass-kg"), "{found}");
    assert_eq!(ran.code, Some(2));
    assert!(ran.err.starts_with("error: ") && ran.err.contains("mass-kg"), "{}", ran.err);
}
