//! Firmware on a machine that cannot prove it: the study goes on, and says so.

use crate::sandbox::Sandbox;
use crate::study::{compiler_is_there, reference};
use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::process::{Command, Output};

/// Runs the shell's `line` in the folder; `$L` is the program, `$P` a table.
fn shell(place: &Sandbox, line: &str) -> Output {
    let mut shell = Command::new("/bin/sh");
    shell.current_dir(place.path("")).args(["-c", line]);
    shell.env("L", env!("CARGO_BIN_EXE_lowgear-under-test")).env("P", reference().join("table/seed-1"));
    shell.output().unwrap()
}

#[test]
fn limits_of_memory_an_empty_environment_and_preloaded_code_do_not_fail_an_export() {
    if !compiler_is_there() {
        return;
    }
    let place = Sandbox::new();
    let export = "$L export tiny.toml --policy $P --out";
    for (name, line) in [
        ("memory", format!("ulimit -v 64000000; {export} memory")),
        ("empty", format!("env -i {export} empty")),
        ("preloaded", format!("LD_PRELOAD=$(cc -print-file-name=libm.so.6) {export} preloaded")),
        ("broken", format!("CC=/bin/false {export} broken")),
        ("absent", format!("CC=no-such-compiler {export} absent")),
    ] {
        let output = shell(&place, &line);
        let said = String::from_utf8_lossy(&output.stderr).into_owned();
        assert_eq!(output.status.code(), Some(0), "{name}: {said}");
        let out = String::from_utf8(output.stdout).unwrap();
        let proven = out.contains("decided alike by the host");
        assert!(proven || out.contains("NOT PROVEN: "), "{name}: {out}");
        assert_eq!(proven, !["broken", "absent"].contains(&name), "{name}: {out}");
    }
}

#[test]
fn a_study_goes_on_to_its_report_when_the_compiler_does_not_work() {
    let place = Sandbox::new();
    place.write("compiler", "#!/bin/sh\n[ \"$1\" = --version ] || { echo \"no cc1 here\" >&2; exit 1; }\n");
    fs::set_permissions(place.path("compiler"), fs::Permissions::from_mode(0o755)).unwrap();
    let output = shell(&place, "CC=$PWD/compiler $L study tiny.toml --out run");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(0), "{said}");
    assert!(said.contains("NOT PROVEN") && said.contains("no cc1 here"), "{said}");
    let summary = place.read("run/summary.json");
    assert!(summary.contains("NOT PROVEN: the C compiler could not make a program here"), "{summary}");
    assert!(!summary.contains("cc1"), "no words of the machine in a file that is to be the same everywhere");
}

#[test]
fn no_file_of_a_study_names_the_compiler() {
    if !compiler_is_there() {
        return;
    }
    let version = Command::new("cc").arg("--version").output().unwrap().stdout;
    let version = String::from_utf8(version).unwrap().lines().next().unwrap().to_owned();
    for name in ["report.html", "summary.json", "firmware/size-sheet.txt"] {
        let text = fs::read_to_string(reference().join(name)).unwrap();
        assert!(!text.contains(&version), "{name} holds {version:?}");
    }
}

#[test]
fn the_size_sheet_names_the_programs_that_are_missing() {
    let place = Sandbox::new();
    let done = shell(&place, "PATH=/nothing $L export tiny.toml --policy $P --out out");
    let sheet = place.read("out/size-sheet.txt");
    for missing in ["missing here: arm-none-eabi-gcc, arm-none-eabi-size, qemu-system-arm", "avr-gcc"] {
        assert!(sheet.contains(missing), "{missing} in\n{sheet}\n{}", String::from_utf8_lossy(&done.stderr));
    }
}
