//! What seeing the ground ahead is worth: plans that see a part of it, next to a tuned rule that sees nothing and the
//! plan that knows the whole course. Run with `cargo bench --workspace --bench foresight -- [COURSES] [TRAINING COURSES]`.
//!
//! Two kinds of ground: the demonstration's, and the same obstacles on a level hard path. Differences are to the rule on
//! the same course, with Student's interval of 95 %.

#![expect(clippy::unwrap_used, reason = "a benchmark that cannot begin has nobody to tell but its reader")]

mod driven;

use driven::{each, row};
use lowgear_agents::rule::{Rule, RuleSettings, Signal};
use lowgear_env::config::ParameterDistribution;
use lowgear_env::{Drive, Outcome, Scenario};
use lowgear_eval::bound::{GridResolution, Plan, Preview, PreviewSensor, Typical, drive_plan, drive_preview};
use lowgear_eval::suite::{TestSuite, TrainingSuite};
use lowgear_train::study::read_inputs;
use std::path::Path;
use std::sync::Arc;

/// Ranges, m.
const RANGES_M: [f64; 6] = [0.05, 0.1, 0.15, 0.25, 0.5, 1.0];
/// Range of the sensors that see a part or make errors, m.
const RANGE_M: f64 = 0.5;
/// Standard deviations of a position, m.
const POSITION_SDS_M: [f64; 4] = [0.02, 0.05, 0.1, 0.2];
/// Shares of obstacles missed or invented.
const SHARES: [f64; 4] = [0.05, 0.1, 0.2, 0.4];

fn main() {
    let mut numbers = std::env::args().skip(1).filter_map(|word| word.parse::<u64>().ok());
    let (courses, training) = (numbers.next().unwrap_or(60), numbers.next().unwrap_or(60));
    let study = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs/studies/demo.toml");
    let scenario = read_inputs(&study, false).unwrap().scenario;
    for (ground, scenario) in [("garden mix", scenario.clone()), ("level hard path", level_path(&scenario))] {
        println!("\n{ground}");
        let suite = TestSuite::new(&scenario, courses);
        let rule = tuned();
        let base = suite.outcomes(|| rule.clone());
        previews(&scenario, &suite, &base, training);
    }
}

/// The hard path of the garden mix alone, level, with its obstacles.
fn level_path(scenario: &Scenario) -> Scenario {
    let mut scenario = scenario.clone();
    for surface in scenario.course.surfaces.iter_mut().filter(|surface| surface.name != "hard path") {
        surface.weight = 0.0;
    }
    scenario.course.random.as_mut().unwrap().grade.grade_deg = ParameterDistribution::Fixed(0.0);
    scenario
}

/// Sensors by name.
fn sensors() -> Vec<(String, PreviewSensor)> {
    let all = RANGES_M.map(|range_m| (format!("all of {range_m} m"), PreviewSensor::perfect(range_m)));
    let obstacles = PreviewSensor::of_obstacles(RANGE_M);
    let nothing = PreviewSensor { obstacles: false, ..obstacles };
    // Their errors alone: the ground is seen as it is.
    let all_of_it = PreviewSensor::perfect(RANGE_M);
    let mut sensors = all.to_vec();
    sensors.extend([
        ("no sensor".to_owned(), nothing),
        ("obstacles".to_owned(), obstacles),
        ("surfaces".to_owned(), PreviewSensor { surfaces: true, ..nothing }),
        ("grades".to_owned(), PreviewSensor { grades: true, ..nothing }),
        ("all but obstacles".to_owned(), PreviewSensor { obstacles: false, ..all_of_it }),
    ]);
    sensors.extend(POSITION_SDS_M.map(|position_sd_m| {
        (format!("all, obstacles off by {position_sd_m} m"), PreviewSensor { position_sd_m, ..all_of_it })
    }));
    sensors.extend(SHARES.map(|missed_share| {
        let name = format!("all, {:.0} % of obstacles missed", 100.0 * missed_share);
        (name, PreviewSensor { missed_share, ..all_of_it })
    }));
    sensors.extend(SHARES.map(|invented_share| {
        let name = format!("all, {:.0} % invented", 100.0 * invented_share);
        (name, PreviewSensor { invented_share, ..all_of_it })
    }));
    sensors
}

/// One line per sensor.
fn previews(scenario: &Scenario, suite: &TestSuite, base: &[Outcome], training: u64) {
    let learned = TrainingSuite::new(scenario);
    let starts: Vec<Drive> = (0..training).map(|e| Drive::new(Arc::clone(learned.scenario()), e)).collect();
    let typical = Typical::of(&starts, GridResolution::default());
    println!("{} courses; what usually follows, from {training} others; range {RANGE_M} m", suite.courses);
    row("tuned rule", base, base);
    for (name, sensor) in sensors() {
        let outcomes = each(suite, |drive| {
            let mut preview = Preview::new(drive, GridResolution::default(), &typical, sensor);
            drive_preview(drive, &mut preview);
        });
        row(&name, &outcomes, base);
    }
    let outcomes = each(suite, |drive| {
        let plan = Plan::new(drive, GridResolution::default());
        drive_plan(drive, &plan);
    });
    row("whole course", &outcomes, base);
}

/// A load-ratio rule as one of the demonstration's searches left it, not the one that its study chose.
fn tuned() -> Rule {
    let settings = RuleSettings {
        signal: Signal::SpeedRatio,
        up_permille: vec![751, 741],
        down_permille: vec![199, 176],
        hold_decisions: 1,
        stall_ticks: Some(9),
        tilt_hold_ddeg: None,
        retry_ticks: 25,
        retry_growth: 1.0,
        steps_down: true,
        dwell_ticks: None,
        preview: None,
    };
    Rule::new(settings, 3).unwrap()
}
