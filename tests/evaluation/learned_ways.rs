//! Vehicles that learn their way by themselves, lap by lap.

use lowgear_agents::rule::{Rule, RuleSettings, Signal};
use lowgear_env::config::ParameterDistribution;
use lowgear_env::load_course;
use lowgear_env::vehicle::LapAdvice;
use lowgear_eval::laps::LapRow;
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
    let options = RouteOptions { ways: 60, level: 0.95, maps: false, advice: LapAdvice::Early };
    let learned = route_worth(ways(60).scenario(), ("rule", &rule()), &options).unwrap().learned.unwrap();
    let gain = learned.learned.time.difference_percent;
    assert!(gain.high < 0.0, "{gain:?}");
    assert_eq!(learned.by_lap.len(), 10);
    for row in &learned.changed {
        println!("{} {:.2} and {:.0} %", row.time.text(), row.needless, row.silent_percent);
    }
    let [another, nothing, moved, hose] = [0, 1, 2, 3].map(|at| &learned.changed[at]);
    let percent = |row: &LapRow| row.time.difference_percent.mean;
    assert!(percent(nothing) < 0.0, "the control: {}", percent(nothing));
    assert!([another, moved, hose].iter().all(|row| percent(row) < 0.5 && percent(row) > gain.mean));
    assert!(another.needless > 2.0 * nothing.needless && another.silent_percent > nothing.silent_percent);
    let won_s: f64 = learned.examples[0].won_s.iter().sum();
    assert!(won_s > 0.0 && !learned.examples[0].marked_m.is_empty());
}
