//! Whole episodes in closed loop against an independent solution in Python and NumPy: the demo cart, its sensors
//! without noise, features, guard and hand-written rule, on a hundred drawn carts and courses.

use super::demo_cart::{cart, garden};
use super::peer::described;
use crate::sandbox::repository;
use lowgear_agents::rule::{Rule, RuleSettings, Signal};
use lowgear_env::config::{self, Check, KeyError, ParameterDistribution};
use lowgear_env::vehicle::{
    DogConfig, EncoderConfig, NoisyConfig, SelectorConfig, VariationConfig, VehicleConfig,
};
use lowgear_env::{Cause, Drive, EpisodeConfig, Scenario, Seed, TraceRow};
use lowgear_eval::suite::{play, play_on};
use serde_json::{Value, json};
use std::path::Path;
use std::process::Command;
use std::sync::Arc;
use std::time::Instant;

const COURSES: u64 = 100;
/// Longest step of the peer, s.
const STEP_S: f64 = 2.5e-3;
/// The features are compared once, this long after the start, s.
const LOOK_S: f64 = 10.0;
/// They may differ by this, permille or tenths of a degree: an encoder count is some 9 permille.
const FEATURE: u64 = 20;
/// What the relative differences of time and energy may come to in the median and at the 90th percentile: some
/// five times what is measured.
const MEDIAN: f64 = 1e-4;
const NINE_IN_TEN: f64 = 0.03;

/// What must agree, and in which share of the courses at the least.
type Agreement = (&'static str, f64, fn(&Run, &Run) -> bool);
const AGREEMENTS: [Agreement; 3] = [
    ("the same end", 0.97, |a, b| a.cause == b.cause),
    ("the same shifts", 0.75, |a, b| a.shifts == b.shifts),
    ("the same features", 0.85, |a, b| {
        a.features.iter().zip(&b.features).all(|(x, y)| x.abs_diff(*y) <= FEATURE)
    }),
];
type Figure = (&'static str, fn(&Run) -> f64);
const FIGURES: [Figure; 2] = [("time", |run| run.time), ("energy", |run| run.energy)];

/// The demo cart with sensors that do not err and are not late, a selector that arrives where it should and lets go under any
/// torque, and one dog with a gap all round: at the speed differences that occur it enters but for one try in
/// a hundred thousand. From cart to cart it varies as ever.
fn exact_cart() -> VehicleConfig {
    let cart = cart();
    let quiet = |sensor: Option<NoisyConfig>| sensor.map(|s| NoisyConfig { noise: 0.0, ..s });
    let mut sensors = cart.sensors;
    sensors.encoder = EncoderConfig { noise: 0.0, ..sensors.encoder };
    (sensors.battery, sensors.tilt) = (quiet(sensors.battery), quiet(sensors.tilt));
    let at_once = ParameterDistribution::Fixed(0.0);
    VehicleConfig {
        variation: VariationConfig { latency_ticks: at_once, ..cart.variation },
        sensors,
        selector: SelectorConfig {
            arrival_error_deg: 0.0,
            interrupted_error_deg: 0.0,
            release_torque_nm: 1e3,
            ..cart.selector
        },
        dogs: DogConfig { count: 1, gap_deg: 360.0, overlap_mm: 0.05, axial_speed_mm_s: 5000.0, ..cart.dogs },
        ..cart
    }
}

/// What the demo study says about rule and episode.
#[derive(serde::Deserialize, schemars::JsonSchema)]
struct DemoStudy {
    rule: RuleSettings,
    episode: EpisodeConfig,
}

impl Check for DemoStudy {
    fn check(&self) -> Result<(), KeyError> {
        self.episode.check()
    }
}

fn demo_study() -> DemoStudy {
    config::load(&repository().join("configs/studies/demo.toml")).unwrap()
}

/// Outcome of an episode, here or there.
#[derive(serde::Deserialize)]
struct Run {
    cause: Cause,
    time: f64,
    energy: f64,
    /// Gears that the shifts were to lead to, 0 is the lowest.
    shifts: Vec<u8>,
    /// Speed ratio, slow and peak load, and tilt as the controller has them at the look.
    features: Vec<i64>,
}

/// The peer's answer.
#[derive(serde::Deserialize)]
struct Answer {
    runs: Vec<Run>,
    ticks: u64,
    cpu_s: f64,
}

fn our_run(scenario: &Arc<Scenario>, rule: &Rule, episode: u64) -> Run {
    let mut drive = Drive::new(Arc::clone(scenario), episode).with_trace();
    play_on(&mut drive, &mut rule.clone());
    let outcome = drive.outcome();
    assert_eq!(outcome.missed_engagements, 0, "the dogs always enter");
    let look = (LOOK_S / drive.vehicle().tick_s).round() as usize;
    let rows = drive.into_trace();
    let to = |row: &TraceRow| if row.request == "up" { row.gear } else { row.gear - 2 };
    let seen = &rows[look - 1];
    let features = [
        seen.speed_ratio_permille,
        seen.load_slow_permille,
        seen.load_peak_permille,
        seen.tilt_filtered_ddeg,
    ];
    Run {
        cause: outcome.cause,
        time: rows[rows.len() - 1].time_s,
        energy: outcome.energy_j,
        shifts: rows.iter().filter(|r| r.verdict == "accepted").map(to).collect(),
        features: features.map(i64::from).to_vec(),
    }
}

/// The constants of the peer's controller, from the files.
fn settings(scenario: &Scenario) -> Value {
    let (v, e) = (&scenario.vehicle, &scenario.episode);
    let angles: Vec<f64> = (0..scenario.gears()).map(|g| v.selector.gear_angle_deg(g).unwrap()).collect();
    assert!(v.guard.tilt_limit_deg.is_none() && v.sensors.latency_ticks == 0 && e.start_gear == 1);
    json!({
        "tick_s": v.controller.tick_s, "decision_ticks": v.controller.decision_ticks,
        "fast_shift": v.controller.fast_shift, "slow_shift": v.controller.slow_shift,
        "tilt_shift": v.controller.tilt_shift, "peak_shift": v.controller.peak_shift,
        "failed_window_s": v.controller.failed_window_s, "pulses": v.sensors.encoder.pulses_per_turn,
        "battery_step": v.sensors.battery.unwrap().resolution, "tilt_step": v.sensors.tilt.unwrap().resolution,
        "nominal_v": v.battery.nominal_voltage_v, "limit_c": v.motor.heat.winding_limit_c,
        "cut_lead_ticks": v.guard.cut_lead_ticks, "min_dwell_s": v.guard.min_dwell_s,
        "stall_cut_s": v.guard.stall_cut_s, "stall_rest_s": v.guard.stall_rest_s, "angle": angles,
        "servo": [v.selector.speed_deg_s, v.selector.acceleration_deg_s2, v.selector.settling_s],
        "throttle": e.throttle_permille, "give_up_s": e.give_up_s, "time_limit_s": e.time_limit_s,
        "look_s": LOOK_S,
    })
}

fn rule_row(rule: &RuleSettings) -> Value {
    assert!(rule.tilt_hold_ddeg.is_none() && rule.steps_down, "the peer's rule has neither");
    json!({
        "ratio": rule.signal == Signal::SpeedRatio, "up": rule.up_permille, "down": rule.down_permille,
        "hold_decisions": rule.hold_decisions, "stall_ticks": rule.stall_ticks,
        "retry_ticks": rule.retry_ticks, "retry_growth": rule.retry_growth,
    })
}

/// The answer of the Python program, or `None` where Python or NumPy is missing.
fn peer_runs(given: &Value, name: &str) -> Option<Answer> {
    let there = Command::new("python3").args(["-c", "import numpy"]).output();
    if !there.is_ok_and(|out| out.status.success()) {
        println!("SKIPPED: needs python3 with NumPy");
        return None;
    }
    let file = Path::new(env!("CARGO_TARGET_TMPDIR")).join(name);
    std::fs::write(&file, serde_json::to_vec(given).unwrap()).unwrap();
    let out = Command::new("python3")
        .env("PYTHONDONTWRITEBYTECODE", "1")
        .arg(repository().join("tests/peer/closed_loop.py"))
        .arg(&file)
        .arg(STEP_S.to_string())
        .output()
        .unwrap();
    assert!(out.status.success(), "{}", String::from_utf8_lossy(&out.stderr));
    Some(serde_json::from_slice(&out.stdout).unwrap())
}

/// The value that this share of them does not pass.
fn at(mut values: Vec<f64>, share: f64) -> f64 {
    values.sort_by(f64::total_cmp);
    values[((values.len() - 1) as f64 * share).round() as usize]
}

/// Ticks per second of processor time on one thread, without a trace.
fn our_ticks_per_s(scenario: &Arc<Scenario>, rule: &Rule) -> f64 {
    let began = Instant::now();
    let ticks: u64 = (0..COURSES).map(|n| play(scenario, &mut rule.clone(), n).1).sum();
    ticks as f64 / began.elapsed().as_secs_f64()
}

/// A question to the peer: what it needs to drive the same episodes by the same rule.
fn question(scenario: &Scenario, rule: &RuleSettings) -> Value {
    let courses: Vec<Value> = (0..COURSES)
        .map(|n| {
            let (vehicle, track) = scenario.instantiate(n);
            described(&vehicle, &track.course)
        })
        .collect();
    json!({ "courses": courses, "settings": settings(scenario), "rule": rule_row(rule) })
}

/// Compares a hundred episodes on courses of this length and prints the figures.
fn assert_close(name: &str, length_m: f64, rule: RuleSettings) {
    let mut ground = garden();
    ground.random.as_mut().unwrap().length_m = length_m;
    let scenario = Arc::new(Scenario::new(exact_cart(), (ground, None), demo_study().episode, Seed(41)));
    let Some(answer) = peer_runs(&question(&scenario, &rule), &format!("{name}.json")) else { return };
    let rule = Rule::new(rule, scenario.gears()).unwrap();
    let runs: Vec<Run> = (0..COURSES).map(|n| our_run(&scenario, &rule, n)).collect();
    let pairs: Vec<(&Run, &Run)> = runs.iter().zip(&answer.runs).collect();
    for (what, least, is_so) in AGREEMENTS {
        let share = pairs.iter().filter(|(a, b)| is_so(a, b)).count() as f64 / COURSES as f64;
        println!("{name}: {what} in {share} of the courses");
        assert!(share >= least, "{name}: {what} in {share} of the courses");
    }
    let finished = |run: &Run| run.cause == Cause::Finished;
    let both: Vec<_> = pairs.into_iter().filter(|(a, b)| finished(a) && finished(b)).collect();
    for (what, figure) in FIGURES {
        let off = both.iter().map(|(a, b)| (figure(a) - figure(b)).abs() / figure(b)).collect::<Vec<f64>>();
        let [median, most, worst] = [0.5, 0.9, 1.0].map(|share| at(off.clone(), share));
        println!("{name}, {what}: median {median:.1e}, 90th percentile {most:.1e}, worst {worst:.1e}");
        assert!(median < MEDIAN && most < NINE_IN_TEN, "{name}, {what}: {median:e}, {most:e}");
    }
    let (ours, theirs) = (our_ticks_per_s(&scenario, &rule), answer.ticks as f64 / answer.cpu_s);
    println!(
        "{name}: {ours:.2e} ticks a second on one thread, the peer {theirs:.2e}, {:.0} times",
        ours / theirs
    );
}

/// The rule as the study has it, on its courses. Measured on 100 courses: all end alike, 87 with the same shifts
/// from start to finish, 95 with the same features after 10 s; median and 90th percentile of the relative
/// differences: time 4.7e-6 and 6.4e-3, energy 2.0e-5 and 4.8e-3, worst 0.13 and 0.02. The 90th percentile is of
/// courses that fork: one stall or threshold a tick earlier, and another shift follows.
/// Speed of one thread, alone on its core: 2.6e6 ticks a second against 6.8e3, some 380 times.
#[test]
#[ignore = "two minutes"]
fn whole_episodes_agree_with_an_independent_solution() {
    assert_close("whole", 15.0, demo_study().rule);
}

/// The same, quickly, with the rule on the speed ratio, which takes the battery's voltage into account. Measured:
/// 98 with the same shifts, time 9.1e-7 and 1.6e-5, energy 3.5e-6 and 4.7e-5.
#[test]
fn short_episodes_agree_with_an_independent_solution() {
    assert_close("short", 3.0, RuleSettings { signal: Signal::SpeedRatio, ..demo_study().rule });
}

/// Leaves the whole courses in the file that this variable names.
#[test]
#[ignore = "hands the peer's courses to env/python/benches/stepping.py"]
fn courses_for_the_stepping_bench() {
    let file = std::env::var_os("LOWGEAR_PEER_COURSES").expect("the name of a file");
    let scenario = Scenario::new(exact_cart(), (garden(), None), demo_study().episode, Seed(41));
    std::fs::write(file, serde_json::to_vec(&question(&scenario, &demo_study().rule)).unwrap()).unwrap();
}
