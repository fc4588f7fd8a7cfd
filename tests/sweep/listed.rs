//! The list of commands for other engines.

use super::{assert_alike, sandbox, sweep};
use crate::sandbox::Sandbox;

#[test]
fn every_listed_command_does_one_job_in_any_order_and_merging_puts_them_together() {
    let place = sandbox();
    let list = sweep(&place, &["--list"]).done().out;
    let lines: Vec<&str> = list.lines().collect();
    assert_eq!(lines.len(), 4);
    for line in lines.iter().rev() {
        let words: Vec<&str> = line.split(' ').collect();
        assert_eq!(words[0], "lowgear", "{line}");
        place.run(&words[1..]).done();
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
    assert_eq!(first, "lowgear sweep sweep.toml --out 'my run'\\''s' --threads 3 --job 1");
    let there: Sandbox = place;
    assert!(!there.path("my run's").exists());
}
