//! A whole study, small: the same bytes whatever the threads, after being killed, after damage; and what it
//! leaves.
#![expect(clippy::unwrap_used, clippy::expect_used, reason = "a check that cannot be made has failed")]

mod ahead;
mod budgets;
mod courses;
mod curves;
mod damage_limit;
mod diverged;
mod drawn_again;
mod fitted;
mod identity;
mod interrupted;
mod left_behind;
mod locked;
mod repeated;
mod searched;
mod stopped;
mod timings;

use crate::sandbox::{Compilers, files_below, furnish, run_with};
use std::fs::{self, File};
use std::path::{Path, PathBuf};
use std::process::Command;
use std::sync::OnceLock;

/// The run folder of the tiny study, run once for all tests of this process and never interrupted, without compilers in reach.
pub(crate) fn reference() -> &'static Path {
    static RUN: OnceLock<(File, PathBuf)> = OnceLock::new();
    &RUN.get_or_init(|| uninterrupted(Compilers::OutOfReach)).1
}

/// As [`reference`], with its firmware proven.
pub(crate) fn proven_reference() -> &'static Path {
    static RUN: OnceLock<(File, PathBuf)> = OnceLock::new();
    &RUN.get_or_init(|| uninterrupted(Compilers::InReach)).1
}

fn uninterrupted(compilers: Compilers) -> (File, PathBuf) {
    let (lock, folder) = own_folder(&Path::new(env!("CARGO_TARGET_TMPDIR")).join("tiny-studies"));
    furnish(&folder);
    run_with(compilers, &folder, &["study", "tiny.toml", "--out", "run"]).done();
    (lock, folder.join("run"))
}

/// Lock file in the folder of a process.
const HELD: &str = "held.lock";

/// A new folder in `scratch` and its lock, which ends with this process. Each process has its own folder, so that
/// parallel test processes do not wait for each other. Folders without a lock are of ended processes and are removed.
fn own_folder(scratch: &Path) -> (File, PathBuf) {
    fs::create_dir_all(scratch).expect("the scratch folder can be written");
    // Held until the return: a new folder is not locked yet, and another process would remove it.
    let turn = File::create(scratch.join("turn.lock")).expect("the scratch folder can be written");
    turn.lock().expect("the scratch folder can be locked");
    for entry in fs::read_dir(scratch).expect("the scratch folder can be read") {
        let folder = entry.expect("an entry").path();
        let held = || File::open(folder.join(HELD)).is_ok_and(|lock| lock.try_lock().is_err());
        if folder.is_dir() && !held() {
            fs::remove_dir_all(&folder).expect("what was left behind can be removed");
        }
    }
    let folder =
        tempfile::Builder::new().prefix("run-").tempdir_in(scratch).expect("a folder can be made").keep();
    let lock = File::create(folder.join(HELD)).expect("the folder can be written");
    lock.lock().expect("the folder can be locked");
    (lock, folder)
}

#[test]
fn parallel_test_processes_have_their_own_folders_and_remove_those_of_ended_ones() {
    let scratch = tempfile::tempdir().unwrap();
    let (left, gone) = own_folder(scratch.path());
    let (_held, kept) = own_folder(scratch.path());
    assert!(gone != kept && gone.exists(), "the first is locked, and the second did not wait for it");
    drop(left);
    let (_lock, last) = own_folder(scratch.path());
    assert!(!gone.exists() && kept.exists() && last.exists());
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

/// A run folder holds the same bytes as [`reference`], but for files that `skip` names.
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
