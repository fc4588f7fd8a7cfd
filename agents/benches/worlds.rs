//! How many decisions a second a policy network learns from, all in: acting, worlds, learning. The demonstration's cart,
//! rule and network.
//!
//! `cargo bench --workspace --bench worlds -- 200000 16 1024 6 256 1 64 1` takes decisions, worlds, decisions of an
//! iteration, passes over them, decisions of a learning step, threads, width of the layers and seed. Of words, `cuda` has a
//! GPU learn (`--features lowgear-agents/cuda`), `alone` leaves the guide out, and `validate` prints the return of the last
//! iteration and, with the likeliest actions, on other courses. Seconds are of the clock and of the processor, over all
//! threads.
#![expect(clippy::unwrap_used, reason = "a measurement that cannot be made has failed")]

use lowgear_agents::ppo::{
    self, EnvSlot, FeatureScaler, IterationResult, LearningDevice, Ppo, PpoConfig, RuleGuide,
};
use lowgear_agents::rule::{RuleSettings, Signal};
use lowgear_env::{Drive, EpisodeConfig, RewardConfig, Scenario, Seed, config, load_course};
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Gears of the demo cart.
const GEARS: usize = 3;

fn main() {
    let words: Vec<u64> = std::env::args().skip(1).filter_map(|word| word.parse().ok()).collect();
    let is_asked = |asked: &str| std::env::args().any(|word| word == asked);
    let number = |i: usize, default: u64| words.get(i).copied().unwrap_or(default);
    let decisions = number(0, 200_000);
    let config = PpoConfig {
        hidden: vec![usize::try_from(number(6, 64)).unwrap(); 2],
        gamma_per_s: 0.95,
        num_envs: usize::try_from(number(1, 16)).unwrap(),
        n_steps: number(2, 1024),
        epochs: number(3, 6),
        batch: usize::try_from(number(4, 256)).unwrap(),
        target_kl: None,
        guide_bias: if is_asked("alone") { 0.0 } else { PpoConfig::default().guide_bias },
        device: if is_asked("cuda") { LearningDevice::Cuda } else { LearningDevice::Cpu },
        ..PpoConfig::default()
    };
    let rule = RuleSettings { signal: Signal::SpeedRatio, ..RuleSettings::two_sided(GEARS, 790, 400, 10) };
    let env_slot = EnvSlot {
        world: courses(1),
        encode: FeatureScaler::new(GEARS as u8, 1),
        guide: RuleGuide::new(rule.patient(60, 1.5), GEARS).unwrap(),
    };
    let mut learner = Ppo::new(config.clone(), env_slot.encode.inputs(), 3, Seed(number(7, 1))).unwrap();
    let mut env_slots = vec![env_slot.clone(); config.num_envs];
    let (start, cpu_s) = (Instant::now(), processor_s());
    let threads = usize::try_from(number(5, 1)).unwrap();
    let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
    let mut last = Vec::new();
    let keep = |_: &Ppo, iteration: &IterationResult| {
        last = iteration.episodes.iter().map(|episode| episode.sum_of_rewards).collect();
        ControlFlow::Continue(())
    };
    // On one of the pool's threads, as a study trains.
    pool.install(|| ppo::train(&mut learner, &mut env_slots, decisions, keep)).unwrap();
    let (clock_s, cpu_s) = (start.elapsed().as_secs_f64(), processor_s() - cpu_s);
    let n = learner.decisions() as f64;
    println!(
        "{n} decisions, {} learning steps: {clock_s:.2} s, {cpu_s:.2} s of the processor; {:.0} a second, {:.0} a second of one core; most memory {:.0} MiB",
        learner.learn_steps(),
        n / clock_s,
        n / cpu_s,
        most_memory_mib()
    );
    if is_asked("validate") {
        let mean = last.iter().sum::<f64>() / last.len() as f64;
        println!("return {mean:.2} s, on other courses {:.2} s", validation(&learner, env_slot));
    }
}

/// Mean return of the likeliest actions on courses that were not learned from.
fn validation(learner: &Ppo, env_slot: EnvSlot<Drive, FeatureScaler, RuleGuide>) -> f64 {
    let EnvSlot { mut encode, mut guide, .. } = env_slot;
    let (mut actor, mut world, episodes) = (learner.actor().unwrap(), courses(2), 200_u64);
    let returns = (0..episodes)
        .map(|episode| ppo::greedy_return(&mut actor, &mut world, &mut encode, &mut guide, episode));
    returns.sum::<f64>() / episodes as f64
}

/// The courses of a seed.
fn courses(seed: u64) -> Drive {
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let vehicle = config::load(&configs.join("vehicles/demo-cart.toml")).unwrap();
    let course = load_course(&configs.join("courses/garden-mix.toml")).unwrap();
    let reward = RewardConfig { reference_speed_m_s: 0.2, ..RewardConfig::default() };
    let rules = EpisodeConfig { reward, ..EpisodeConfig::default() };
    Drive::new(Arc::new(Scenario::new(vehicle, course, rules, Seed(seed))), 0)
}

/// Seconds on processors of all threads.
fn processor_s() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // Behind the name in brackets, ticks of 10 ms in user mode and in the kernel are the 12th and 13th number.
    let behind = text.rsplit(')').next().unwrap_or_default().split_whitespace();
    let ticks: f64 = behind.skip(11).take(2).filter_map(|word| word.parse::<f64>().ok()).sum();
    ticks / 100.0
}

fn most_memory_mib() -> f64 {
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap_or("0");
    let kib: f64 = peak.split_whitespace().next().and_then(|n| n.parse().ok()).unwrap_or(0.0);
    kib / 1024.0
}
