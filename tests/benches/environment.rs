//! How fast episodes run: controller ticks per second with the full model.
//!
//! Items are controller ticks. Run with `cargo bench --bench environment`.

use divan::Bencher;
use divan::counter::ItemsCount;
use lowgear_agents::policy::Policy;
use lowgear_agents::rule::{Rule, RuleSettings};
use lowgear_env::vehicle::VehicleConfig;
use lowgear_env::{Drive, EpisodeConfig, Scenario, Seed, World, config, load_course};
use rayon::prelude::*;
use std::path::Path;
use std::sync::Arc;

fn main() {
    divan::main();
}

/// The demo cart on its own ground, and a threshold rule.
fn demo() -> (Arc<Scenario>, Rule) {
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let vehicle: VehicleConfig = config::load(&configs.join("vehicles/demo-cart.toml")).unwrap();
    let course = load_course(&configs.join("courses/garden-mix.toml")).unwrap();
    let scenario = Scenario::new(vehicle, course, EpisodeConfig::default(), Seed(2026));
    let rule = Rule::new(RuleSettings::two_sided(3, 850, 400, 10), scenario.gears()).unwrap();
    (Arc::new(scenario), rule)
}

/// Drives one episode to its end; returns its ticks.
fn drive(scenario: &Arc<Scenario>, rule: &mut Rule, episode: u64) -> u64 {
    let mut drive = Drive::new(Arc::clone(scenario), episode);
    rule.reset();
    loop {
        let request = rule.decide(drive.observation(), drive.mask());
        if World::step(&mut drive, request as usize).end.is_some() {
            return drive.ticks();
        }
    }
}

#[divan::bench(args = [1, 64, 1024])]
fn one_thread(bencher: Bencher, episodes: u64) {
    let (scenario, rule) = demo();
    let ticks: u64 = (0..episodes).map(|e| drive(&scenario, &mut rule.clone(), e)).sum();
    bencher
        .counter(ItemsCount::new(ticks))
        .bench_local(|| (0..episodes).map(|e| drive(&scenario, &mut rule.clone(), e)).sum::<u64>());
}

#[divan::bench(args = [64, 1024])]
fn every_thread(bencher: Bencher, episodes: u64) {
    let (scenario, rule) = demo();
    let ticks: u64 = (0..episodes).map(|e| drive(&scenario, &mut rule.clone(), e)).sum();
    bencher.counter(ItemsCount::new(ticks)).bench_local(|| {
        (0..episodes).into_par_iter().map(|e| drive(&scenario, &mut rule.clone(), e)).sum::<u64>()
    });
}
