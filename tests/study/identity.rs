//! What a run folder was given, and what its checkpoints belong to.

use super::interrupted::killed_when;
use super::reference;
use crate::sandbox::{Sandbox, files_below};
use std::fs;
use std::path::{Path, PathBuf};

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
    place
        .run(&RESUME)
        .refused(2, &["run/resolved.toml", "cannot be resumed", "the measured profile shed.csv"]);
    place.write("shed.csv", profile);
    place.run(&RESUME).done();
    place.run(&[&STUDY[..3], &["whole"]].concat()).done();
    let same = |name: &str| place.read(&format!("run/{name}")) == place.read(&format!("whole/{name}"));
    assert!(same("resolved.toml") && same("summary.json") && same("report.html"));
}

/// Files of a run that do not depend on where and when it ran.
fn results(run: &Path) -> Vec<PathBuf> {
    let other = ["timing.csv", "checkpoint.bin.previous"];
    let mut files = files_below(run);
    files.retain(|f| !other.iter().any(|o| f.ends_with(o)));
    files
}

#[test]
fn the_resolved_configuration_gives_the_same_run_again_with_nothing_else_there() {
    let place = Sandbox::new();
    let profile = "distance_m,elevation_m,surface\n0,0,path\n1,0.1,path\n3,0.1,path\n";
    place.write("shed.csv", profile);
    place.write(
        "course.toml",
        "name = \"shed\"\nprofile = \"shed.csv\"\n[[surfaces]]\nname = \"path\"\nrolling = 0.03\nfriction = 0.8\n",
    );
    place.run(&[&STUDY[..], &["--effort", "0.5"]].concat()).done();
    for gone in ["tiny.toml", "vehicle.toml", "course.toml", "shed.csv"] {
        fs::remove_file(place.path(gone)).unwrap();
    }
    place.run(&["study", "run/resolved.toml", "--out", "again"]).done();
    let files = results(&place.path("run"));
    assert!(files.len() > 20 && files == results(&place.path("again")), "{files:?}");
    for file in files {
        let same = fs::read(place.path("run").join(&file)).unwrap()
            == fs::read(place.path("again").join(&file)).unwrap();
        assert!(same, "{}", file.display());
    }
    place
        .run(&["study", "run/resolved.toml", "--quick", "--out", "no"])
        .refused(2, &["--quick", "applied already"]);
    place.write("run/profile.csv", profile.replace("1,0.1", "1,0.2"));
    place
        .run(&["study", "run/resolved.toml", "--out", "no"])
        .refused(2, &["run/resolved.toml", "given.profile", "profile.csv"]);
    assert!(!place.path("no").exists());
}

#[test]
fn what_changed_is_named_key_by_key() {
    let place = Sandbox::new();
    fs::create_dir(place.path("run")).unwrap();
    fs::copy(reference().join("resolved.toml"), place.path("run/resolved.toml")).unwrap();
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
