//! What a run folder was given, and what its checkpoints belong to.

use super::interrupted::killed_when;
use super::reference;
use crate::sandbox::{Sandbox, files_below};
use std::fs;

const STUDY: [&str; 4] = ["study", "tiny.toml", "--out", "run"];
const RESUME: [&str; 5] = ["study", "tiny.toml", "--out", "run", "--resume"];

#[test]
fn a_changed_profile_is_noticed_and_named_when_a_study_is_resumed() {
    let place = Sandbox::new();
    let profile = "distance_m,elevation_m,surface\n0,0,path\n1,0.1,path\n3,0.1,path\n";
    place.write("shed.csv", profile);
    place.write(
        "course.toml",
        "name = \"shed\"\nprofile = \"shed.csv\"\n[[surfaces]]\nname = \"path\"\nrolling = 0.03\nfriction = 0.8\n",
    );
    killed_when(&place, &STUDY, || place.path("run/tuned-speed-rule/seed-1/checkpoint.bin").exists());
    place.write("shed.csv", profile.replace("1,0.1", "1,0.2"));
    place.run(&RESUME).refused(2, &["run/study.toml", "cannot be resumed", "the measured profile shed.csv"]);
    place.write("shed.csv", profile);
    place.run(&RESUME).done();
    place.run(&[&STUDY[..3], &["whole"]].concat()).done();
    let same = |name: &str| place.read(&format!("run/{name}")) == place.read(&format!("whole/{name}"));
    assert!(same("study.toml") && same("summary.json") && same("report.html"));
}

#[test]
fn what_changed_is_named_key_by_key() {
    let place = Sandbox::new();
    fs::create_dir(place.path("run")).unwrap();
    fs::copy(reference().join("study.toml"), place.path("run/study.toml")).unwrap();
    place.edit("vehicle.toml", "mass-kg", "mass-kg = 5.5");
    place.run(&RESUME).refused(2, &["vehicle.chassis.mass-kg (", "5.5 now"]);
}

/// A run folder as the reference, but without the results of the job `name`.
fn without(place: &Sandbox, name: &str) {
    for file in files_below(reference()) {
        let to = place.path("run").join(&file);
        fs::create_dir_all(to.parent().unwrap()).unwrap();
        fs::copy(reference().join(&file), to).unwrap();
    }
    for file in ["summary.json", &format!("{name}/job.json"), &format!("{name}/checkpoint.bin.previous")] {
        let _ = fs::remove_file(place.path("run").join(file));
    }
}

#[test]
fn a_checkpoint_of_another_learner_run_or_seed_is_refused() {
    let checkpoint = "run/contextual/seed-1/checkpoint.bin";
    let of_another_seed = Sandbox::new();
    of_another_seed.edit("tiny.toml", "seed =", "seed = 8");
    let file = "run/contextual/seed-1/checkpoint.bin";
    killed_when(&of_another_seed, &STUDY, || of_another_seed.path(file).exists());
    for (from, words) in [
        (reference().join("tuned-load-rule/seed-1/checkpoint.bin"), "of the job tuned-load-rule/seed-1"),
        (reference().join("contextual/seed-2/checkpoint.bin"), "of the job contextual/seed-2"),
        (of_another_seed.path(file), "with the seed 8, not 7"),
    ] {
        let place = Sandbox::new();
        without(&place, "contextual/seed-1");
        fs::copy(from, place.path(checkpoint)).unwrap();
        place.run(&RESUME).refused_after_work(2, &[checkpoint, words, "hint:"]);
        assert!(!place.path("run/summary.json").exists());
    }
}
