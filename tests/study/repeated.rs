//! The same study again.

use super::{assert_same_bytes, assert_same_bytes_as, proven_reference, reference};
use crate::sandbox::Sandbox;
use std::fs;

#[test]
fn the_same_seed_writes_the_same_bytes_whatever_the_number_of_threads() {
    for threads in ["1", "2"] {
        let place = Sandbox::with_compilers();
        place.run(&["study", "tiny.toml", "--out", "run", "--threads", threads]).done();
        assert_same_bytes_as(proven_reference(), &place.path("run"), |_| false);
    }
}

#[test]
fn another_seed_writes_other_policies() {
    let place = Sandbox::new();
    place.edit("tiny.toml", "seed =", "seed = 8");
    place.run(&["study", "tiny.toml", "--out", "run", "--quick"]).done();
    let other = fs::read(place.path("run/dqn/seed-1/last.json")).unwrap();
    assert_ne!(other, fs::read(reference().join("dqn/seed-1/last.json")).unwrap());
}

#[test]
fn resuming_a_finished_study_changes_nothing() {
    let place = Sandbox::new();
    place.run(&["study", "tiny.toml", "--out", "run"]).done();
    let summary = place.path("run/summary.json");
    let written = || fs::metadata(&summary).unwrap().modified().unwrap();
    let before = written();
    let ran = place.run(&["study", "tiny.toml", "--out", "run", "--resume"]).done();
    assert!(ran.out.contains("finished already"), "{}", ran.out);
    assert_eq!(ran.err, "", "nothing was done again");
    assert_eq!(written(), before);
    assert_same_bytes(&place.path("run"), |_| false);
}
