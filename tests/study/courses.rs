//! Training, validation and test courses are other courses.

use crate::sandbox::Sandbox;
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_env::Scenario;
use lowgear_eval::suite::{TestSuite, TrainingSuite, ValidationSuite, play, run_seed};
use lowgear_train::study::read_inputs;
use std::sync::Arc;

const COURSES: u64 = 8;

fn study() -> Scenario {
    let place = Sandbox::new();
    read_inputs(&place.path("tiny.toml"), false).unwrap().scenario
}

fn rule() -> Rule {
    Rule::new(RuleSettings::stall_aware(3, 850, 10), 3).unwrap()
}

fn returns(scenario: &Arc<Scenario>) -> Vec<f64> {
    (0..COURSES).map(|episode| play(scenario, &mut rule(), episode).0.reward.total_s()).collect()
}

#[test]
fn the_three_kinds_lay_other_courses_and_other_vehicles() {
    let study = study();
    let training = TrainingSuite::new(&study);
    let run = training.for_run(run_seed(study.seed, 5, 1));
    let other_run = training.for_run(run_seed(study.seed, 5, 2));
    let other_learner = training.for_run(run_seed(study.seed, 4, 1));
    let test = TestSuite::new(&study, COURSES);
    let scenarios = [&training, &run, &other_run, &other_learner].map(TrainingSuite::scenario);
    let all: Vec<&Arc<Scenario>> = scenarios.into_iter().chain([test.scenario()]).collect();
    let mut courses = Vec::new();
    for (i, scenario) in all.iter().enumerate() {
        assert!(all[..i].iter().all(|other| other.seed != scenario.seed), "seeds differ");
        courses.extend((0..COURSES).map(|episode| format!("{:?}", scenario.lay(episode).1.course)));
    }
    let laid = courses.len();
    courses.sort();
    courses.dedup();
    assert_eq!(courses.len(), laid, "no course is laid twice");
}

#[test]
fn no_validation_course_drives_like_a_training_or_a_test_course() {
    let study = study();
    let (validation, _) = ValidationSuite::new(&study, COURSES).returns(&mut rule());
    let training = returns(TrainingSuite::new(&study).scenario());
    let test = returns(TestSuite::new(&study, COURSES).scenario());
    let mut all: Vec<f64> = [validation, training, test].concat();
    let driven = all.len();
    all.sort_by(f64::total_cmp);
    all.dedup();
    assert_eq!(all.len(), driven, "no two courses give the same return");
}
