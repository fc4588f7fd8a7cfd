//! What is missing is done, what is there is left alone; a failure stays with its job; threads and kills
//! change no byte.

use super::{assert_alike, sandbox, sweep};
use std::fs;
use std::thread::sleep;
use std::time::{Duration, Instant};

#[test]
fn the_same_command_again_does_only_what_is_missing() {
    let place = sandbox();
    sweep(&place, &[]).done();
    let before = |name: &str| fs::metadata(place.path(name)).unwrap().modified().unwrap();
    let (first, second) = (before("run/jobs/0001/summary.json"), before("run/jobs/0002/summary.json"));
    let kept = place.read("run/jobs/0002/summary.json");
    fs::remove_dir_all(place.path("run/jobs/0002")).unwrap();
    let status = sweep(&place, &["--status"]).done().out;
    assert!(status.contains("4 jobs: 3 done, 0 running, 0 failed, 0 interrupted, 1 waiting"), "{status}");
    let again = sweep(&place, &[]).done();
    assert!(again.err.contains("4 jobs: 3 done before, 1 to do"), "{}", again.err);
    assert_eq!(before("run/jobs/0001/summary.json"), first, "left alone");
    assert_ne!(before("run/jobs/0002/summary.json"), second, "done again");
    assert_eq!(place.read("run/jobs/0002/summary.json"), kept);
}

#[test]
fn a_failed_job_is_named_with_its_reason_and_spoils_no_other() {
    let place = sandbox();
    // A job that cannot write: a file stands where its folder should be.
    fs::create_dir_all(place.path("run/jobs")).unwrap();
    place.write("run/jobs/0003", "in the way");
    let ran = sweep(&place, &[]);
    ran.refused_after_work(1, &["1 of 4 jobs failed", "job 3 (battery not readable", "report.html"]);
    let status = sweep(&place, &["--status"]).done().out;
    assert!(status.contains("3 done, 0 running, 1 failed"), "{status}");
    assert!(status.contains("0003"), "the reason names the file: {status}");
    let listed = sweep(&place, &["--status", "--json"]).done().out;
    let jobs: Vec<serde_json::Value> = serde_json::from_str(&listed).unwrap();
    assert!(jobs[2]["state"] == "failed" && jobs[2]["reason"].as_str().unwrap().contains("0003"), "{listed}");
    assert!(jobs[0]["state"] == "done" && jobs[0].get("reason").is_none(), "{listed}");
    let page = place.read("run/report.html");
    assert!(page.contains("failed: ") && page.contains("3 of 4 points have figures"));
    fs::remove_file(place.path("run/jobs/0003")).unwrap();
    sweep(&place, &[]).done();
    assert!(!place.path("run/jobs/0003.failed.json").exists(), "forgotten once it is done");
    let whole = sandbox();
    sweep(&whole, &["--threads", "1"]).done();
    assert_alike(&whole.path("run"), &place.path("run"));
}

#[test]
fn one_thread_two_threads_and_a_kill_give_the_same_bytes() {
    let one = sandbox();
    sweep(&one, &["--threads", "1"]).done();
    let killed = sandbox();
    let mut child = killed.start(&["sweep", "sweep.toml", "--out", "run", "--threads", "2"]);
    let end = Instant::now() + Duration::from_secs(120);
    while !killed.path("run/jobs/0001/tuned-load-rule").exists() && Instant::now() < end {
        sleep(Duration::from_millis(5));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    assert!(!killed.path("run/summary.json").exists(), "killed before the end");
    let status = sweep(&killed, &["--status"]).done().out;
    assert!(status.contains("interrupted") && status.contains("0 running"), "{status}");
    sweep(&killed, &["--threads", "2"]).done();
    assert_alike(&one.path("run"), &killed.path("run"));
}

#[test]
fn another_sweep_is_not_continued_in_the_folder() {
    let place = sandbox();
    sweep(&place, &["--job", "1"]).done();
    place.edit("sweep.toml", "values", "values = [0.0, 60000.0]");
    sweep(&place, &["--job", "2"]).refused_after_work(2, &["sweep.toml", "another sweep", "--out"]);
    assert!(!place.path("run/jobs/0002").exists());
}
