//! A study that was asked to stop in the training of each learner, and then resumed.
#![cfg(unix)]

use super::assert_same_bytes;
use crate::sandbox::Sandbox;
use std::process::Command;
use std::thread::sleep;
use std::time::{Duration, Instant};

const RESUME: [&str; 5] = ["study", "tiny.toml", "--out", "run", "--resume"];
const PATIENCE: Duration = Duration::from_secs(120);

/// Asks the study to end as soon as `folder` is there; its exit code.
fn stopped_in(place: &Sandbox, folder: &str) -> Option<i32> {
    let known = if place.path("run/resolved.toml").exists() { RESUME.len() } else { RESUME.len() - 1 };
    let mut child = place.start(&RESUME[..known]);
    let began = Instant::now();
    // A folder may be there from before: the program has to listen first.
    let listening = || began.elapsed() > Duration::from_millis(200);
    while !(place.path("run").join(folder).exists() && listening()) && child.try_wait().unwrap().is_none() {
        assert!(began.elapsed() < PATIENCE, "{folder} never came");
        sleep(Duration::from_millis(1));
    }
    // Not there any more when the study has ended meanwhile.
    Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
    child.wait().unwrap().code()
}

#[test]
fn a_study_stopped_in_the_training_of_each_learner_ends_with_the_same_bytes() {
    let place = Sandbox::new();
    let folders =
        ["tuned-load-rule/seed-1", "contextual/seed-1", "dqn/seed-1", "ppo/seed-1", "tabular/seed-1"];
    let codes = folders.map(|folder| stopped_in(&place, folder));
    assert!(codes.iter().all(|code| [Some(0), Some(4)].contains(code)), "{codes:?}");
    let stopped = codes.iter().filter(|&&code| code == Some(4)).count();
    assert!(stopped >= 3, "stopped at work only {stopped} times");
    place.run(&RESUME).done();
    assert_same_bytes(&place.path("run"), |file| file.ends_with("checkpoint.bin.previous"));
}
