//! What is not written over: what is no plain file, the inputs, and the results of another run.

use crate::sandbox::{Sandbox, files_below};
use crate::study::reference;
use std::fs;
use std::path::{Path, PathBuf};

fn bytes_below(folder: &Path) -> Vec<(PathBuf, Vec<u8>)> {
    files_below(folder).into_iter().map(|f| (f.clone(), fs::read(folder.join(f)).unwrap())).collect()
}

#[test]
fn an_input_of_the_same_command_is_never_replaced() {
    let place = Sandbox::new();
    place.write(
        "sheet.toml",
        fs::read(crate::sandbox::repository().join("configs/sheets/seed-tray-cart.toml")).unwrap(),
    );
    let log = "time_s,motor_speed_rad_s,duty,event\n0.00,0,0,level surface=path\n0.05,10,1,\n0.10,20,1,end\n";
    place.write("log.csv", log);
    fs::create_dir(place.path("out")).unwrap();
    place.write("out/decisions.csv", log);
    place.write("shed.csv", "distance_m,elevation_m,surface\n0,0,path\n3,0.1,path\n");
    place.write(
        "shed.toml",
        "name = \"shed\"\nprofile = \"shed.csv\"\n[[surfaces]]\nname = \"path\"\nrolling = 0.03\nfriction = 0.8\n",
    );
    let before = bytes_below(&place.path(""));
    for (arguments, file) in [
        (&["draw", "course.toml", "--out", "course.toml"][..], "course.toml"),
        (&["draw", "shed.toml", "--out", "./shed.csv"], "shed.csv"),
        (&["recipes", "vehicle.toml", "--out", "out/../vehicle.toml"], "vehicle.toml"),
        (&["init", "sheet.toml", "--out", "sheet.toml"], "sheet.toml"),
        (&["fit", "vehicle.toml", "log.csv", "--out", "vehicle.toml"], "vehicle.toml"),
        (&["fit", "vehicle.toml", "log.csv", "--out", "log.csv"], "log.csv"),
        (
            &["validate", "vehicle.toml", "log.csv", "--course", "course.toml", "--out", "course.toml"],
            "course.toml",
        ),
        (
            &["replay", "tiny.toml", "out/decisions.csv", "--policy", "hand-rule", "--out", "out"],
            "out/decisions.csv",
        ),
    ] {
        place.run(arguments).refused(3, &[file, "an input of this command", "not replaced", "hint:"]);
        assert_eq!(bytes_below(&place.path("")), before, "{arguments:?}");
    }
}

#[test]
fn results_of_another_run_are_replaced_only_when_that_is_asked_for() {
    let place = Sandbox::new();
    let run = place.path("run");
    for file in files_below(reference()) {
        fs::create_dir_all(run.join(&file).parent().unwrap()).unwrap();
        fs::copy(reference().join(&file), run.join(&file)).unwrap();
    }
    let before = bytes_below(&run);
    let compare = ["compare", "tiny.toml", "hand-rule", "run/table/seed-1", "--courses", "2", "--out", "run"];
    for arguments in [
        &compare[..],
        &["export", "tiny.toml", "--policy", "hand-rule", "--out", "run/firmware"],
        &["draw", "course.toml", "--out", "run/report.html"],
        &["drive", "tiny.toml", "--out", "run"],
    ] {
        place.run(arguments).refused(3, &["run", "folder of another run", "--force"]);
        assert_eq!(bytes_below(&run), before, "{arguments:?}");
    }
    // A place of its own in the folder is free; and so is all that is asked for.
    place.run(&["drive", "tiny.toml", "--out", "run/drive"]).done();
    place.run(&[&compare[..], &["--force"]].concat()).done();
    assert_ne!(
        fs::read(run.join("summary.json")).unwrap(),
        fs::read(reference().join("summary.json")).unwrap()
    );
    // A comparison's own results are replaced by the next.
    for _ in 0..2 {
        place
            .run(&["compare", "tiny.toml", "hand-rule", "hand-rule", "--courses", "2", "--out", "own"])
            .done();
    }
}

#[test]
#[cfg(unix)]
fn links_pipes_devices_and_folders_are_not_replaced_and_nothing_is_left_beside_them() {
    use std::os::unix::fs::symlink;
    let place = Sandbox::new();
    place.write("target.svg", "mine");
    symlink(place.path("target.svg"), place.path("link.svg")).unwrap();
    symlink("/dev/null", place.path("null.svg")).unwrap();
    fs::create_dir(place.path("folder")).unwrap();
    let made = std::process::Command::new("mkfifo").arg(place.path("pipe.svg")).status().unwrap();
    assert!(made.success());
    let before = place.names();
    for (out, what) in [
        ("link.svg", "a symbolic link"),
        ("null.svg", "a symbolic link"),
        ("pipe.svg", "a pipe"),
        ("folder", "a folder"),
        (".", "a folder"),
        ("/", "a folder"),
    ] {
        place.run(&["draw", "course.toml", "--out", out]).refused(3, &[out, what, "hint:"]);
        assert_eq!(place.names(), before);
    }
    assert_eq!(place.read("target.svg"), "mine");
    for (folder, name) in [("a", "trace.csv"), ("b", "README.txt"), ("c", "resolved.toml")] {
        fs::create_dir(place.path(folder)).unwrap();
        symlink(place.path("target.svg"), place.path(folder).join(name)).unwrap();
    }
    place.run(&["drive", "tiny.toml", "--out", "a"]).refused(3, &["trace.csv", "a symbolic link"]);
    place
        .run(&["export", "tiny.toml", "--policy", "hand-rule", "--out", "b"])
        .refused(3, &["README.txt", "a symbolic link"]);
    place.run(&["study", "tiny.toml", "--out", "c"]).refused(2, &["exists already"]);
    assert_eq!(place.read("target.svg"), "mine");
}
