//! `lowgear compare`.

use crate::sandbox::Sandbox;
use crate::study::reference;
use lowgear_eval::summary::Summary;

#[test]
fn a_rule_and_a_saved_policy_are_compared_pair_by_pair() {
    let place = Sandbox::new();
    let table = reference().join("table/seed-1");
    let arguments =
        ["compare", "tiny.toml", "hand-rule", table.to_str().unwrap(), "--courses", "3", "--out", "out"];
    let out = place.run(&arguments).done().out;
    assert!(out.contains("hand-rule") && out.contains("table/seed-1") && out.contains("3 courses"), "{out}");
    let rows: Vec<String> = place.read("out/episodes.csv").lines().skip(1).map(str::to_owned).collect();
    assert_eq!(rows.len(), 2 * 3);
    let summary = Summary::from_json(&place.read("out/summary.json")).unwrap();
    assert_eq!(summary.test_suite.courses, 3);
    let pair =
        summary.paired.iter().find(|p| p.policy == "table/seed-1" && p.against == "hand-rule").unwrap();
    assert!(pair.low <= pair.mean && pair.mean <= pair.high && pair.n_courses == 3, "{pair:?}");
}

#[test]
fn a_program_reads_the_summary_from_standard_output() {
    let place = Sandbox::new();
    let arguments =
        ["compare", "tiny.toml", "hand-rule", "hand-rule", "--courses", "2", "--out", "out", "--json"];
    let out = place.run(&arguments).done().out;
    assert_eq!(out.trim_end(), place.read("out/summary.json").trim_end());
    Summary::from_json(&out).unwrap();
}

#[test]
fn without_a_folder_it_writes_nothing() {
    let place = Sandbox::new();
    place.run(&["compare", "tiny.toml", "hand-rule", "hand-rule", "--courses", "2"]).done();
    assert_eq!(place.names(), ["course.toml", "tiny.toml", "vehicle.toml"]);
}

#[test]
fn a_policy_against_itself_differs_by_nothing() {
    let place = Sandbox::new();
    let arguments = ["compare", "tiny.toml", "hand-rule", "hand-rule", "--courses", "3", "--out", "out"];
    place.run(&arguments).done();
    let summary = Summary::from_json(&place.read("out/summary.json")).unwrap();
    assert!(!summary.paired.is_empty());
    assert!(summary.paired.iter().all(|p| p.mean == 0.0 && p.low == 0.0 && p.high == 0.0));
}

#[test]
fn one_policy_or_one_course_is_too_few() {
    let place = Sandbox::new();
    place.run(&["compare", "tiny.toml", "hand-rule"]).refused(2, &["2 values", "POLICY"]);
    let arguments = ["compare", "tiny.toml", "hand-rule", "hand-rule", "--courses", "1"];
    place.run(&arguments).refused(2, &["--courses", "2..=100000"]);
}
