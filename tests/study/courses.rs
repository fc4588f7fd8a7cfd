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
        courses.extend((0..COURSES).map(|episode| format!("{:?}", scenario.instantiate(episode).1.course)));
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

#[test]
fn no_training_course_counts_for_less_than_the_search_says() {
    let training = TrainingSuite::new(&study());
    let alone: Vec<f64> =
        (0..COURSES).map(|n| training.mean_return(&mut rule(), n, 1, f64::NEG_INFINITY).0).collect();
    let least_s = alone.iter().sum::<f64>() / alone.len() as f64;
    assert!(alone.iter().any(|r| *r < least_s), "some course is worse");
    let expected = alone.iter().map(|r| r.max(least_s)).sum::<f64>() / alone.len() as f64;
    let (mean, _) = training.mean_return(&mut rule(), 0, COURSES, least_s);
    assert!((mean - expected).abs() < 1e-9, "{mean} instead of {expected}");
}
