//! `lowgear new`: a folder to start from, with nothing else there.

use crate::sandbox::{files_below, run_in};
use lowgear_train::schema::FileKind;
use lowgear_train::starter::Starter;
use std::fs;
use std::path::Path;

/// The words of `--like` with the gears of their vehicles.
const LIKES: [(&str, &str); 3] =
    [("demo-cart", "3 gears"), ("compost-tractor", "4 gears"), ("watering-barrow", "2 gears")];

/// The first line of a file that begins with `key`, replaced.
fn edit(file: &Path, key: &str, by: &str) {
    let text = fs::read_to_string(file).unwrap();
    assert!(text.lines().any(|line| line.starts_with(key)), "{key}");
    let line = |line: &str| if line.starts_with(key) { by.to_owned() } else { line.to_owned() };
    fs::write(file, text.lines().map(|l| line(l) + "\n").collect::<String>()).unwrap();
}

#[test]
fn from_an_empty_folder_to_a_report_and_a_picture() {
    let empty = tempfile::tempdir().unwrap();
    let out = run_in(empty.path(), &["new", "garden"]).done().out;
    let next: Vec<&str> = out.lines().filter_map(|line| line.strip_prefix("  ")).collect();
    assert_eq!(next, ["cd garden", "lowgear check study.toml", "lowgear study study.toml --quick"], "{out}");
    let garden = empty.path().join("garden");
    edit(&garden.join("study.toml"), "budget-share", "budget-share = 0.002");
    for line in &next[1..] {
        let words: Vec<&str> = line.split(' ').skip(1).collect();
        run_in(&garden, &words).done();
    }
    assert!(garden.join("runs/own-quick/report.html").is_file());
    run_in(&garden, &["draw", "course.toml"]).done();
    assert!(garden.join("runs/course.svg").is_file());
}

#[test]
fn from_a_data_sheet_to_a_table_with_the_program_alone() {
    let place = tempfile::tempdir().unwrap();
    run_in(place.path(), &["new", "."]).done();
    edit(&place.path().join("sheet.toml"), "mass-kg", "mass-kg = 7.5");
    let first = run_in(place.path(), &["init", "sheet.toml", "--out", "first.toml"]).done().out;
    assert!(first.contains("assumed:"), "{first}");
    let study = place.path().join("study.toml");
    edit(&study, "vehicle =", "vehicle = \"first.toml\"");
    edit(&study, "budget-share", "budget-share = 0.002");
    run_in(place.path(), &["study", "study.toml", "--quick"]).done();
    for file in ["lowgear.h", "lowgear.rs", "lowgear.py", "table.csv"] {
        assert!(place.path().join("runs/own-quick/firmware").join(file).is_file(), "{file}");
    }
}

#[test]
fn every_kind_of_start_passes_the_check_and_every_schema_line_leads_to_a_schema() {
    assert_eq!(LIKES.len(), Starter::ALL.len());
    for (like, gears) in LIKES {
        let place = tempfile::tempdir().unwrap();
        run_in(place.path(), &["new", ".", "--like", like]).done();
        let mut configs = 0;
        for file in files_below(place.path()) {
            let text = fs::read_to_string(place.path().join(&file)).unwrap();
            if file.starts_with("schema") {
                let kind =
                    FileKind::ALL.into_iter().find(|k| file.ends_with(k.name().to_owned() + ".schema.json"));
                assert_eq!(text, kind.unwrap().schema_text());
                continue;
            }
            configs += 1;
            let schema = text.lines().next().unwrap().strip_prefix("#:schema ").unwrap();
            assert!(place.path().join(schema).is_file(), "{like}: {}: {schema}", file.display());
            assert!(schema.contains(FileKind::of(&text).name()), "{like}: {}: {schema}", file.display());
            assert!(!text.contains("../"), "{like}: {} names what is not there", file.display());
            let name = file.to_str().unwrap();
            assert!(text.contains(&format!("`lowgear check {name} --resolved`")), "{text}");
            run_in(place.path(), &["check", name]).done();
        }
        assert_eq!(configs, 5, "{like}");
        let out = run_in(place.path(), &["check", "vehicle.toml"]).done().out;
        assert!(out.contains(gears), "{like}: {out}");
    }
}

#[test]
fn it_replaces_nothing_and_says_where_else() {
    let place = tempfile::tempdir().unwrap();
    fs::write(place.path().join("study.toml"), "mine").unwrap();
    run_in(place.path(), &["new", "."]).refused(3, &["files in it", "not replaced", "hint:", "empty"]);
    run_in(place.path(), &["new", "study.toml"]).refused(3, &["study.toml", "no folder", "hint:"]);
    assert_eq!(files_below(place.path()), [Path::new("study.toml")]);
    assert_eq!(fs::read_to_string(place.path().join("study.toml")).unwrap(), "mine");
    run_in(place.path(), &["new", "a", "--like", "boat"])
        .refused(2, &["boat", "demo-cart", "watering-barrow"]);
    run_in(place.path(), &["new"]).refused(2, &["<DIR>"]);
    let out = run_in(place.path(), &["new", "my garden"]).done().out;
    assert!(out.contains("cd 'my garden'\n"), "{out}");
}

#[test]
fn a_study_without_a_file_explains_the_next_step() {
    let place = tempfile::tempdir().unwrap();
    run_in(place.path(), &["study"])
        .refused(2, &["no study file", "lowgear new DIR", "lowgear study DIR/study.toml"]);
    assert!(files_below(place.path()).is_empty());
    run_in(place.path(), &["new", "."]).done();
    run_in(place.path(), &["study"]).refused(2, &["no study file", "`lowgear study study.toml --quick`"]);
}
