//! The folder of a run: taken, foreign, not writable, or of another study.

use crate::sandbox::{Sandbox, files_below};
use crate::study::reference;
use std::fs;

#[test]
fn a_folder_that_exists_already_is_not_touched_and_resuming_is_offered() {
    let place = Sandbox::new();
    fs::create_dir(place.path("run")).unwrap();
    place.write("run/resolved.toml", "mine");
    place
        .run(&["study", "tiny.toml", "--out", "run"])
        .refused(2, &["run", "exists already", "--resume", "--out"]);
    assert_eq!(place.read("run/resolved.toml"), "mine");
    assert_eq!(files_below(&place.path("run")).len(), 1);
}

#[test]
fn another_study_cannot_be_resumed_in_it() {
    let place = Sandbox::new();
    fs::create_dir(place.path("run")).unwrap();
    fs::copy(reference().join("resolved.toml"), place.path("run/resolved.toml")).unwrap();
    let resume = &["study", "tiny.toml", "--out", "run", "--resume"];
    for change in [
        ("tiny.toml", "seed =", "seed = 8"),
        ("vehicle.toml", "mass-kg", "mass-kg = 5.5"),
        ("course.toml", "length-m = 8.0", "length-m = 9.0"),
    ] {
        let (file, line, by) = change;
        let before = place.read(file);
        place.edit(file, line, by);
        place.run(resume).refused(2, &["run/resolved.toml", "cannot be resumed", "hint:"]);
        place.write(file, before);
    }
    place.run(&[resume, &["--quick"][..]].concat()).refused(2, &["run/resolved.toml", "--quick"]);
    assert_eq!(files_below(&place.path("run")).len(), 1, "nothing was written");
}

#[test]
fn a_folder_with_something_else_in_it_cannot_be_resumed() {
    let place = Sandbox::new();
    fs::create_dir(place.path("run")).unwrap();
    place.write("run/letter.txt", "mine");
    place.run(&["study", "tiny.toml", "--out", "run", "--resume"]).refused(2, &["run", "no study", "--out"]);
}

#[test]
fn a_folder_that_is_not_there_cannot_be_resumed() {
    let place = Sandbox::new();
    place
        .run(&["study", "tiny.toml", "--out", "run", "--resume"])
        .refused(2, &["run", "no such run folder", "without --resume"]);
    assert!(!place.path("run").exists(), "nothing was written");
}

#[test]
fn a_folder_that_cannot_be_made_is_named_with_a_hint() {
    let place = Sandbox::new();
    place.write("file", "");
    for arguments in [
        &["study", "tiny.toml", "--out", "file/run"][..],
        &["drive", "tiny.toml", "--out", "file/run"],
        &["compare", "tiny.toml", "hand-rule", "hand-rule", "--courses", "2", "--out", "file/run"],
        &["export", "tiny.toml", "--policy", "hand-rule", "--out", "file/run"],
    ] {
        place.run(arguments).refused(3, &["file/run", "hint:"]);
    }
    assert_eq!(place.names(), ["course.toml", "file", "tiny.toml", "vehicle.toml"], "nothing was written");
}

#[test]
#[cfg(unix)]
fn a_folder_that_cannot_be_written_is_named_with_a_hint() {
    use std::os::unix::fs::PermissionsExt;
    let place = Sandbox::new();
    let folder = place.path("locked");
    fs::create_dir(&folder).unwrap();
    fs::set_permissions(&folder, fs::Permissions::from_mode(0o555)).unwrap();
    if fs::write(folder.join("probe"), "").is_ok() {
        // Anyone who may write everywhere meets a read-only place of the system instead.
        eprintln!("SKIPPED in part: this user may write to a read-only folder, so a system folder stands in");
        place.run(&["study", "tiny.toml", "--out", "/proc/run"]).refused(3, &["/proc/run", "hint:"]);
    } else {
        place.run(&["study", "tiny.toml", "--out", "locked/run"]).refused(3, &["locked/run", "hint:"]);
        place.run(&["study", "tiny.toml", "--out", "locked"]).refused(3, &["locked", "hint:"]);
    }
}

#[test]
fn a_run_that_was_ended_before_it_had_begun_can_be_started_again() {
    let place = Sandbox::new();
    fs::create_dir(place.path("run")).unwrap();
    place.write("run/resolved.toml.partial", "# half a");
    let mut child = place.start(&["study", "tiny.toml", "--out", "run"]);
    let begun = (0..2000).any(|_| {
        std::thread::sleep(std::time::Duration::from_millis(5));
        place.path("run/resolved.toml").exists()
    });
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(begun, "the study did not begin");
}
