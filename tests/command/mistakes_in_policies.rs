//! Policy files that were cut short, changed, or made for something else.

use crate::sandbox::Sandbox;
use crate::study::reference;
use serde_json::Value;
use std::fs;

fn saved(name: &str) -> Value {
    serde_json::from_str(&fs::read_to_string(reference().join(name)).unwrap()).unwrap()
}

/// Drives with a policy file of this content, which is refused.
#[track_caller]
fn refused(content: &str, words: &[&str]) {
    let place = Sandbox::new();
    place.write("policy.json", content);
    let expected = [&["policy.json"], words].concat();
    place.run(&["drive", "tiny.toml", "--policy", "policy.json", "--out", "out"]).refused(2, &expected);
    place.run(&["export", "tiny.toml", "--policy", "policy.json", "--out", "out"]).refused(2, &expected);
    let compare = ["compare", "tiny.toml", "hand-rule", "policy.json", "--courses", "2", "--out", "out"];
    place.run(&compare).refused(2, &expected);
    assert!(!place.path("out").exists(), "nothing was written");
}

#[test]
fn a_file_cut_short_or_of_another_kind() {
    let whole = fs::read_to_string(reference().join("dqn/seed-1/last.json")).unwrap();
    refused(&whole[..whole.len() / 2], &["line", "not a file that this version wrote"]);
    refused("", &["line", "not a file that this version wrote"]);
    refused("mass-kg = 5.0\n", &["line 1", "not a file that this version wrote"]);
    refused("[]", &["line 1", "not a file that this version wrote"]);
}

#[test]
fn a_file_of_another_format() {
    let mut policy = saved("table/seed-1/policy.json");
    policy["format"] = 99.into();
    refused(&policy.to_string(), &["format 99", "reads format 3"]);
}

#[test]
fn a_policy_for_another_number_of_gears() {
    let mut policy = saved("table/seed-1/policy.json");
    policy["gears"] = 4.into();
    refused(&policy.to_string(), &["4 gears", "3"]);
}

#[test]
fn a_policy_for_another_vehicle_with_as_many_gears_needs_a_word() {
    let mut policy = saved("table/seed-1/policy.json");
    policy["vehicle"] = "milk float".into();
    refused(&policy.to_string(), &["\"milk float\"", "\"seed-tray cart\"", "--other-vehicle"]);
    let place = Sandbox::new();
    place.write("policy.json", policy.to_string());
    place.write("log.csv", super::field::logged());
    let replay = ["replay", "tiny.toml", "log.csv", "--policy", "policy.json", "--out", "over"];
    place
        .run(&replay)
        .refused(2, &["policy.json", "\"milk float\"", "\"seed-tray cart\"", "--other-vehicle"]);
    assert!(!place.path("over").exists(), "nothing was written");
    for arguments in [
        &["drive", "tiny.toml", "--policy", "policy.json", "--out", "out"][..],
        &["export", "tiny.toml", "--policy", "policy.json", "--out", "firmware", "--format", "csv"],
        &["compare", "tiny.toml", "hand-rule", "policy.json", "--courses", "2"],
        &replay,
    ] {
        place.run(&[arguments, &["--other-vehicle"]].concat()).done();
    }
    assert!(place.read("over/decisions.csv").lines().count() > 100);
}

#[test]
fn a_truncated_table() {
    let mut policy = saved("table/seed-1/policy.json");
    let mut table: Value = serde_json::from_str(policy["policy"]["table"].as_str().unwrap()).unwrap();
    let cells = table["cells"].as_str().unwrap().to_owned();
    table["cells"] = cells[..cells.len() - 4].into();
    policy["policy"]["table"] = table.to_string().into();
    refused(&policy.to_string(), &["axes and cells do not fit"]);
}

#[test]
fn a_table_with_one_decision_changed() {
    let mut policy = saved("table/seed-1/policy.json");
    let mut table: Value = serde_json::from_str(policy["policy"]["table"].as_str().unwrap()).unwrap();
    let cells = table["cells"].as_str().unwrap().to_owned();
    let changed = if cells.starts_with('5') { "6" } else { "5" };
    table["cells"] = format!("{changed}{}", &cells[1..]).into();
    policy["policy"]["table"] = table.to_string().into();
    refused(&policy.to_string(), &["damaged", "hash"]);
}

#[test]
fn a_network_with_a_weight_too_few() {
    let mut policy = saved("dqn/seed-1/last.json");
    policy["policy"]["dqn"]["network"]["weights"].as_array_mut().unwrap().pop();
    refused(&policy.to_string(), &["weights", "values where"]);
}

#[test]
fn a_network_for_another_stack() {
    let mut policy = saved("dqn/seed-1/last.json");
    policy["policy"]["dqn"]["scaler"]["stack"] = 3.into();
    refused(&policy.to_string(), &["network inputs"]);
}

#[test]
fn action_values_too_few() {
    let mut policy = saved("tabular/seed-1/last.json");
    policy["policy"]["tabular"]["learner"]["values"].as_array_mut().unwrap().pop();
    refused(&policy.to_string(), &["values", "12 cells and 3 actions"]);
}

#[test]
fn a_rule_out_of_range() {
    let mut policy = saved("tuned-load-rule/seed-1/policy.json");
    policy["policy"]["rule"]["up-permille"][0] = 9000.into();
    refused(&policy.to_string(), &["up-permille[0]", "9000", "0 to 2001"]);
}

#[test]
fn a_missing_file_or_a_folder_without_one() {
    let place = Sandbox::new();
    for word in ["absent.json", "."] {
        place.run(&["drive", "tiny.toml", "--policy", word, "--out", "out"]).refused(3, &[".json", "hint:"]);
    }
    assert!(!place.path("out").exists(), "nothing was written");
}
