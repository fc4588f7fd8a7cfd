//! Learning curves in the form that dashboards of training read.

use super::reference;
use crate::sandbox::{files_below, repository};
use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Command;

/// A Python with the dashboard's own reader, in an environment of its own; says what to do where there is none.
fn reader() -> Option<PathBuf> {
    let own = repository().join("target/dashboard/bin/python");
    let given = std::env::var_os("DASHBOARD_PYTHON").map(PathBuf::from);
    let found = given.into_iter().chain([own, PathBuf::from("python3")]).find(|python| {
        let asked = Command::new(python).args(["-c", "import tensorboard"]).output();
        asked.is_ok_and(|out| out.status.success())
    });
    if found.is_none() {
        assert!(std::env::var_os("CI").is_none(), "no reader of event files: tests/all.sh installs it");
        println!("SKIPPED: needs a Python with the reader of event files (tests/all.sh installs it)");
    }
    found
}

/// Ticks, mean and standard error as `metrics.csv` holds them.
fn rows(job: &Path) -> Vec<[f64; 3]> {
    let text = std::fs::read_to_string(job.join("metrics.csv")).unwrap();
    let row = |line: &str| line.split(',').map(|cell| cell.parse().unwrap()).collect::<Vec<f64>>();
    text.lines().skip(1).map(|line| <[f64; 3]>::try_from(row(line)).unwrap()).collect()
}

#[test]
fn the_reader_of_event_files_finds_every_curve_of_a_run() {
    let Some(python) = reader() else { return };
    let jobs: Vec<PathBuf> = files_below(reference())
        .into_iter()
        .filter(|file| file.ends_with("metrics.csv"))
        .filter_map(|file| Some(reference().join(file.parent()?)))
        .collect();
    assert!(jobs.len() > 8, "{jobs:?}");
    let program = repository().join("tests/study/curves.py");
    let out =
        Command::new(python).env("PYTHONDONTWRITEBYTECODE", "1").arg(program).args(&jobs).output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    let read: Vec<Value> = serde_json::from_slice(&out.stdout).unwrap();
    assert_eq!(read.len(), jobs.len());
    for (job, read) in jobs.iter().zip(read) {
        let expected = rows(job);
        assert!(!expected.is_empty(), "{}", job.display());
        for (column, name) in [(1, "validation_return_s"), (2, "standard_error_s")] {
            let points = read[name].as_array().unwrap();
            assert_eq!(points.len(), expected.len(), "{}: {name}", job.display());
            for (point, row) in points.iter().zip(&expected) {
                let [step, seconds, value] = [0, 1, 2].map(|part| point[part].as_f64().unwrap());
                assert_eq!(step, row[0], "{}: {name}", job.display());
                assert!((seconds - 0.05 * step).abs() < 1e-6, "time driven in training: {seconds} s");
                let error = (value - row[column]).abs();
                assert!(
                    error <= 1e-6 + 1e-7 * row[column].abs(),
                    "{}: {name} {value}, {row:?}",
                    job.display()
                );
            }
        }
    }
}
