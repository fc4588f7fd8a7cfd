//! Two processes in one run folder: the second is reported who works there.

use super::assert_same_bytes;
use super::interrupted::{killed_when, older_checkpoint};
use crate::sandbox::Sandbox;
use std::thread::sleep;
use std::time::{Duration, Instant};

const RESUME: [&str; 5] = ["study", "tiny.toml", "--out", "run", "--resume"];

#[test]
fn the_second_of_two_is_told_who_works_there_and_changes_nothing() {
    let place = Sandbox::new();
    let mut first = place.start(&RESUME[..4]);
    let began = Instant::now();
    while !place.path("run/resolved.toml").exists() {
        assert!(began.elapsed() < Duration::from_secs(60), "the first never began");
        sleep(Duration::from_millis(1));
    }
    let compare =
        ["compare", "tiny.toml", "hand-rule", "hand-rule", "--courses", "2", "--out", "run", "--force"];
    let seconds: Vec<_> =
        [&RESUME[..], &RESUME[..4], &compare].into_iter().map(|second| place.run(second)).collect();
    assert!(first.try_wait().unwrap().is_none(), "the first was still at work");
    let holder = format!("process {} on ", first.id());
    for second in seconds {
        second.refused(3, &["run: in use by", &holder, " since 20", "hint:"]);
    }
    assert!(first.wait().unwrap().success());
    assert_same_bytes(&place.path("run"), older_checkpoint);
    assert!(!place.path("run/.lock").exists());
}

#[test]
fn the_lock_of_a_killed_process_is_taken_over() {
    let place = Sandbox::new();
    let killed = killed_when(&place, &RESUME[..4], || {
        place.path("run/tuned-speed-rule/seed-1/checkpoint.bin").exists()
    });
    assert!(killed && place.path("run/.lock").exists(), "killed while it held the folder");
    place.run(&RESUME).done();
    assert_same_bytes(&place.path("run"), older_checkpoint);
}
