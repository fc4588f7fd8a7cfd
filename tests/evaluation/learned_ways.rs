//! Vehicles that learn their way by themselves, lap by lap.

use lowgear_agents::rule::{Rule, RuleSettings, Signal};
use lowgear_env::config::ParameterDistribution;
use lowgear_env::load_course;
use lowgear_eval::suite::TestSuite;
use lowgear_train::route::{RouteOptions, route_worth};
use lowgear_train::study::read_inputs;
use std::path::Path;

/// Ways on a level hard path with canes, in laps.
fn ways(count: u64) -> TestSuite {
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let mut scenario = read_inputs(&configs.join("studies/demo.toml"), false).unwrap().scenario;
    (scenario.course, scenario.measured) = load_course(&configs.join("courses/garden-laps.toml")).unwrap();
    for surface in scenario.course.surfaces.iter_mut().filter(|surface| surface.name != "hard path") {
        surface.weight = 0.0;
    }
    scenario.course.random.as_mut().unwrap().grade.grade_deg = ParameterDistribution::Fixed(0.0);
    TestSuite::new(&scenario, count)
}

/// A rule tuned on the hard path.
fn rule() -> Rule {
    let settings = RuleSettings {
        signal: Signal::SpeedRatio,
        up_permille: vec![796, 759],
        down_permille: vec![146, 114],
        hold_decisions: 1,
        stall_ticks: Some(15),
        tilt_hold_ddeg: None,
        retry_ticks: 24,
        retry_growth: 1.0,
        steps_down: true,
        dwell_ticks: None,
        preview: None,
    };
    Rule::new(settings, 3).unwrap()
}

#[test]
fn a_vehicle_that_has_learned_its_way_is_faster_and_what_it_learned_elsewhere_costs_little() {
    let options = RouteOptions { ways: 60, level: 0.95, maps: false };
    let learned = route_worth(ways(60).scenario(), &rule(), &options).unwrap().learned.unwrap();
    let gain = learned.rows[0].difference_percent;
    assert!(gain.high < 0.0, "{gain:?}");
    let another = learned.another_way.difference_percent;
    assert!(another.mean < 0.5 && another.mean > gain.mean, "{another:?}");
    assert_eq!(learned.rows.len(), 11, "all laps together, then each");
}
