//! From axes to numbered jobs.

use super::{sandbox, sweep};
use lowgear_train::sweep::Sweep;

#[test]
fn the_last_axis_changes_fastest_and_every_job_says_what_it_is() {
    let place = sandbox();
    let read = Sweep::read(&place.path("sweep.toml")).unwrap();
    assert_eq!(read.jobs(), 4);
    let places: Vec<Vec<usize>> = (1..=4).map(|job| read.place(job)).collect();
    assert_eq!(places, [vec![0, 0], vec![0, 1], vec![1, 0], vec![1, 1]]);
    assert_eq!(read.words(2), "battery readable, a gearbox life is worth 50000 s");
    assert_eq!(read.words(3), "battery not readable, a gearbox life is worth 0 s");
}

#[test]
fn a_job_is_the_study_with_its_values_and_nothing_else() {
    let place = sandbox();
    let read = Sweep::read(&place.path("sweep.toml")).unwrap();
    let (first, last) = (read.inputs(1).unwrap(), read.inputs(4).unwrap());
    assert_eq!(first.scenario.episode.reward.stress_s_per_life, 0.0);
    assert_eq!(last.scenario.episode.reward.stress_s_per_life, 50_000.0);
    assert!(first.scenario.vehicle.sensors.battery.is_some());
    assert!(last.scenario.vehicle.sensors.battery.is_none());
    assert_eq!((first.study.table.courses, last.study.table.courses), (2, 2));
    assert_eq!((first.study.learners.count(), first.study.learners.tabular.is_some()), (1, true));
    let mut same = last.study.clone();
    same.episode.reward.stress_s_per_life = 0.0;
    assert_eq!(same, first.study);
}

#[test]
fn files_entries_of_lists_and_effort_can_be_set() {
    let place = sandbox();
    let vehicle = place.read("vehicle.toml").replace("seed-tray cart", "other cart");
    place.write("other.toml", vehicle);
    let text = "name = \"s\"\nstudy = \"tiny.toml\"\neffort = 2.0\n\
        [[set]]\nkey = \"learners.dqn.decisions\"\nvalue = 5000\n\
        [[axes]]\nlabel = \"vehicle\"\nkey = \"vehicle\"\nvalues = [\"vehicle.toml\", \"other.toml\"]\n\
        [[axes]]\nlabel = \"second ratio\"\nkey = \"vehicle.gearbox.total-ratio[1]\"\nvalues = [150.0]\n";
    place.write("sweep.toml", text);
    let read = Sweep::read(&place.path("sweep.toml")).unwrap();
    assert_eq!(read.words(2), "vehicle other, second ratio 150");
    let inputs = read.inputs(2).unwrap();
    assert_eq!(inputs.scenario.vehicle.name, "other cart");
    assert_eq!(inputs.scenario.vehicle.gearbox.total_ratio, [500.0, 150.0, 58.0]);
    assert_eq!(inputs.study.learners.tabular.unwrap().episodes, 20, "twice the study's");
    assert_eq!(inputs.study.learners.dqn.unwrap().decisions, 5000, "as the sweep says");
}

#[test]
fn check_counts_the_jobs_and_nothing_is_written() {
    let place = sandbox();
    let out = place.run(&["check", "sweep.toml"]).done().out;
    assert!(out.contains("sweep \"tiny-sweep\": 2 axes, 4 jobs"), "{out}");
    let status = sweep(&place, &["--status"]).done().out;
    assert!(status.contains("4 jobs: 0 done, 0 running, 0 failed, 0 interrupted, 4 waiting"), "{status}");
    assert!(!place.path("run").exists());
    sweep(&place, &["--job", "5"]).refused(2, &["--job", "5", "1 to 4"]);
    sweep(&place, &["--job", "0"]).refused(2, &["--job", "1 to 4"]);
}
