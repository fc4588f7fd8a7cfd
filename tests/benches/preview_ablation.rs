//! What of a preview is lost on the way from the clairvoyant plan to what a controller with a feeler can know: the plan
//! that sees the ground ahead, with one thing after the other taken away. Run with
//! `cargo bench --workspace --bench preview_ablation -- GROUND [COURSES] [TRAINING COURSES] [NAMES]`.
//!
//! GROUND is the name of a shipped course for the cart with a feeler. With NAMES, joined by `+`, only rows that hold one of them are
//! driven. Differences are to a tuned rule without a preview on the same courses, with Student's interval of 95 %.

#![expect(clippy::unwrap_used, reason = "a measurement that cannot begin has nobody to tell but its reader")]

mod driven;

use driven::{each, row};
use lowgear_agents::policy::Policy;
use lowgear_agents::rule::{Rule, RuleSettings, Signal};
use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, Step, World, config, load_course, run_episode};
use lowgear_eval::bound::{
    GridResolution, HeightClasses, Heights, Knowledge, Plan, Position, Preview, PreviewSensor, Typical,
    counted_offset_m, drive_plan, drive_preview,
};
use lowgear_eval::suite::{TestSuite, TrainingSuite};
use std::path::Path;
use std::sync::Arc;

/// Range of the preview, m: that of the feeler.
const RANGE_M: f64 = 0.3;
/// Seed of the studies.
const SEED: u64 = 2026;
/// The classes of the feeler of the studies, and the mean heights that the courses have in each.
const CLASSES: HeightClasses =
    HeightClasses { low_m: 0.0025, high_m: 0.0055, low_taken_m: 0.0043, high_taken_m: 0.0066 };

/// The same with a higher limit.
const FROM_6_MM: HeightClasses =
    HeightClasses { low_m: 0.0025, high_m: 0.006, low_taken_m: 0.0046, high_taken_m: 0.0068 };

fn main() {
    // A bench is also given the words of the harness.
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let number = |i: usize, usual| words.get(i).map_or(usual, |word| word.parse().unwrap());
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let vehicle = config::load(&configs.join("vehicles/demo-cart-feeler.toml")).unwrap();
    let course = load_course(&configs.join("courses").join(format!("{}.toml", words[0]))).unwrap();
    let scenario = Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(SEED));
    let (suite, learned) = (TestSuite::new(&scenario, number(1, 100)), TrainingSuite::new(&scenario));
    let starts: Vec<Drive> =
        (0..number(2, 60)).map(|e| Drive::new(Arc::clone(learned.scenario()), e)).collect();
    let typical = Typical::of(&starts, GridResolution::default());
    let only = words.get(3).map_or("", String::as_str);
    let rule = rule();
    let base = suite.outcomes(|| rule.clone());
    counted(&suite);
    row("rule without a preview", &base, &base);
    let outcomes = each(&suite, |drive| {
        let plan = Plan::new(drive, GridResolution::default());
        drive_plan(drive, &plan);
    });
    row("whole course", &outcomes, &base);
    for (name, sensor, knowledge) in
        steps().into_iter().filter(|(name, ..)| only.split('+').any(|part| name.contains(part)))
    {
        let outcomes = each(&suite, |drive| {
            let mut preview = Preview::with(drive, GridResolution::default(), &typical, sensor, knowledge);
            drive_preview(drive, &mut preview);
        });
        row(name, &outcomes, &base);
    }
}

/// What is seen and known, by name: first each thing taken away alone, then all of them one after the other.
fn steps() -> Vec<(&'static str, PreviewSensor, Knowledge)> {
    let (all, knowing) = (PreviewSensor::perfect(RANGE_M), Knowledge::ALL);
    let obstacles = PreviewSensor::of_obstacles(RANGE_M);
    let nothing = PreviewSensor { obstacles: false, ..obstacles };
    let classes = PreviewSensor { heights: Heights::Classes(CLASSES), ..obstacles };
    let next = PreviewSensor { most_ahead: 1, ..classes };
    let nominal = Knowledge { vehicle: false, ..knowing };
    let measured = Knowledge { speed: false, ..nominal };
    let late = Knowledge { position: Position::Late, ..measured };
    let counted = Knowledge { position: Position::Counted, ..knowing };
    vec![
        ("all ahead", all, knowing),
        ("nothing ahead", nothing, knowing),
        ("obstacles alone", obstacles, knowing),
        ("- heights", classes, knowing),
        (
            "- heights, high from 6 mm",
            PreviewSensor { heights: Heights::Classes(FROM_6_MM), ..obstacles },
            knowing,
        ),
        (
            "control: heights in steps of 0.01 mm",
            PreviewSensor { heights: Heights::Steps(1e-5), ..obstacles },
            knowing,
        ),
        ("heights in steps of 2 mm", PreviewSensor { heights: Heights::Steps(0.002), ..obstacles }, knowing),
        ("heights in steps of 1 mm", PreviewSensor { heights: Heights::Steps(0.001), ..obstacles }, knowing),
        ("the next two", PreviewSensor { most_ahead: 2, ..obstacles }, knowing),
        ("the next three", PreviewSensor { most_ahead: 3, ..obstacles }, knowing),
        ("- all but the next", PreviewSensor { most_ahead: 1, ..obstacles }, knowing),
        ("- vehicle", obstacles, nominal),
        ("- speed", obstacles, Knowledge { speed: false, ..knowing }),
        ("- position", obstacles, Knowledge { position: Position::Late, ..knowing }),
        ("- position, as counted on board", obstacles, counted),
        ("- position, sd 0.01 m", PreviewSensor { position_sd_m: 0.01, ..obstacles }, knowing),
        ("- vehicle, speed, position", obstacles, late),
        ("- heights, next", next, knowing),
        ("- heights, next, vehicle", next, nominal),
        ("- heights, next, vehicle, speed", next, measured),
        ("- heights ... position", next, late),
        ("nothing ahead, - vehicle, speed, position", nothing, late),
    ]
}

/// The load-ratio rule as one of the searches of the study on the level path left it.
fn rule() -> Rule {
    let settings = RuleSettings {
        signal: Signal::SpeedRatio,
        up_permille: vec![0, 564],
        down_permille: vec![190, 0],
        hold_decisions: 15,
        stall_ticks: Some(1),
        tilt_hold_ddeg: None,
        retry_ticks: 0,
        retry_growth: 1.0,
        steps_down: true,
        dwell_ticks: None,
        preview: None,
    };
    Rule::new(settings, 3).unwrap()
}

/// How far off the controller's count of the way to the next strike is while the rule drives, by gear: a line each.
fn counted(suite: &TestSuite) {
    let mut offsets_mm: Vec<Vec<f64>> = vec![Vec::new(); suite.scenario().gears()];
    for episode in 0..suite.courses {
        let (mut drive, mut rule) = (Drive::new(Arc::clone(suite.scenario()), episode), rule());
        let note = |drive: &Drive, _, _: &Step| {
            let gear = usize::from(drive.controller().guard().gear());
            offsets_mm[gear].extend(counted_offset_m(drive).map(|offset_m| -1000.0 * offset_m));
        };
        run_episode(&mut drive, |drive| rule.decide(drive.observation(), drive.mask()), note);
    }
    for (gear, offsets_mm) in offsets_mm.iter().enumerate() {
        let count = offsets_mm.len() as f64;
        let mean = offsets_mm.iter().sum::<f64>() / count;
        let variance = offsets_mm.iter().map(|offset| (offset - mean).powi(2)).sum::<f64>() / count;
        println!("gear {}: {count} counts, too far by {mean:+.1} mm, sd {:.1} mm", gear + 1, variance.sqrt());
    }
}
