//! A limit on gearbox damage in searches, and its weight in the training of a network.

use crate::sandbox::Sandbox;
use lowgear_agents::rule::{Rule, RuleSettings, Signal};
use lowgear_env::{Outcome, Seed};
use lowgear_eval::suite::{TrainingSuite, ValidationSuite};
use lowgear_train::damage_limit::DamageLimit;
use lowgear_train::search::{Search, SearchBudget, SearchMemory};
use lowgear_train::study::read_inputs;
use lowgear_train::timing::Stopwatch;
use std::ops::ControlFlow;

/// Courses of a validation.
const COURSES: u64 = 24;

fn damage(outcomes: &[Outcome]) -> f64 {
    outcomes.iter().map(|outcome| outcome.damage).sum::<f64>() / outcomes.len() as f64
}

#[test]
fn a_search_with_a_limit_ends_with_less_damage_than_one_without() {
    let place = Sandbox::new();
    let scenario = read_inputs(&place.path("tiny.toml"), false).unwrap().scenario;
    let gears = scenario.gears();
    let (training, validation) = (TrainingSuite::new(&scenario), ValidationSuite::new(&scenario, COURSES));
    // A rule that spares the gearbox, as it never shifts, against a search from an eager one.
    let mild = Rule::new(RuleSettings::first_gear(gears), gears).unwrap();
    let limit = DamageLimit { rule: mild.clone(), ratio: 1.0 };
    let start = RuleSettings { signal: Signal::SpeedRatio, ..RuleSettings::two_sided(gears, 600, 300, 4) };
    let found = |limit: Option<&DamageLimit>| {
        let search = Search {
            budget: SearchBudget {
                generations: 24,
                population: 12,
                courses: 12,
                validate_every: 4,
                step: 0.15,
            },
            training: &training,
            validation: &validation,
            build: |vector: &[f64]| {
                start.with_vector(vector).ok().and_then(|rule| Rule::new(rule, gears).ok())
            },
            start: start.to_vector(),
            seed: Seed(5),
            limit,
            stopwatch: Stopwatch::start(),
        };
        let memory = search.run(SearchMemory::default(), |_, _| Ok(ControlFlow::Continue(()))).unwrap();
        let mut rule = Rule::new(start.with_vector(&memory.best).unwrap(), gears).unwrap();
        (damage(&validation.outcomes(&mut rule).0), memory.ticks)
    };
    let allowed = damage(&validation.outcomes(&mut mild.clone()).0);
    let ((free, free_ticks), (limited, limited_ticks)) = (found(None), found(Some(&limit)));
    assert!(free > allowed, "{free} without a limit, {allowed} by the rule");
    assert!(limited < free, "{limited} with a limit, {free} without, {allowed} by the rule");
    assert!(limited_ticks > 0 && free_ticks > 0);
}

#[test]
fn the_key_of_the_limit_is_checked() {
    let place = Sandbox::new();
    let line = place.edit("tiny.toml", "most-damage", "most-damage = 0.05");
    let words = [&format!("line {line}"), "most-damage", "0.05", "0.1 to 100"];
    place.run(&["check", "tiny.toml"]).refused(2, &words);
}

#[test]
fn the_weight_of_wear_changes_what_a_network_learns_and_nothing_else() {
    let trained = |factor: &str| {
        let place = Sandbox::new();
        place.edit("tiny.toml", "training-seeds", "training-seeds = 1");
        place.edit("tiny.toml", "thresholds = [0.5]", &format!("stress-factor = {factor}"));
        place.run(&["study", "tiny.toml", "--out", "run"]).done();
        ["ppo/seed-1/last.json", "contextual/seed-1/policy.json"]
            .map(|file| place.read(&format!("run/{file}")))
    };
    let ([plain, searched], [mild, same]) = (trained("1.0"), trained("50.0"));
    assert_ne!(plain, mild);
    assert_eq!(searched, same);
}
