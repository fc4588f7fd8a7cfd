//! House rules that a compiler does not know.
#![expect(clippy::unwrap_used, reason = "a check that cannot be made has failed")]

mod words;

use crate::sandbox::{files_below, repository};
use std::fs;
use std::path::{Path, PathBuf};

/// What may stand at the top, besides names that begin with a dot.
const TOP: [&str; 13] = [
    "Cargo.toml",
    "Cargo.lock",
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "env",
    "agents",
    "train",
    "eval",
    "configs",
    "tests",
    "target",
    "runs",
];

/// Most lines of a Rust file.
const LINES: usize = 400;

/// Files of the repository that people read.
fn texts() -> Vec<(PathBuf, String)> {
    let top = fs::read_dir(repository()).unwrap().map(|e| e.unwrap().path());
    let mut found = Vec::new();
    for path in top {
        let name = path.file_name().unwrap().to_string_lossy().into_owned();
        if ["target", "runs", ".git", "Cargo.lock"].contains(&name.as_str()) {
            continue;
        }
        if path.is_dir() {
            found.extend(files_below(&path).into_iter().map(|f| Path::new(&name).join(f)));
        } else {
            found.push(PathBuf::from(name));
        }
    }
    // Where pip builds the Python module.
    found.retain(|f| !f.starts_with("env/python/target"));
    let read = |f: PathBuf| fs::read_to_string(repository().join(&f)).ok().map(|text| (f, text));
    found.into_iter().filter_map(read).collect()
}

fn rust_files() -> Vec<(PathBuf, String)> {
    texts().into_iter().filter(|(f, _)| f.extension().is_some_and(|e| e == "rs")).collect()
}

#[test]
fn nothing_stands_at_the_top_that_does_not_belong_there() {
    for entry in fs::read_dir(repository()).unwrap() {
        let name = entry.unwrap().file_name().to_string_lossy().into_owned();
        assert!(
            name.starts_with('.') || TOP.contains(&name.as_str()),
            "{name} at the top: find it a place below"
        );
    }
}

#[test]
fn no_rust_file_is_too_long() {
    for (file, text) in rust_files() {
        let lines = text.lines().count();
        assert!(
            lines <= LINES,
            "{} has {lines} lines, most is {LINES}: name a part and move it out",
            file.display()
        );
    }
}

#[test]
fn no_file_is_a_junk_drawer() {
    for (file, _) in rust_files() {
        let parts = file.iter().map(|p| p.to_string_lossy().trim_end_matches(".rs").to_owned());
        for part in parts {
            let junk = ["util", "utils", "helper", "helpers", "common", "misc"].contains(&part.as_str());
            assert!(!junk, "{}: name the concept", file.display());
        }
    }
}

#[test]
fn every_rust_file_begins_with_what_it_is() {
    for (file, text) in rust_files().into_iter().filter(|(f, _)| !f.ends_with("tests.rs")) {
        assert!(text.starts_with("//! "), "{}: begin with a sentence that says what it is", file.display());
    }
}

/// Name and version of every package in a lock file.
fn locked(file: &str) -> Vec<(String, String)> {
    let text = fs::read_to_string(repository().join(file)).unwrap();
    let value = |line: &str, key: &str| Some(line.strip_prefix(key)?.trim_matches('"').to_owned());
    let lines: Vec<&str> = text.lines().collect();
    let pairs = lines.windows(2);
    pairs.filter_map(|l| Some((value(l[0], "name = ")?, value(l[1], "version = ")?))).collect()
}

/// Otherwise the module might not give the bits that the command gives.
#[test]
fn the_python_module_is_built_from_the_versions_that_the_command_is_built_from() {
    let ours = locked("Cargo.lock");
    let names: Vec<&String> = ours.iter().map(|(name, _)| name).collect();
    let shared = locked("env/python/Cargo.lock").into_iter().filter(|(name, _)| names.contains(&name));
    let shared: Vec<_> = shared.collect();
    assert!(shared.len() > 20, "the two have much in common");
    for package in shared {
        assert!(ours.contains(&package), "{} {} only in env/python/Cargo.lock", package.0, package.1);
    }
}

#[test]
fn what_runs_on_the_vehicle_depends_on_nothing() {
    assert_eq!(crate::borders::dependencies("env/onboard/Cargo.toml"), Vec::<String>::new());
    let root = fs::read_to_string(repository().join("env/onboard/src/lib.rs")).unwrap();
    assert!(root.lines().any(|l| l == "#![no_std]"), "env/onboard is built without the standard library");
}

#[test]
fn learners_know_no_file_no_clock_and_no_terminal() {
    let code = rust_files().into_iter().filter(|(f, _)| f.starts_with("agents/src"));
    for (file, text) in code.filter(|(f, _)| !f.to_string_lossy().contains("tests")) {
        for word in ["std::fs", "std::time", "std::io", "println!", "rand::rng", "thread_rng"] {
            assert!(!text.contains(word), "{} uses {word}", file.display());
        }
    }
}

/// They panic when their stream is closed or full; `terminal.rs` does not.
#[test]
fn the_program_prints_by_what_no_closed_stream_can_end() {
    for (file, text) in rust_files().into_iter().filter(|(f, _)| f.starts_with("train/src")) {
        for word in ["println!", "print!(", "eprint!("] {
            assert!(!text.contains(word), "{} uses {word}", file.display());
        }
    }
}

#[test]
fn no_text_names_a_place_on_somebodys_machine() {
    let others = texts().into_iter().filter(|(file, _)| file != Path::new("tests/tidy.rs"));
    for (file, text) in others {
        for place in ["/home/", "/root/", "/Users/", "/work/", "C:\\Users"] {
            assert!(!text.contains(place), "{} names {place}", file.display());
        }
    }
}

/// Ends of keys that say the unit, or that the number has none.
const ENDS: [&str; 37] = [
    "m",
    "mm",
    "m2",
    "s2",
    "kg",
    "s",
    "deg",
    "ddeg",
    "n",
    "nm",
    "v",
    "a",
    "ah",
    "w",
    "c",
    "ohm",
    "j",
    "k",
    "rad",
    "per-m",
    "per-j",
    "per-life",
    "ticks",
    "permille",
    "bytes",
    "decisions",
    "episodes",
    "courses",
    "seeds",
    "ratio",
    "efficiency",
    "factor",
    "share",
    "count",
    "cycles",
    "chance",
    "edges",
];

/// Keys whose number needs no unit, or whose unit is that of the thing measured.
const PLAIN: [&str; 22] = [
    "seed",
    "searches",
    "generations",
    "population",
    "validate-every",
    "step",
    "iterations",
    "stack",
    "rolling",
    "friction",
    "weight",
    "slope",
    "charge",
    "rule-margin",
    "reward-scale",
    "retry-growth",
    "stall",
    "time",
    "trust-visits",
    "batch",
    "n-step",
    "warm-up",
];

#[test]
fn every_number_in_a_config_has_a_unit_in_its_key_or_a_comment() {
    let configs = texts().into_iter().filter(|(f, _)| f.starts_with("configs"));
    for (file, text) in configs.filter(|(f, _)| f.extension().is_some_and(|e| e == "toml")) {
        let after_schema = text.lines().find(|line| !line.starts_with("#:schema "));
        assert!(
            after_schema.is_some_and(|line| line.starts_with("# ")),
            "{}: begin with a comment that says what it is",
            file.display()
        );
        let mut before = "";
        for (line, number) in text.lines().zip(1..) {
            let numeric =
                |v: &str| v.trim().trim_start_matches(['[', '-']).starts_with(|c: char| c.is_ascii_digit());
            if let Some((key, value)) = line.split_once('=').filter(|(k, v)| !k.contains('#') && numeric(v)) {
                let key = key.trim();
                let unit = ENDS.iter().any(|e| key == *e || key.ends_with(&format!("-{e}")));
                let said = value.contains('#') || before.starts_with('#');
                let plain = PLAIN.contains(&key);
                assert!(unit || said || plain, "{}, line {number}: no unit for `{key}`", file.display());
            }
            before = line.trim();
        }
    }
}
