//! Jobs done with other files than there are now: which they are is reported, and they are not mixed.

use super::{sandbox, sweep};
use crate::sandbox::Sandbox;
use crate::study::reference;
use std::fs;

/// Refused whatever is asked for, naming job 1 and `key`.
#[track_caller]
fn refused(place: &Sandbox, key: &str) {
    for more in [&[][..], &["--merge"], &["--job", "2"]] {
        sweep(place, more).refused(2, &["job 1 (", key, "hint:", "--out"]);
    }
    assert!(!place.path("run/jobs/0002").exists() && !place.path("run/summary.json").exists());
}

#[test]
fn a_changed_vehicle_course_study_or_seed_is_told_with_the_jobs_it_concerns() {
    let place = sandbox();
    sweep(&place, &["--job", "1"]).done();
    for (file, line, by, key) in [
        ("vehicle.toml", "mass-kg", "mass-kg = 9.0", "vehicle.chassis.mass-kg"),
        ("course.toml", "length-m = 8.0", "length-m = 9.0", "course."),
        ("tiny.toml", "seed =", "seed = 8", "study.seed (7 there, 8 now)"),
        ("tiny.toml", "up-permille", "up-permille = [860, 850]", "study.rule.up-permille"),
    ] {
        let before = place.read(file);
        place.edit(file, line, by);
        refused(&place, key);
        place.write(file, before);
    }
    sweep(&place, &[]).done();
}

#[test]
fn a_misspelt_key_to_leave_out_is_refused_with_those_that_there_are() {
    let place = sandbox();
    place.edit("sweep.toml", "leave-out", "leave-out = [\"vehicle.sensors.batery\"]");
    place
        .run(&["check", "sweep.toml"])
        .refused(2, &["sweep.toml", "leave-out", "vehicle.sensors.batery", "battery"]);
}

#[test]
fn a_sweep_is_not_put_into_the_folder_of_a_study() {
    let place = sandbox();
    fs::create_dir(place.path("run")).unwrap();
    for name in ["resolved.toml", "summary.json", "report.html"] {
        fs::copy(reference().join(name), place.path("run").join(name)).unwrap();
    }
    for more in [&[][..], &["--merge"], &["--job", "1"]] {
        sweep(&place, more).refused(3, &["run", "the folder of a study", "--out"]);
    }
    assert_eq!(fs::read_dir(place.path("run")).unwrap().count(), 3, "nothing was written");
}
