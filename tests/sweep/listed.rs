//! The list of commands for other engines.

use super::{assert_alike, sandbox, sweep};
use crate::sandbox::{NO_PROGRAMS, Sandbox};
use std::process::Command;

#[test]
fn every_listed_command_does_one_job_in_any_order_and_merging_puts_them_together() {
    let place = sandbox();
    let list = sweep(&place, &["--list"]).done().out;
    let lines: Vec<&str> = list.lines().collect();
    assert_eq!(lines.len(), 4);
    for line in lines.iter().rev() {
        // As a shell reads it, from another working directory.
        let elsewhere = tempfile::tempdir().unwrap();
        let mut shell = Command::new("/bin/sh");
        shell.args(["-c", line]).current_dir(elsewhere.path()).env("PATH", NO_PROGRAMS).env_remove("CC");
        let ran = shell.output().unwrap();
        assert!(ran.status.success(), "{line}\n{}", String::from_utf8_lossy(&ran.stderr));
        assert_eq!(elsewhere.path().read_dir().unwrap().count(), 0, "nothing is written there");
    }
    let partly = place.path("run/report.html");
    assert!(!partly.exists(), "a job by itself puts nothing together");
    sweep(&place, &["--merge"]).done();
    let whole = sandbox();
    sweep(&whole, &["--threads", "2"]).done();
    assert_alike(&whole.path("run"), &place.path("run"));
}

#[test]
fn paths_are_written_as_a_shell_reads_them() {
    let place = sandbox();
    let list =
        place.run(&["sweep", "sweep.toml", "--out", "my run's", "--threads", "3", "--list"]).done().out;
    let first = list.lines().next().unwrap();
    let file = place.path("sweep.toml").canonicalize().unwrap();
    let out = file.with_file_name("my run'\\''s");
    let end = format!(" sweep {} --out '{}' --threads 3 --job 1", file.display(), out.display());
    assert!(first.starts_with('/') && first.ends_with(&end), "{first}\n{end}");
    let there: Sandbox = place;
    assert!(!there.path("my run's").exists());
}

#[test]
fn a_path_that_would_break_the_line_is_refused() {
    let place = sandbox();
    for odd in ["my\nrun", "my\u{1b}[2Jrun"] {
        let shown = odd.escape_default().to_string();
        place
            .run(&["sweep", "sweep.toml", "--out", odd, "--list"])
            .refused(2, &["--out", &shown, "allowed:"]);
    }
}
