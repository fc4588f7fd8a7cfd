//! How fast episodes run: controller ticks per second with the full model.
//!
//! Items are controller ticks (and, for the roof, arithmetic operations). The vehicle is the demo cart on its own
//! ground with noise, guard, features, reward and statistics, driven by a threshold rule; laying the course is
//! part of every episode. Run with `cargo bench --workspace --bench environment`.

#![expect(clippy::unwrap_used, reason = "a benchmark that cannot begin has nobody to tell but its reader")]

use divan::Bencher;
use divan::counter::ItemsCount;
use lowgear_agents::policy::Policy;
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, World, config, load_course};
use rayon::prelude::*;
use std::hint::black_box;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

fn main() {
    introduce();
    divan::main();
}

/// The demo cart on its own ground, and a threshold rule.
fn demo(length_m: f64) -> (Arc<Scenario>, Rule) {
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let vehicle: VehicleConfig = config::load(&configs.join("vehicles/demo-cart.toml")).unwrap();
    let (mut course, measured) = load_course(&configs.join("courses/garden-mix.toml")).unwrap();
    if let Some(random) = &mut course.random {
        random.length_m = length_m;
    }
    let scenario = Scenario::new(vehicle, (course, measured), EpisodeConfig::default(), Seed(2026));
    let rule = Rule::new(RuleSettings::two_sided(3, 850, 400, 10), scenario.gears()).unwrap();
    (Arc::new(scenario), rule)
}

/// Length of the ground in its file, m.
const FULL_M: f64 = 15.0;
/// Short courses, for many episodes, m.
const SHORT_M: f64 = 2.0;

/// Drives one episode to its end; returns its ticks and those that were not steady-state driving.
fn drive(scenario: &Arc<Scenario>, rule: &Rule, episode: u64) -> [u64; 2] {
    let mut drive = Drive::new(Arc::clone(scenario), episode);
    let mut rule = rule.clone();
    rule.reset();
    loop {
        let request = rule.decide(drive.observation(), drive.mask());
        if World::step(&mut drive, request as usize).end.is_some() {
            return [drive.ticks(), drive.event_ticks()];
        }
    }
}

fn ticks(scenario: &Arc<Scenario>, rule: &Rule, episodes: u64) -> u64 {
    (0..episodes).map(|episode| drive(scenario, rule, episode)[0]).sum()
}

fn ticks_on_every_thread(scenario: &Arc<Scenario>, rule: &Rule, episodes: u64) -> u64 {
    (0..episodes).into_par_iter().map(|episode| drive(scenario, rule, episode)[0]).sum()
}

/// What the figures below rest on.
fn introduce() {
    let (scenario, rule) = demo(FULL_M);
    let counted: Vec<[u64; 2]> = (0..200).map(|episode| drive(&scenario, &rule, episode)).collect();
    let [all, with_events] = [0, 1].map(|i| counted.iter().map(|c| c[i]).sum::<u64>());
    let obstacles: usize =
        (0..200).map(|episode| scenario.instantiate(episode).1.course.obstacles.len()).sum();
    println!(
        "200 episodes of {FULL_M} m: {:.0} ticks each, {:.1} % of them not steady-state driving, {:.2} obstacles per m",
        all as f64 / 200.0,
        100.0 * with_events as f64 / all as f64,
        obstacles as f64 / (200.0 * FULL_M),
    );
    let (wall, cpu) = (Instant::now(), cpu_s());
    let driven = ticks_on_every_thread(&scenario, &rule, 400) as f64;
    let (wall_s, cpu_s) = (wall.elapsed().as_secs_f64(), cpu_s() - cpu);
    println!(
        "400 of them on {} threads: {:.1} million ticks per s, {:.2} CPU-seconds in {wall_s:.2} s, {:.0} ns of CPU per tick",
        rayon::current_num_threads(),
        1e-6 * driven / wall_s,
        cpu_s,
        1e9 * cpu_s / driven,
    );
}

/// CPU time of the process so far, s; 0 where `/proc` does not tell.
fn cpu_s() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields = text.rsplit(')').next().unwrap_or("").split_whitespace();
    // utime and stime in hundredths of a second.
    fields.skip(11).take(2).filter_map(|f| f.parse::<f64>().ok()).sum::<f64>() / 100.0
}

#[divan::bench(args = [1, 16, 256], sample_count = 5)]
fn one_thread(bencher: Bencher, episodes: u64) {
    let (scenario, rule) = demo(FULL_M);
    let items = ItemsCount::new(ticks(&scenario, &rule, episodes));
    bencher.counter(items).bench_local(|| ticks(&scenario, &rule, episodes));
}

#[divan::bench(args = [16, 256, 1024], sample_count = 5)]
fn every_thread(bencher: Bencher, episodes: u64) {
    let (scenario, rule) = demo(FULL_M);
    let items = ItemsCount::new(ticks_on_every_thread(&scenario, &rule, episodes));
    bencher.counter(items).bench_local(|| ticks_on_every_thread(&scenario, &rule, episodes));
}

#[divan::bench(args = [1, 16, 256, 4096, 65_536], sample_count = 3)]
fn every_thread_short_courses(bencher: Bencher, episodes: u64) {
    let (scenario, rule) = demo(SHORT_M);
    let items = ItemsCount::new(ticks_on_every_thread(&scenario, &rule, episodes));
    bencher.counter(items).bench_local(|| ticks_on_every_thread(&scenario, &rule, episodes));
}

/// Laying a course and drawing a vehicle; items are episodes.
#[divan::bench(sample_count = 20)]
fn laying(bencher: Bencher) {
    let (scenario, _) = demo(FULL_M);
    bencher.counter(ItemsCount::new(64u64)).bench_local(|| {
        (0..64).map(|episode| black_box(scenario.instantiate(episode)).1.course.segments.len()).sum::<usize>()
    });
}

/// The roof of scalar arithmetic: independent multiplications and additions of doubles on one thread; items are
/// operations.
#[divan::bench(sample_count = 20)]
fn roof(bencher: Bencher) {
    const STEPS: u64 = 1_000_000;
    bencher.counter(ItemsCount::new(16 * STEPS)).bench_local(|| {
        let mut lanes = black_box([1.0f64, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7]);
        let (scale, shift) = (black_box(0.999_999), black_box(1e-7));
        for _ in 0..STEPS {
            for lane in &mut lanes {
                *lane = *lane * scale + shift;
            }
        }
        lanes
    });
}
