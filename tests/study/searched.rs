//! A study that searches for settings first.

use super::assert_same_bytes_as;
use super::interrupted::{killed_when, older_checkpoint};
use crate::sandbox::Sandbox;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

const POLICIES: [&str; 6] = ["speed-rule", "load-rule", "contextual", "dqn", "ppo", "tabular"];
const SEARCH: [&str; 7] = ["study", "tiny.toml", "--out", "run", "--hyper-search", "--effort", "0.5"];
/// Of the tiny study, with half the effort.
const CANDIDATES: [usize; 2] = [4, 2];
const TICKS: [u64; 2] = [2500, 5000];

/// The tiny study, with its search, never interrupted.
fn searched() -> &'static Sandbox {
    static PLACE: OnceLock<Sandbox> = OnceLock::new();
    PLACE.get_or_init(|| {
        let place = Sandbox::new();
        place.run(&SEARCH).done();
        place
    })
}

fn resume(place: &Sandbox, more: &[&str]) -> Vec<String> {
    let known = if place.path("run/resolved.toml").exists() { &["--resume"][..] } else { &[] };
    [&SEARCH[..], known, more].concat().into_iter().map(str::to_owned).collect()
}

/// Rows of hyper-search.csv by policy, each a map from column to cell.
fn rows(run: &Path) -> BTreeMap<String, Vec<BTreeMap<String, String>>> {
    let mut reader = csv::Reader::from_path(run.join("hyper-search.csv")).unwrap();
    let mut found = BTreeMap::<String, Vec<_>>::new();
    for row in reader.deserialize::<BTreeMap<String, String>>() {
        let row = row.unwrap();
        found.entry(row["policy"].clone()).or_default().push(row);
    }
    found
}

#[test]
fn every_policy_has_the_same_candidates_and_at_least_the_same_ticks() {
    let rows = rows(&searched().path("run"));
    assert_eq!(rows.len(), POLICIES.len());
    for (policy, rows) in rows {
        assert!(POLICIES.contains(&policy.as_str()), "{policy}");
        for (rung, (candidates, ticks)) in CANDIDATES.into_iter().zip(TICKS).enumerate() {
            let in_rung = || rows.iter().filter(|r| r["rung"] == (rung + 1).to_string());
            assert_eq!(in_rung().count(), candidates, "{policy}, rung {}", rung + 1);
            assert!(in_rung().all(|r| r["training_ticks"].parse::<u64>().unwrap() >= ticks), "{policy}");
        }
        assert_eq!(rows.iter().filter(|r| r["chosen"] == "yes").count(), 1, "{policy}");
    }
}

#[test]
fn the_better_half_by_validation_goes_on_and_the_best_is_chosen() {
    for (policy, rows) in rows(&searched().path("run")) {
        let score = |row: &BTreeMap<String, String>| row["validation_return_s"].parse::<f64>().unwrap();
        let (second, first): (Vec<_>, Vec<_>) = rows.iter().partition(|r| r["rung"] == "2");
        let went_on = |candidate: &str| second.iter().any(|r| r["candidate"] == candidate);
        let (better, worse): (Vec<_>, Vec<_>) = first.into_iter().partition(|r| went_on(&r["candidate"]));
        let least = better.iter().map(|r| score(r)).fold(f64::INFINITY, f64::min);
        assert!(worse.iter().all(|r| score(r) <= least), "{policy}: {rows:?}");
        let chosen = second.iter().find(|r| r["chosen"] == "yes").unwrap();
        assert!(second.iter().all(|r| score(r) <= score(chosen)), "{policy}: {rows:?}");
    }
}

#[test]
fn the_study_goes_on_with_what_was_found_and_keeps_it() {
    let place = searched();
    let rows = rows(&place.path("run"));
    let kept: toml::Table = place.read("run/resolved.toml").parse().unwrap();
    for (policy, path) in [
        ("speed-rule", "tuning.speed-budget"),
        ("load-rule", "tuning.load-budget"),
        ("contextual", "learners.contextual"),
        ("dqn", "learners.dqn"),
        ("ppo", "learners.ppo"),
        ("tabular", "learners.tabular"),
    ] {
        let chosen = rows[policy].iter().find(|r| r["chosen"] == "yes").unwrap();
        if chosen["candidate"] == "1" {
            continue; // as the study has it
        }
        for setting in chosen["values"].split("; ") {
            let (key, value) = setting.split_once(" = ").unwrap();
            let whole = format!("study.{path}.{key}");
            let found = whole.split('.').fold(&toml::Value::Table(kept.clone()), |t, part| &t[part]).clone();
            let expected: toml::Value = format!("v = {value}").parse::<toml::Table>().unwrap()["v"].clone();
            let same = match (found.as_float(), expected.as_float()) {
                // Networks' settings are numbers of single precision.
                (Some(a), Some(b)) => (a - b).abs() <= 1e-6 * b.abs(),
                _ => found == expected,
            };
            assert!(same, "{whole}: {found}, chosen was {expected}");
        }
    }
    let record = |job: &str| place.path(&format!("run/{job}/job.json")).exists();
    assert!(record("dqn/seed-1") && record("tuned-load-rule/seed-2"), "the study went on");
    let names = |folder: &str| std::fs::read_dir(place.path(folder)).unwrap().count();
    assert_eq!(names("run/hyper-search"), POLICIES.len(), "no candidate's checkpoints are left");
}

#[test]
fn the_number_of_threads_and_kills_change_no_byte() {
    let reference = searched().path("run");
    let one = Sandbox::new();
    one.run(&[&SEARCH[..], &["--threads", "1"]].concat()).done();
    assert_same_bytes_as(&reference, &one.path("run"), |_| false);

    let place = Sandbox::new();
    let there = |file: &str| -> PathBuf { place.path("run/hyper-search").join(file) };
    let killed = |file: &str| {
        let arguments = resume(&place, &[]);
        let words: Vec<&str> = arguments.iter().map(String::as_str).collect();
        killed_when(&place, &words, || there(file).exists())
    };
    let kills = [
        killed("load-rule/candidate-2/rung-1.json"),
        killed("dqn/candidate-1/checkpoint.bin"),
        killed("dqn/candidate-3/rung-1.json"),
        killed("ppo.json"),
        killed("../dqn/seed-1/checkpoint.bin"),
    ];
    assert!(kills.iter().filter(|&&k| k).count() >= 2, "killed at work: {kills:?}");
    let arguments = resume(&place, &[]);
    place.run(&arguments.iter().map(String::as_str).collect::<Vec<_>>()).done();
    assert_same_bytes_as(&reference, &place.path("run"), older_checkpoint);
    // What the search found belongs to the study that is resumed.
    place.run(&arguments.iter().map(String::as_str).collect::<Vec<_>>()).done();
}

#[test]
fn without_ranges_or_with_a_limit_of_time_it_is_refused() {
    let place = Sandbox::new();
    place.run(&[&SEARCH[..], &["--hours", "1"]].concat()).refused(2, &["--hyper-search", "--hours"]);
    let text = place.read("tiny.toml");
    let start = text.find("# For --hyper-search.").unwrap();
    let end = text.find("[table]").unwrap();
    place.write("tiny.toml", format!("{}{}", &text[..start], &text[end..]));
    place.run(&SEARCH).refused(2, &["--hyper-search", "[hyper-search]"]);
    assert!(!place.path("run").exists(), "nothing was written");
}
