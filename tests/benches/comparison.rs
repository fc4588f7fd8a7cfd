//! What a comparison costs: 6 policies of 10 training seeds each over 400 courses of the demonstration, driven, and
//! made into a summary; and what the clairvoyant plan costs per course. Run with
//! `cargo bench --workspace --bench comparison -- [COURSES]`.
//!
//! Rules and table decide like tuned ones. The networks have the demonstration's sizes and fresh weights, held to the
//! rule by their margin, so that they take the courses at a driver's pace.

#![expect(clippy::unwrap_used, reason = "a benchmark that cannot begin has nobody to tell but its reader")]

use lowgear_agents::dqn::{Dqn, DqnConfig, DqnPolicy, FeatureScaler, RuleGuide};
use lowgear_agents::ppo::{Ppo, PpoConfig, PpoPolicy};
use lowgear_agents::rule::contextual::{Contextual, ContextualSettings};
use lowgear_agents::rule::{Rule, RuleSettings, Signal};
use lowgear_agents::table::{LookupTable, Provenance, TableAxis, TablePolicy};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Drive, EpisodeConfig, Outcome, Scenario, Seed, config, load_course};
use lowgear_eval::aggregate::{EvaluatedPolicy, StudyMetadata, suite_card, summarise, vehicle_card};
use lowgear_eval::bound::{GridResolution, Plan, drive_plan};
use lowgear_eval::suite::TestSuite;
use lowgear_eval::summary::{Family, PolicyRecord, Roles, Study};
use lowgear_onboard::{Feature, Request};
use lowgear_train::jobs::PolicyInstance;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

const SEEDS: i16 = 10;
const COURSES: u64 = 400;
const GEARS: usize = 3;
/// Courses that the plan is timed on.
const PLANNED: u64 = 8;

fn main() {
    let courses = std::env::args().skip(1).find_map(|word| word.parse().ok()).unwrap_or(COURSES);
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let vehicle: VehicleConfig = config::load(&configs.join("vehicles/demo-cart.toml")).unwrap();
    let course = load_course(&configs.join("courses/garden-mix.toml")).unwrap();
    let scenario = Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(2026));
    let suite = TestSuite::new(&scenario, courses);
    type OfSeed = fn(i16) -> PolicyInstance;
    let kinds: [(&str, Family, OfSeed); 6] = [
        ("speed-rule", Family::Rule, |seed| PolicyInstance::Rule(rule(Signal::MotorSpeed, 850 - seed))),
        ("load-rule", Family::Rule, |seed| PolicyInstance::Rule(rule(Signal::SpeedRatio, 790 - seed))),
        ("contextual", Family::Learned, contextual),
        ("dqn", Family::Learned, dqn),
        ("ppo", Family::Learned, ppo),
        ("table", Family::Table, |seed| PolicyInstance::Table(table(790 - seed))),
    ];
    let whole = Instant::now();
    let mut evaluated_policies = Vec::new();
    for (id, family, instance) in kinds {
        let start = Instant::now();
        let outcomes: Vec<Vec<Outcome>> = (0..SEEDS)
            .map(|seed| {
                let instance = instance(seed);
                suite.outcomes(|| instance.clone())
            })
            .collect();
        println!("{id:<12} {SEEDS} seeds x {courses} courses: {:6.2} s", start.elapsed().as_secs_f64());
        evaluated_policies.push(evaluated(id, family, outcomes));
    }
    let start = Instant::now();
    let summary = summarise(metadata(&suite), &evaluated_policies).unwrap();
    println!("summary of {} differences: {:.2} s", summary.paired.len(), start.elapsed().as_secs_f64());
    println!("the whole comparison: {:.1} s", whole.elapsed().as_secs_f64());
    let start = Instant::now();
    for episode in 0..PLANNED {
        let mut drive = Drive::new(Arc::clone(suite.scenario()), episode);
        let plan = Plan::new(&drive, GridResolution::default());
        drive_plan(&mut drive, &plan);
    }
    println!("plan: {:.2} s per course on one thread", start.elapsed().as_secs_f64() / PLANNED as f64);
}

fn settings(signal: Signal, up: i16) -> RuleSettings {
    RuleSettings { signal, ..RuleSettings::two_sided(GEARS, up, 400, 10).patient(60, 1.5) }
}

fn rule(signal: Signal, up: i16) -> Rule {
    Rule::new(settings(signal, up), GEARS).unwrap()
}

fn guide(seed: i16) -> RuleGuide {
    RuleGuide::new(settings(Signal::SpeedRatio, 790 - seed), GEARS).unwrap()
}

fn contextual(seed: i16) -> PolicyInstance {
    let plain = ContextualSettings::from_rule(&settings(Signal::SpeedRatio, 790 - seed));
    let weights: Vec<f64> = plain.weights().iter().enumerate().map(|(i, _)| 0.002 * (i % 5) as f64).collect();
    PolicyInstance::Contextual(Contextual::new(plain.with_weights(&weights).unwrap(), GEARS).unwrap())
}

fn dqn(seed: i16) -> PolicyInstance {
    let scaler = FeatureScaler::new(GEARS as u8, 1);
    let learner = Dqn::new(DqnConfig::default(), scaler.inputs(), 3, Seed(seed as u64)).unwrap();
    let policy = DqnPolicy::new(scaler, learner.target().clone()).unwrap();
    PolicyInstance::Dqn(Box::new(policy.with_guide(guide(seed), 100.0).unwrap()))
}

fn ppo(seed: i16) -> PolicyInstance {
    let scaler = FeatureScaler::new(GEARS as u8, 1);
    let config = PpoConfig { guide_bias: 10.0, ..PpoConfig::default() };
    let learner = Ppo::new(config, scaler.inputs(), 3, Seed(seed as u64)).unwrap();
    PolicyInstance::Ppo(Box::new(
        PpoPolicy::new(scaler, learner.actor().unwrap(), 0.5, Some(guide(seed))).unwrap(),
    ))
}

fn table(up: i16) -> TablePolicy {
    let speeds = [100, 200, 300, 400, 500, 600, 680, 740, up, 830, 870, 910];
    let axes = vec![
        TableAxis { feature: Feature::Gear, edges: vec![1, 2] },
        TableAxis { feature: Feature::SpeedRatio, edges: speeds.to_vec() },
        TableAxis { feature: Feature::SinceFailed, edges: vec![60, 200] },
        TableAxis { feature: Feature::LoadSlow, edges: vec![300, 600, 1000, 1500, 2000] },
    ];
    let requests: Vec<Request> = (0..3 * 13 * 3 * 6)
        .map(|cell| match (cell / (3 * 6) % 13, cell / 6 % 3) {
            (0..=3, _) => Request::Down,
            (9.., 1..) => Request::Up,
            _ => Request::Hold,
        })
        .collect();
    TablePolicy::new(LookupTable::from_requests(axes, &requests, Provenance::default()).unwrap())
}

fn evaluated(id: &str, family: Family, outcomes: Vec<Vec<Outcome>>) -> EvaluatedPolicy {
    EvaluatedPolicy { record: PolicyRecord::new(id, id, family), outcomes }
}

fn metadata(suite: &TestSuite) -> StudyMetadata {
    StudyMetadata {
        study: Study {
            name: "bench".to_owned(),
            seed: 2026,
            version: String::new(),
            task_version: 1,
            quick: false,
            level: 0.95,
            command: String::new(),
            inputs: vec![],
        },
        vehicle: vehicle_card(&suite.scenario().vehicle),
        test_suite: suite_card(suite, ""),
        time_limit_s: suite.scenario().episode.time_limit_s,
        roles: Roles {
            subject: "table".into(),
            hand_rule: "speed-rule".into(),
            tuned_rule: "load-rule".into(),
            plan: None,
        },
        also_against: vec![],
        robustness: vec![],
        fitted: vec![],
        places: vec![],
        curves: vec![],
        tuned: vec![],
        network: None,
        table: None,
    }
}
