//! A study that was killed, or whose checkpoint was damaged, and then resumed.

use super::{assert_same_bytes, assert_same_bytes_as, proven_reference};
use crate::sandbox::{Sandbox, files_below};
use std::fs;
use std::thread::sleep;
use std::time::{Duration, Instant};

const STUDY: [&str; 4] = ["study", "tiny.toml", "--out", "run"];
const RESUME: [&str; 5] = ["study", "tiny.toml", "--out", "run", "--resume"];
/// A study that has not come so far by then never will.
const PATIENCE: Duration = Duration::from_secs(120);

/// Starts the study and kills it as soon as `moment` has come. Whether it was still at work then.
pub(super) fn killed_when(place: &Sandbox, arguments: &[&str], moment: impl Fn() -> bool) -> bool {
    let mut child = place.start(arguments);
    let began = Instant::now();
    while !moment() && child.try_wait().unwrap().is_none() {
        assert!(began.elapsed() < PATIENCE, "the moment to kill it never came");
        sleep(Duration::from_millis(1));
    }
    let at_work = child.try_wait().unwrap().is_none();
    // SIGKILL: nothing can be tidied up.
    child.kill().unwrap();
    child.wait().unwrap();
    at_work
}

/// What may differ after an interruption: the checkpoint before the last.
pub(super) fn older_checkpoint(file: &str) -> bool {
    file.ends_with("checkpoint.bin.previous")
}

#[test]
fn a_study_killed_in_tuning_and_in_training_ends_with_the_same_bytes() {
    let place = Sandbox::with_compilers();
    let exists = |name: &str| place.path("run").join(name).exists();
    let kills = [
        // The page to watch it by, which goes when the study ends.
        killed_when(&place, &STUDY, || exists("progress.html")),
        killed_when(&place, &RESUME, || exists("tuned-speed-rule/seed-1/checkpoint.bin")),
        killed_when(&place, &RESUME, || exists("dqn/seed-1/checkpoint.bin")),
        killed_when(&place, &RESUME, || exists("dqn/seed-2/checkpoint.bin.previous")),
        killed_when(&place, &RESUME, || exists("ppo/seed-1/checkpoint.bin")),
        killed_when(&place, &RESUME, || exists("ppo/seed-2/checkpoint.bin.previous")),
        killed_when(&place, &RESUME, || exists("tabular/seed-2/checkpoint.bin")),
        killed_when(&place, &RESUME, || exists("table/seed-1/checkpoint.bin")),
        killed_when(&place, &RESUME, || exists("table/seed-1/policy.json")),
        killed_when(&place, &RESUME, || exists("firmware/table.csv")),
    ];
    let at_work = kills.iter().filter(|&&k| k).count();
    assert!(at_work >= 3, "killed at work only {at_work} times");
    place.run(&RESUME).done();
    assert_same_bytes_as(proven_reference(), &place.path("run"), older_checkpoint);
    let left: Vec<_> = files_below(&place.path("run"));
    assert!(left.iter().all(|f| f.extension().is_none_or(|e| e != "partial")), "{left:?}");
}

#[test]
fn a_study_killed_at_odd_moments_ends_with_the_same_bytes() {
    let place = Sandbox::new();
    for after_ms in [150, 400, 650, 900] {
        let began = Instant::now();
        let arguments: &[&str] = if place.path("run/resolved.toml").exists() { &RESUME } else { &STUDY };
        killed_when(&place, arguments, || began.elapsed() >= Duration::from_millis(after_ms));
    }
    place.run(&RESUME).done();
    assert_same_bytes(&place.path("run"), older_checkpoint);
}

#[test]
fn a_damaged_newest_checkpoint_falls_back_with_a_warning_and_ends_with_the_same_bytes() {
    for learner in ["dqn", "ppo"] {
        // A kill can fall between two files; another attempt then finds both checkpoints.
        let fell_back = (0..5).any(|_attempt| falls_back(learner));
        assert!(fell_back, "training was over each time before a second checkpoint could be damaged");
    }
}

/// One attempt; false when there was no second checkpoint to damage.
fn falls_back(learner: &str) -> bool {
    let place = Sandbox::new();
    let folder = place.path("run").join(learner).join("seed-1");
    let (newest, before) = (folder.join("checkpoint.bin"), folder.join("checkpoint.bin.previous"));
    let at_work = killed_when(&place, &STUDY, || newest.exists() && before.exists());
    if !at_work || !newest.exists() || folder.join("job.json").exists() {
        return false;
    }
    let mut bytes = fs::read(&newest).unwrap();
    let middle = bytes.len() / 2;
    bytes[middle] ^= 0x10;
    fs::write(&newest, bytes).unwrap();
    let ran = place.run(&RESUME).done();
    let file = format!("{learner}/seed-1/checkpoint.bin");
    for word in [file.as_str(), "checksum", "going on from the checkpoint before it"] {
        assert!(ran.err.contains(word), "no {word:?} in:\n{}", ran.err);
    }
    assert_same_bytes(&place.path("run"), older_checkpoint);
    true
}

#[test]
fn checkpoints_that_are_both_damaged_are_named_and_nothing_is_overwritten() {
    let place = Sandbox::new();
    let file = "run/tuned-speed-rule/seed-1/checkpoint.bin";
    killed_when(&place, &STUDY, || place.path(file).exists());
    let folder = place.path("run/tuned-speed-rule/seed-1");
    for name in ["job.json", "checkpoint.bin.previous"] {
        let _ = fs::remove_file(folder.join(name));
    }
    place.write(file, "not a checkpoint");
    place.run(&RESUME).refused_after_work(2, &[file, "not a checkpoint"]);
    assert_eq!(place.read(file), "not a checkpoint");
}
