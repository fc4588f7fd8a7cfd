//! What a metre of sight is worth: plans that see only so far, next to a tuned rule that sees nothing and the plan that
//! knows the whole course. Run with `cargo bench --bench foresight [COURSES] [TRAINING COURSES]`.
//!
//! Differences are to the rule on the same course, in the mean and without the best and worst twentieth: on a few courses
//! a plan with a view stays where its picture of what usually follows is wrong.

#![expect(clippy::unwrap_used, reason = "a benchmark that cannot begin has nobody to tell but its reader")]

use lowgear_agents::rule::{Rule, RuleSettings, Signal};
use lowgear_env::{Drive, Outcome};
use lowgear_eval::bound::{GridResolution, Plan, Preview, Typical, drive_plan, drive_preview};
use lowgear_eval::suite::{TestSuite, TrainingSuite};
use lowgear_train::study::read_inputs;
use rayon::prelude::*;
use std::path::Path;
use std::sync::Arc;

/// Views, m.
const SIGHTS_M: [f64; 5] = [0.05, 0.1, 0.15, 0.25, 0.5];

fn main() {
    let mut numbers = std::env::args().skip(1).filter_map(|word| word.parse::<u64>().ok());
    let (courses, training) = (numbers.next().unwrap_or(40), numbers.next().unwrap_or(60));
    let study = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs/studies/demo.toml");
    let scenario = read_inputs(&study, false).unwrap().scenario;
    let suite = TestSuite::new(&scenario, courses);
    let learned = TrainingSuite::new(&scenario);
    let starts: Vec<Drive> = (0..training).map(|e| Drive::new(Arc::clone(learned.scenario()), e)).collect();
    let typical = Typical::of(&starts, GridResolution::default());
    let rule = tuned();
    let base = suite.outcomes(|| rule.clone());
    println!("{courses} courses; what usually follows, from {training} others");
    row("tuned rule, sees nothing", &base, &base);
    for sight_m in SIGHTS_M {
        let outcomes = each(&suite, |drive| {
            let mut preview = Preview::new(drive, GridResolution::default(), &typical, sight_m);
            drive_preview(drive, &mut preview);
        });
        row(&format!("plan that sees {sight_m:.2} m"), &outcomes, &base);
    }
    let outcomes = each(&suite, |drive| {
        let plan = Plan::new(drive, GridResolution::default());
        drive_plan(drive, &plan);
    });
    row("plan that knows it all", &outcomes, &base);
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
        preview: None,
    };
    Rule::new(settings, 3).unwrap()
}

/// Outcome of every course.
fn each(suite: &TestSuite, drive_it: impl Fn(&mut Drive) + Sync) -> Vec<Outcome> {
    let courses = 0..suite.courses;
    let outcomes = courses.into_par_iter().map(|episode| {
        let mut drive = Drive::new(Arc::clone(suite.scenario()), episode);
        drive_it(&mut drive);
        drive.outcome()
    });
    outcomes.collect()
}

fn row(name: &str, outcomes: &[Outcome], base: &[Outcome]) {
    let mean = |values: &[f64]| values.iter().sum::<f64>() / values.len() as f64;
    let times: Vec<f64> = outcomes.iter().map(|o| o.time_s).collect();
    let mut differences: Vec<f64> = outcomes.iter().zip(base).map(|(a, b)| a.time_s - b.time_s).collect();
    let all = mean(&differences);
    differences.sort_by(f64::total_cmp);
    let cut = differences.len() / 20;
    let within = &differences[cut..differences.len() - cut];
    let centre = mean(within);
    let variance = within.iter().map(|d| (d - centre).powi(2)).sum::<f64>() / (within.len() as f64 - 1.0);
    println!(
        "{name:<26} {:7.1} s, {all:+6.1} s; without the extremes {centre:+5.1} s, standard error {:.1} s",
        mean(&times),
        (variance / within.len() as f64).sqrt(),
    );
}
