//! How much of what the clairvoyant plan saves is out of reach of any controller that sees only so far ahead. Run with
//! `cargo bench --workspace --bench ceiling -- GROUND [COURSES]`; GROUND is the name of a shipped course for the cart with a
//! feeler.
//!
//! Returns, s, over test courses: of a tuned rule without preview, of the plan as it is driven, of the plan's value, and of
//! ceilings. Differences are to the plan's value on the same course, with Student's interval of 95 %.

#![expect(clippy::unwrap_used, reason = "a measurement that cannot begin has nobody to tell but its reader")]

mod tuned;

use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, config, load_course};
use lowgear_eval::bound::{Ceiling, GridResolution, Plan, View, drive_plan};
use lowgear_eval::statistics::{Scores, paired_difference};
use lowgear_eval::suite::TestSuite;
use rayon::prelude::*;
use std::path::Path;
use std::sync::Arc;
use tuned::rule;

/// Seed of the studies.
const SEED: u64 = 2026;
/// Views, m ahead of the first touch: no sensor, a feeler, an exact preview.
const VIEWS_M: [f64; 3] = [0.0, 0.3, 1.0];
/// Weight on the charges: a ceiling holds with any.
const WEIGHT: f64 = 0.7;

fn main() {
    // A bench is also given the words of the harness.
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let vehicle = config::load(&configs.join("vehicles/demo-cart-feeler.toml")).unwrap();
    let course = load_course(&configs.join("courses").join(format!("{}.toml", words[0]))).unwrap();
    let scenario = Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(SEED));
    let suite = TestSuite::new(&scenario, words.get(1).map_or(60, |word| word.parse().unwrap()));
    let ceiling = Ceiling::new(&scenario).unwrap();
    let mut views = vec![View { ahead_m: 0.0, weight: 0.0 }];
    views.extend(VIEWS_M.map(|ahead_m| View { ahead_m, weight: WEIGHT }));
    let rows: Vec<(f64, Vec<f64>)> = (0..suite.courses)
        .into_par_iter()
        .map(|episode| {
            let mut drive = Drive::new(Arc::clone(suite.scenario()), episode);
            let values = ceiling.start_values(&drive, GridResolution::default(), &views);
            let plan = Plan::new(&drive, GridResolution::default());
            drive_plan(&mut drive, &plan);
            (drive.outcome().reward.total_s(), values)
        })
        .collect();
    let driven: Vec<f64> = rows.iter().map(|row| row.0).collect();
    let value = |n: usize| rows.iter().map(|row| row.1[n]).collect::<Vec<f64>>();
    let rule = rule();
    let of_rule: Vec<f64> = suite.outcomes(|| rule.clone()).iter().map(|o| o.reward.total_s()).collect();
    row("rule without a preview", of_rule, &value(0));
    row("plan, driven", driven, &value(0));
    row("plan, value", value(0), &value(0));
    for (n, ahead_m) in VIEWS_M.iter().enumerate() {
        row(&format!("ceiling, {ahead_m} m ahead"), value(n + 1), &value(0));
    }
}

/// One line: mean return, and how far it lies below the plan's value.
fn row(name: &str, returns: Vec<f64>, plan: &[f64]) {
    let (own, plan) = (Scores::new(&[returns]).unwrap(), Scores::new(&[plan.to_vec()]).unwrap());
    let below = paired_difference(&plan, &own, 0.95).unwrap().estimate;
    println!(
        "{name:<28} {:8.2} s, below the plan {:+6.2} s ({:+6.2} to {:+6.2})",
        own.mean(),
        below.mean,
        below.low,
        below.high
    );
}
