//! Standard output and standard error that are full or whose reader went away.

use crate::sandbox::{NO_PROGRAMS, Sandbox, repository};
use std::fs::{File, OpenOptions};
use std::process::{Command, ExitStatus, Stdio};
use std::thread::sleep;
use std::time::{Duration, Instant};

fn lowgear(place: &Sandbox, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_lowgear-under-test"));
    command.current_dir(place.path("")).args(arguments).stdin(Stdio::null()).env("PATH", NO_PROGRAMS);
    command
}

/// A device that takes no byte.
fn full() -> File {
    OpenOptions::new().write(true).open("/dev/full").unwrap()
}

/// A pipe whose reader is gone.
fn closed() -> Stdio {
    let (reader, writer) = std::io::pipe().unwrap();
    drop(reader);
    writer.into()
}

fn code(status: ExitStatus) -> Option<i32> {
    status.code()
}

/// Commands whose output is data.
const DATA: [&[&str]; 8] = [
    &["completions", "zsh"],
    &["man"],
    &["check", "--schema", "vehicle"],
    &["check", "tiny.toml", "--resolved"],
    &["check", "vehicle.toml"],
    &["recipes", "vehicle.toml"],
    &["compare", "tiny.toml", "hand-rule", "hand-rule", "--courses", "2"],
    &["--help"],
];

#[test]
fn lost_output_is_an_error_of_files_and_a_reader_that_went_away_is_none() {
    let place = Sandbox::new();
    for arguments in DATA {
        let output = lowgear(&place, arguments).stdout(full()).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(code(output.status), Some(3), "{arguments:?}: {said}");
        assert!(said.contains("standard output") && !said.contains("panicked"), "{arguments:?}: {said}");
        let output = lowgear(&place, arguments).stdout(closed()).output().unwrap();
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!((code(output.status), said.as_str()), (Some(0), ""), "{arguments:?}");
    }
}

#[test]
fn an_error_whose_message_cannot_be_written_keeps_its_exit_code() {
    let place = Sandbox::new();
    place.write("wrong.toml", "name = 3\n");
    for (arguments, expected) in [
        (&["check", "absent.toml"][..], 3),
        (&["check", "wrong.toml"], 2),
        (&["frobnicate"], 2),
        (&["study", "tiny.toml", "--resume", "--out", "tiny.toml"], 3),
    ] {
        for stderr in [full().into(), closed()] {
            let status = lowgear(&place, arguments).stdout(Stdio::null()).stderr(stderr).status().unwrap();
            assert_eq!(code(status), Some(expected), "{arguments:?}");
        }
    }
}

#[test]
fn a_study_whose_messages_nobody_reads_goes_on_to_its_end() {
    for stderr in [full().into(), closed()] {
        let place = Sandbox::new();
        let mut command = lowgear(&place, &["study", "tiny.toml", "--out", "run"]);
        let status = command.stdout(Stdio::null()).stderr(stderr).status().unwrap();
        assert_eq!(code(status), Some(0));
        assert!(place.path("run/summary.json").exists());
    }
}

#[test]
fn a_study_that_is_asked_to_stop_ends_so_though_nobody_reads_its_messages() {
    let place = Sandbox::new();
    let study = repository().join("configs/studies/demo.toml");
    let mut command = lowgear(&place, &["study", study.to_str().unwrap(), "--out", "run"]);
    let mut child = command.stdout(Stdio::null()).stderr(closed()).spawn().unwrap();
    let began = Instant::now();
    while !place.path("run/tuned-speed-rule/seed-1/checkpoint.bin").exists() {
        assert!(began.elapsed() < Duration::from_secs(120), "the first checkpoint never came");
        assert!(child.try_wait().unwrap().is_none(), "the study ended before it was asked");
        sleep(Duration::from_millis(5));
    }
    Command::new("kill").args(["-TERM", &child.id().to_string()]).status().unwrap();
    assert_eq!(code(child.wait().unwrap()), Some(4));
}
