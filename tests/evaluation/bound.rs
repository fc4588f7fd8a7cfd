//! The plan that knows the course.

use crate::sandbox::repository;
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_env::config::load;
use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, World, load_course};
use lowgear_eval::bound::{
    DISCRETISATION_SHARE, GridResolution, Heights, Plan, Preview, PreviewSensor, Typical, drive_plan,
    drive_preview,
};
use lowgear_eval::suite::TestSuite;
use lowgear_train::study::read_inputs;
use rayon::prelude::*;
use std::sync::Arc;

const STUDIES: [&str; 3] = ["demo", "compost-tractor", "watering-barrow"];
const COURSES: u64 = 12;

fn scenario(study: &str) -> (Scenario, RuleSettings) {
    let file = repository().join(format!("configs/studies/{study}.toml"));
    let inputs = read_inputs(&file, false).unwrap();
    (inputs.scenario, inputs.study.rule)
}

/// Returns of the driven plan and its values at the start, per course.
fn planned(suite: &TestSuite, resolution: GridResolution) -> Vec<(f64, f64)> {
    (0..suite.courses)
        .into_par_iter()
        .map(|episode| {
            let mut drive = Drive::new(Arc::clone(suite.scenario()), episode);
            let plan = Plan::new(&drive, resolution);
            drive_plan(&mut drive, &plan);
            (drive.outcome().reward.total_s(), plan.start_value(suite.scenario()))
        })
        .collect()
}

fn mean(values: impl ExactSizeIterator<Item = f64>) -> f64 {
    let n = values.len() as f64;
    values.sum::<f64>() / n
}

/// The hand-written rule of the study, rungs of the ladder, and a few two-sided rules with thresholds chosen by eye
/// (the tuned rules of a study are not driven here).
fn rules(hand: &RuleSettings, gears: usize) -> Vec<RuleSettings> {
    let spread = |up, down| RuleSettings { retry_ticks: 60, ..RuleSettings::two_sided(gears, up, down, 10) };
    vec![
        hand.clone(),
        RuleSettings::first_gear(gears),
        RuleSettings::stall_aware(gears, 850, 10),
        spread(760, 300),
        spread(820, 450),
        spread(700, 520),
    ]
}

#[test]
fn the_plan_is_ahead_of_every_rule_and_behind_its_own_value_on_all_three_vehicles() {
    for study in STUDIES {
        let (scenario, hand) = scenario(study);
        let suite = TestSuite::new(&scenario, COURSES);
        let plans = planned(&suite, GridResolution::default());
        let (driven, bound) = (mean(plans.iter().map(|p| p.0)), mean(plans.iter().map(|p| p.1)));
        let length_m = Drive::new(Arc::clone(suite.scenario()), 0).track().course.length_m;
        let course_s = length_m / scenario.episode.reward.reference_speed_m_s - bound;
        let error_s = DISCRETISATION_SHARE * course_s;
        println!("{study}: driven {driven:.2} s, bound {bound:.2} s with an error of {error_s:.2} s");
        assert!(driven <= bound + error_s, "{study}: the plan itself");
        for settings in rules(&hand, scenario.gears()) {
            let rule = Rule::new(settings, scenario.gears()).unwrap();
            let outcomes = suite.outcomes(|| rule.clone());
            let score = mean(outcomes.iter().map(|o| o.reward.total_s()));
            assert!(score <= driven, "{study}: {score:.2} s by {:?}", rule.settings());
            assert!(score <= bound + error_s, "{study}: {score:.2} s by {:?}", rule.settings());
        }
    }
}

/// Measured on 12 test courses: mean value at the start and mean return of the driven plan, s.
///
/// | positions, strides | speeds | demo | compost tractor | watering barrow |
/// | --- | --- | --- | --- | --- |
/// | 0.8 | 10 | -105.56, -119.53 | -9.413, -10.775 | 2.952, 2.681 |
/// | 0.4 | 14 | -105.36, -117.82 | -9.471, -9.446 | 3.042, 2.750 |
/// | 0.2 | 20 | -105.22, -117.18 | -9.496, -9.397 | 3.039, 2.772 |
/// | 0.1 | 40 | -105.03, -116.77 | -9.503, -9.268 | 3.040, 2.778 |
///
/// On the demo, where obstacles stop the vehicle, the value still moves by 0.19 s at the last step, 0.1 % of the
/// planned time; [`DISCRETISATION_SHARE`] allows 0.5 %.
#[test]
#[ignore = "two minutes"]
fn a_finer_grid_changes_the_value_less_and_less() {
    for study in STUDIES {
        let suite = TestSuite::new(&scenario(study).0, COURSES);
        let grids = [(0.8, 10), (0.4, 14), (0.2, 20), (0.1, 40)];
        let means = grids.map(|(position_strides, speeds)| {
            let plans = planned(&suite, GridResolution { position_strides, speeds });
            let both = (mean(plans.iter().map(|p| p.1)), mean(plans.iter().map(|p| p.0)));
            println!("{study} {position_strides} {speeds}: value {:.3} s, driven {:.3} s", both.0, both.1);
            both.0
        });
        let most = means[0].abs().max(30.0) * DISCRETISATION_SHARE;
        assert!((means[3] - means[2]).abs() < most, "{study}: {means:?}");
        assert!(
            (means[3] - means[2]).abs() <= (means[2] - means[0]).abs().max(0.1 * most),
            "{study}: {means:?}"
        );
    }
}

/// The best return of all sequences of requests from here on.
fn best_of_all(drive: &Drive, looked_at: &mut u64) -> f64 {
    let mut best = f64::NEG_INFINITY;
    for request in (0..3).filter(|&request| drive.allowed(request)) {
        let mut next = drive.clone();
        *looked_at += 1;
        let value = match next.step(request).end {
            Some(_) => next.outcome().reward.total_s(),
            None => best_of_all(&next, looked_at),
        };
        best = best.max(value);
    }
    best
}

#[test]
fn a_plan_that_sees_to_the_finish_is_the_plan_and_one_that_sees_less_decides_otherwise() {
    let (scenario, _) = scenario("watering-barrow");
    let suite = TestSuite::new(&scenario, 2);
    let start = |episode| Drive::new(Arc::clone(suite.scenario()), episode);
    let typical = Typical::of(&[start(7)], GridResolution::default());
    for episode in 0..suite.courses {
        let mut by_plan = start(episode);
        let plan = Plan::new(&by_plan, GridResolution::default());
        drive_plan(&mut by_plan, &plan);
        let viewed = |range_m| {
            let mut drive = start(episode);
            let sensor = PreviewSensor::perfect(range_m);
            let mut preview = Preview::new(&drive, GridResolution::default(), &typical, sensor);
            drive_preview(&mut drive, &mut preview);
            drive.outcome()
        };
        assert_eq!(viewed(1e3), by_plan.outcome());
        assert_ne!(viewed(0.1), by_plan.outcome());
    }
}

#[test]
fn heights_that_are_off_by_a_hair_cost_a_preview_nothing() {
    let configs = repository().join("configs");
    let vehicle = load(&configs.join("vehicles/demo-cart.toml")).unwrap();
    let course = load_course(&configs.join("courses/level-path-canes.toml")).unwrap();
    let scenario = Arc::new(Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(2026)));
    let starts: Vec<Drive> = (0..10).map(|e| Drive::new(Arc::clone(&scenario), e)).collect();
    let typical = Typical::of(&starts, GridResolution::default());
    let mean_s = |sensor| {
        let times_s = (100..108).map(|episode| {
            let mut drive = Drive::new(Arc::clone(&scenario), episode);
            let mut preview = Preview::new(&drive, GridResolution::default(), &typical, sensor);
            drive_preview(&mut drive, &mut preview);
            drive.outcome().time_s
        });
        mean(times_s.collect::<Vec<f64>>().into_iter())
    };
    let exact = PreviewSensor::of_obstacles(0.3);
    let (exact_s, off_s) = (mean_s(exact), mean_s(PreviewSensor { heights: Heights::Steps(1e-5), ..exact }));
    assert!((off_s / exact_s - 1.0).abs() < 0.01, "{off_s} s for {exact_s}");
}

/// Two gears, little more than a metre and five seconds leave few enough sequences to drive every one of them.
#[test]
fn on_short_courses_the_driven_plan_is_near_the_best_of_all_sequences_and_never_beyond() {
    let (mut scenario, _) = scenario("watering-barrow");
    scenario.course.random.as_mut().unwrap().length_m = 1.2;
    (scenario.episode.time_limit_s, scenario.episode.give_up_s) = (5.0, 1.0);
    let suite = TestSuite::new(&scenario, 12);
    let plans = planned(&suite, GridResolution::default());
    let best: Vec<(f64, u64)> = (0..suite.courses)
        .into_par_iter()
        .map(|episode| {
            let mut looked_at = 0;
            (best_of_all(&Drive::new(Arc::clone(suite.scenario()), episode), &mut looked_at), looked_at)
        })
        .collect();
    for ((driven, value), (best, looked_at)) in plans.iter().zip(&best) {
        println!("driven {driven:.3} s, value {value:.3} s, best of {looked_at} steps {best:.3} s");
        assert!(*driven <= best + 1e-9, "more than the best: {driven} {best}");
    }
    let (driven, value) = (mean(plans.iter().map(|p| p.0)), mean(plans.iter().map(|p| p.1)));
    let best = mean(best.iter().map(|b| b.0));
    assert!(best - driven < 0.15, "driven {driven:.3} s, best {best:.3} s");
    assert!(best - value < 0.1, "value {value:.3} s, best {best:.3} s");
}
