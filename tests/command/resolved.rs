//! `lowgear check --resolved`: the whole file, explained.

use super::schema::shipped;
use crate::sandbox::{Sandbox, repository, run_in};
use lowgear_env::config::{Check, parse};
use lowgear_env::terrain::CourseConfig;
use lowgear_env::vehicle::VehicleConfig;
use lowgear_sysid::log::Mapping;
use lowgear_sysid::sheet::Sheet;
use lowgear_train::config::{SensorsConfig, StudyConfig};
use lowgear_train::resolved::resolved;
use lowgear_train::schema::FileKind;
use lowgear_train::sweep::SweepConfig;
use std::path::Path;

/// Reads a file, resolves it, reads that; returns it.
fn there_and_back<T>(kind: FileKind, text: &str, file: &Path) -> String
where
    T: serde::de::DeserializeOwned
        + serde::Serialize
        + Check
        + schemars::JsonSchema
        + PartialEq
        + std::fmt::Debug,
{
    let read: T = parse(text, file).unwrap();
    let whole = resolved(kind, &read).unwrap();
    let again: T = parse(&whole, file).unwrap_or_else(|e| panic!("{e}\n{whole}"));
    assert_eq!(again, read, "{}", file.display());
    assert_eq!(resolved(kind, &again).unwrap(), whole, "{}", file.display());
    whole
}

#[test]
fn every_shipped_file_resolves_to_one_that_reads_the_same() {
    for (file, text) in shipped() {
        let kind = FileKind::of(&text);
        let whole = match kind {
            FileKind::Vehicle => there_and_back::<VehicleConfig>(kind, &text, &file),
            FileKind::Course => there_and_back::<CourseConfig>(kind, &text, &file),
            FileKind::Study => there_and_back::<StudyConfig>(kind, &text, &file),
            FileKind::Sweep => there_and_back::<SweepConfig>(kind, &text, &file),
            FileKind::Sheet => there_and_back::<Sheet>(kind, &text, &file),
            FileKind::Mapping => there_and_back::<Mapping>(kind, &text, &file),
            FileKind::Sensors => there_and_back::<SensorsConfig>(kind, &text, &file),
        };
        let lines: Vec<&str> = whole.lines().collect();
        for pair in lines.windows(2) {
            let header = pair[1].starts_with('[');
            let value = !pair[1].starts_with('#') && pair[1].contains(" = ");
            assert!(!(header || value) || pair[0].starts_with("# "), "{} is not explained", pair[1]);
        }
    }
}

#[test]
fn the_command_writes_it_to_standard_output_and_no_file() {
    let place = Sandbox::new();
    let out = place.run(&["check", "vehicle.toml", "--resolved"]).done().out;
    for words in ["# Mass, load included, kg.\nmass-kg = 5.0\n", "Default: 4.0.\nstall-cut-s = 4.0\n"] {
        assert!(out.contains(words), "no {words:?} in:\n{out}");
    }
    assert!(out.contains("# tilt-limit-deg is not set\n"), "{out}");
    assert_eq!(place.names(), ["course.toml", "tiny.toml", "vehicle.toml"]);
    place.write("whole.toml", &out);
    assert!(place.run(&["check", "whole.toml"]).done().out.contains(": OK ("));
    let study =
        run_in(&repository().join("configs/studies"), &["check", "night.toml", "--resolved"]).done().out;
    assert!(study.contains("[learners.dqn.settings]") && study.contains("\nhidden = "), "{study}");
}

#[test]
fn a_file_with_a_mistake_is_not_resolved() {
    let place = Sandbox::new();
    let line = place.edit("vehicle.toml", "mass-kg", "mass-kg = -1.0");
    place.run(&["check", "vehicle.toml", "--resolved"]).refused(2, &[&format!("line {line}"), "mass-kg"]);
}

#[test]
fn a_choice_too_long_for_one_line_is_kept() {
    let file = repository().join("tests/study/tiny.toml");
    let text = std::fs::read_to_string(&file).unwrap();
    // One of lists, which has no keys and so no table; one of numbers whose digits take the line.
    let many = (8..40).map(|width| format!("[{width}]")).collect::<Vec<_>>().join(", ");
    for (short, long) in [
        ("choice = [[8], [16, 16]]", format!("choice = [{many}]")),
        ("linear = [2.0, 6.0]", "linear = [1e-300, 6.0]".to_owned()),
    ] {
        let changed = text.replace(short, &long);
        assert_ne!(changed, text);
        let whole = there_and_back::<StudyConfig>(FileKind::Study, &changed, &file);
        let word = long.split(' ').next().unwrap();
        assert!(whole.lines().any(|line| line.starts_with("range = ") && line.contains(word)), "{whole}");
    }
}
