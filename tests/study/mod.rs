//! A whole study, small: the same bytes whatever the threads, after being killed, after damage; and what it
//! leaves.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a check that cannot be made has failed")]

mod budgets;
mod courses;
mod diverged;
mod drawn_again;
mod identity;
mod interrupted;
mod left_behind;
mod locked;
mod repeated;
mod searched;
mod stopped;
mod timings;

use crate::sandbox::{files_below, furnish, run_in};
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// The run folder of the tiny study, run once for all tests and never interrupted.
pub(crate) fn reference() -> &'static Path {
    static RUN: OnceLock<(File, PathBuf)> = OnceLock::new();
    let (_lock, run) = RUN.get_or_init(|| {
        let scratch = Path::new(env!("CARGO_TARGET_TMPDIR"));
        // Two processes with these tests take turns; the lock ends with the process.
        let lock = File::create(scratch.join("tiny-study.lock")).expect("the scratch folder can be written");
        lock.lock().expect("the scratch folder can be locked");
        let folder = scratch.join("tiny-study");
        if folder.exists() {
            fs::remove_dir_all(&folder).expect("the run before can be removed");
        }
        fs::create_dir_all(&folder).expect("the scratch folder can be written");
        furnish(&folder);
        run_in(&folder, &["study", "tiny.toml", "--out", "run"]).done();
        (lock, folder.join("run"))
    });
    run
}

/// Whether the proof of firmware can be made here. Says so when not.
pub(crate) fn compiler_is_there() -> bool {
    let compiler = std::env::var("CC").unwrap_or_else(|_| "cc".to_owned());
    let there = Command::new(&compiler).arg("--version").output().is_ok();
    if !there {
        eprintln!("SKIPPED in part: no C compiler `{compiler}`, so firmware is not proven here");
    }
    there
}

/// A run folder holds the same bytes as the reference, but for files that `skip` names.
#[track_caller]
fn assert_same_bytes(run: &Path, skip: impl Fn(&str) -> bool) {
    assert_same_bytes_as(reference(), run, skip);
}

/// Two run folders hold the same bytes, but for the timings and for files that `skip` names.
#[track_caller]
fn assert_same_bytes_as(reference: &Path, run: &Path, skip: impl Fn(&str) -> bool) {
    let kept = |folder: &Path| -> Vec<PathBuf> {
        let skip = |file: &PathBuf| file.ends_with("timing.csv") || skip(&file.to_string_lossy());
        files_below(folder).into_iter().filter(|f| !skip(f)).collect()
    };
    let files = kept(reference);
    assert!(files.len() > 50, "{files:?}");
    assert_eq!(kept(run), files, "the same files");
    for file in files {
        let same = fs::read(run.join(&file)).unwrap() == fs::read(reference.join(&file)).unwrap();
        assert!(same, "{} differs", file.display());
    }
}
