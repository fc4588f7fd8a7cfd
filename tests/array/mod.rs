//! A sweep as a job array on a real Slurm: nodes that fail, jobs that are pre-empted or ended, and the same bytes as
//! here.
#![expect(clippy::unwrap_used, reason = "a check that cannot be made has failed")]

mod cluster;

use crate::sandbox::{Sandbox, files_below};
use crate::sweep::assert_alike;
use cluster::{Cluster, NODES, name_of, wait};
use std::fs;
use std::process::{Command, Stdio};
use std::time::Duration;

/// Jobs of the array; the first is the trial.
const JOBS: u64 = 13;
/// Jobs that are pre-empted both at once.
const PREEMPTED: u64 = 2;
/// Time for the whole array, on a machine that does other things too.
const MOST: Duration = Duration::from_secs(600);

fn place(jobs: u64) -> Sandbox {
    let place = Sandbox::new();
    let values: Vec<String> = (0..jobs).map(|i| format!("{}.0", i * 5000)).collect();
    let text = format!(
        "name = \"array\"\nstudy = \"tiny.toml\"\nlearners = [\"tabular\", \"ppo\"]\n\
         [[axes]]\nlabel = \"a gearbox life is worth\"\nunit = \"s\"\n\
         key = \"episode.reward.stress-s-per-life\"\nvalues = [{}]\n",
        values.join(", ")
    );
    place.write("sweep.toml", text);
    place.edit("tiny.toml", "training-seeds = 2", "training-seeds = 1");
    place.edit("tiny.toml", "searches = 2", "searches = 1");
    place
}

/// Jobs long enough to be met at work, and a trial that seems to have been made.
fn long_jobs(jobs: u64) -> Sandbox {
    let place = place(jobs);
    place.edit("tiny.toml", "episodes = 10", "episodes = 1000");
    place.edit("tiny.toml", "validate-every = 3", "validate-every = 500");
    let trial =
        "{\"job\":1,\"threads\":1,\"wall_s\":10,\"processor_s\":10,\"memory_kib\":100000,\"bytes\":1000}";
    fs::create_dir(place.path("array")).unwrap();
    place.write("array/trial.json", trial);
    place
}

/// `lowgear sweep sweep.toml --out FOLDER …` with the cluster at hand.
fn lowgear(cluster: &Cluster, place: &Sandbox, more: &[&str]) -> String {
    let mut command = cluster.lowgear();
    command.current_dir(place.path("")).args(["sweep", "sweep.toml", "--out", "array"]).args(more);
    let out = command.output().unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    String::from_utf8_lossy(&out.stdout).into_owned()
}

fn results(place: &Sandbox, jobs: u64) -> u64 {
    (1..=jobs).filter(|job| place.path(&format!("array/jobs/{job:04}/summary.json")).exists()).count() as u64
}

/// Slurm lets what was queued again wait for two minutes; nodes that were never lost have no need of that.
fn wait_no_longer(cluster: &Cluster) {
    for task in cluster.said("squeue", &["-h", "-r", "-t", "PD", "-o", "%i"]).lines() {
        cluster.said("scontrol", &["update", &format!("JobId={task}"), "StartTime=now"]);
    }
}

/// The logs of those jobs that were queued again.
fn queued_again(place: &Sandbox) -> Vec<String> {
    let files = files_below(&place.path("array/jobs")).into_iter();
    let logs = files.filter(|file| file.extension().is_some_and(|end| end == "log"));
    let texts = logs.map(|log| place.read(&format!("array/jobs/{}", log.display())));
    texts.filter(|text| text.contains("was queued again")).collect()
}

/// The jobs' folders and one summary of all of them, without what Slurm and the trial leave.
fn assert_same_results(cluster: &Cluster, place: &Sandbox, jobs: u64) {
    lowgear(cluster, place, &["--merge"]);
    place.run(&["sweep", "sweep.toml", "--out", "here"]).done();
    for job in 1..=jobs {
        let folder = format!("jobs/{job:04}");
        assert_alike(&place.path(&format!("here/{folder}")), &place.path(&format!("array/{folder}")));
    }
    for file in ["summary.json", "points.csv", "report.html"] {
        assert_eq!(place.read(&format!("here/{file}")), place.read(&format!("array/{file}")), "{file}");
    }
}

#[test]
fn an_array_survives_the_loss_of_a_node_and_ends_with_the_bytes_of_a_local_run() {
    let Some(mut cluster) = Cluster::start() else { return };
    let place = place(JOBS);
    let said = lowgear(&cluster, &place, &["--slurm", "--array-limit", "4", "--threads", "1", "--submit"]);
    assert!(said.contains("job 1 took") && said.contains("submitted: job "), "{said}");
    let script = place.read("array/sweep.sbatch");
    assert!(script.contains(&format!("#SBATCH --array=2-{JOBS}%4\n")), "{script}");
    // Both nodes are at work.
    let busy = |cluster: &Cluster, node: &str| {
        cluster.processes_of(node).iter().any(|pid| name_of(*pid).starts_with("lowgear"))
    };
    assert!(wait(MOST, || NODES.iter().all(|node| busy(&cluster, node))), "{}", cluster.said("squeue", &[]));
    let before = results(&place, JOBS);
    cluster.cut_power("n2");
    assert!(before < JOBS, "the cut came midway");
    assert!(wait(Duration::from_secs(120), || cluster
        .said("sinfo", &["-h", "-n", "n2", "-o", "%T"])
        .contains("down")));
    cluster.start_node("n2").unwrap();
    // What was lost waits for two minutes before it starts again, and has to: until then the controller may still send the
    // node the end of those jobs, which would end them where they run again.
    assert!(wait(MOST, || results(&place, JOBS) == JOBS), "{}", lowgear(&cluster, &place, &["--status"]));
    assert!(!queued_again(&place).is_empty(), "no job was queued again");
    assert_same_results(&cluster, &place, JOBS);
}

#[test]
fn jobs_that_are_pre_empted_keep_what_they_have_and_end_with_the_bytes_of_a_local_run() {
    let Some(cluster) = Cluster::start() else { return };
    let place = long_jobs(PREEMPTED);
    lowgear(&cluster, &place, &["--slurm", "--threads", "1", "--submit"]);
    let at_work = |job: u64| place.path(&format!("array/jobs/{job:04}/tabular")).exists();
    assert!(wait(MOST, || (1..=PREEMPTED).all(at_work)), "{}", cluster.said("squeue", &[]));
    // It wants both nodes for itself, so all of them have to go.
    let urgent = ["--partition=urgent", "--nodes=2", "--exclusive", "--output=/dev/null", "--wrap=sleep 2"];
    assert!(cluster.said("sbatch", &urgent).contains("Submitted"));
    let queue = || cluster.said("squeue", &["-h", "-r", "-o", "%P %T"]);
    assert!(wait(MOST, || queue().contains("urgent RUNNING")), "{}", queue());
    let status = lowgear(&cluster, &place, &["--status"]);
    assert!(status.contains(&format!("0 failed, {PREEMPTED} interrupted")), "{status}");
    let restarts = cluster.said("scontrol", &["--oneliner", "show", "job"]);
    assert_eq!(restarts.matches(" Restarts=1 ").count() as u64, PREEMPTED, "{restarts}");
    assert!(wait(MOST, || !queue().contains("urgent")), "{}", queue());
    wait_no_longer(&cluster);
    assert!(wait(MOST, || results(&place, PREEMPTED) == PREEMPTED), "{}", queue());
    let logs = queued_again(&place);
    assert_eq!(logs.len() as u64, PREEMPTED);
    for log in &logs {
        assert!(
            log.contains("DUE TO PREEMPTION") && log.contains("stopping at the next checkpoint"),
            "{log}"
        );
        assert!(log.contains("interrupted"), "it was not given the time to keep what it had: {log}");
    }
    assert_same_results(&cluster, &place, PREEMPTED);
}

#[test]
fn jobs_that_slurm_ends_are_told_by_the_reason_and_go_on_when_handed_in_again() {
    let Some(cluster) = Cluster::start() else { return };
    let place = long_jobs(3);
    lowgear(&cluster, &place, &["--slurm", "--threads", "1", "--submit"]);
    let script = place.read("array/sweep.sbatch");
    for line in ["--array=1-3\n", "--mem=400M\n", "--time=00:03:00\n", "--cpus-per-task=1\n", "--requeue\n"] {
        assert!(script.contains(line), "no {line} in {script}");
    }
    let task = |job: u64| place.path(&format!("array/jobs/{job:04}.slurm"));
    let tabular = |job: u64| place.path(&format!("array/jobs/{job:04}/tabular"));
    assert!(wait(MOST, || (1..=2).all(|job| task(job).exists() && tabular(job).exists())));
    // What Slurm sends a minute before the time is over.
    let name = fs::read_to_string(task(1)).unwrap();
    assert!(
        cluster
            .command("scancel")
            .args(["--signal=USR1", "--batch", name.trim()])
            .status()
            .unwrap()
            .success()
    );
    // And what it sends then.
    assert!(cluster.command("scancel").arg(name.trim()).status().unwrap().success());
    // What the system does when memory is short.
    let name = fs::read_to_string(task(2)).unwrap();
    let mine = format!("SLURM_ARRAY_TASK_ID={}", name.trim().split_once('_').unwrap().1);
    let pid = NODES.iter().flat_map(|node| cluster.processes_of(node)).find(|pid| {
        let environment = fs::read(format!("/proc/{pid}/environ")).unwrap_or_default();
        name_of(*pid).starts_with("lowgear") && environment.split(|b| *b == 0).any(|e| e == mine.as_bytes())
    });
    let kill = Command::new("kill").args(["-9", &pid.unwrap().to_string()]).stderr(Stdio::null()).status();
    assert!(kill.unwrap().success());
    let ended = |job: u64| place.path(&format!("array/jobs/{job:04}.ended"));
    assert!(wait(MOST, || ended(1).exists() && ended(2).exists()), "{}", cluster.said("squeue", &[]));
    let status = lowgear(&cluster, &place, &["--status"]);
    assert!(status.contains("time limit: it took longer"), "{status}");
    assert!(status.contains("most likely out of memory: it was allowed 400M (--mem)"), "{status}");
    assert!(place.path("array/jobs/0001/tabular/seed-1/checkpoint.bin").exists(), "what it had is kept");
    // Handed in again, only what is missing.
    assert!(wait(MOST, || place.path("array/jobs/0003/summary.json").exists()));
    lowgear(&cluster, &place, &["--slurm", "--threads", "1", "--submit"]);
    assert!(place.read("array/sweep.sbatch").contains("--array=1-2\n"));
    assert!(
        wait(MOST, || (1..=2).all(|job| place.path(&format!("array/jobs/{job:04}/summary.json")).exists()))
    );
    let status = lowgear(&cluster, &place, &["--status"]);
    assert!(status.contains("3 jobs: 3 done") && !status.contains("time limit"), "{status}");
}
