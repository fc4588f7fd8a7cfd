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
    let listed = sweep(&place, &["--status", "--json"]).done().out;
    let jobs: Vec<serde_json::Value> = serde_json::from_str(&listed).unwrap();
    assert_eq!(jobs.len(), 4);
    assert!(jobs.iter().all(|job| job["state"] == "waiting" && job["point"].is_string()), "{listed}");
    assert_eq!((&jobs[3]["job"], &jobs[3]["folder"]), (&4.into(), &"run/jobs/0004".into()));
    assert!(!place.path("run").exists());
    sweep(&place, &["--json"]).refused(2, &["--status"]);
    sweep(&place, &["--job", "5"]).refused(2, &["--job", "5", "1 to 4"]);
    sweep(&place, &["--job", "0"]).refused(2, &["--job", "1 to 4"]);
}

/// Vehicles, learners with settings of their own, and seeds.
const LEARNERS: &str = "name = \"s\"\nstudy = \"tiny.toml\"\n\
    [[set]]\nkey = \"learners.ppo.decisions\"\nvalue = 777\n\
    [[axes]]\nlabel = \"vehicle\"\nkey = \"vehicle\"\nvalues = [\"vehicle.toml\", \"other.toml\"]\n\
    [[axes]]\nlabel = \"learner\"\n\
    points = [\n\
    { label = \"tabular\", set = [{ key = \"learners\", value = \"tabular\" }] },\n\
    { label = \"ppo, 0.9\", set = [{ key = \"learners\", value = [\"ppo\"] }, \
    { key = \"learners.ppo.settings.gamma-per-s\", value = 0.9 }] },\n\
    { label = \"both\", set = [{ key = \"learners\", value = [\"ppo\", \"tabular\"] }] }]\n\
    [[axes]]\nlabel = \"seed\"\nkey = \"seed\"\nvalues = [1, 2]\n";

#[test]
fn learners_with_their_settings_and_seeds_are_axes_too() {
    let place = sandbox();
    place.write("other.toml", place.read("vehicle.toml"));
    place.write("sweep.toml", LEARNERS);
    let read = Sweep::read(&place.path("sweep.toml")).unwrap();
    assert_eq!(read.jobs(), 12);
    assert_eq!(read.words(3), "vehicle vehicle, learner ppo, 0.9, seed 1");
    let studies: Vec<_> = (1..=12).map(|job| read.inputs(job).unwrap().study).collect();
    let taking_part: Vec<usize> = studies.iter().map(|study| study.learners.count()).collect();
    assert_eq!(taking_part, [1, 1, 1, 1, 2, 2, 1, 1, 1, 1, 2, 2]);
    assert!(studies[0].learners.tabular.is_some() && studies[1].learners.ppo.is_none());
    let ppo = studies[3].learners.ppo.as_ref().unwrap();
    assert_eq!((ppo.decisions, ppo.settings.gamma_per_s), (777, 0.9));
    assert_eq!((studies[2].seed, studies[3].seed), (1, 2));
    // One name for each value of the axis, or a list of them.
    place.write(
        "sweep.toml",
        "name = \"s\"\nstudy = \"tiny.toml\"\nlearners = [\"dqn\"]\n\
         [[axes]]\nlabel = \"learner\"\nkey = \"learners\"\nvalues = [\"tabular\", [\"ppo\", \"dqn\"]]\n",
    );
    let read = Sweep::read(&place.path("sweep.toml")).unwrap();
    assert_eq!(read.words(2), "learner ppo+dqn");
    let learners = read.inputs(2).unwrap().study.learners;
    assert!(learners.ppo.is_some() && learners.dqn.is_some() && learners.count() == 2, "the axis comes last");
}
