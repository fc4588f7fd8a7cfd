//! One training run from nothing on the demo cart, without a guide, to be set next to one in Python:
//! `env/python/benches/training.py` runs it, and tells what the settings mean there.
//!
//! Words: learner (`ppo` or `dqn`), seed, decisions, decisions between two looks. Every line but the last is a look:
//! decisions, seconds, seconds of the processor (judging not counted in either), mean return over 20 validation
//! courses. The last line is the most memory in use, MiB.
#![expect(clippy::unwrap_used, reason = "a measurement that cannot be made has failed")]

use lowgear_agents::dqn::{self, Dqn, DqnConfig, FeatureScaler, TargetUpdate};
use lowgear_agents::ppo::{self, EnvSlot, Ppo, PpoConfig};
use lowgear_agents::schedule::Schedule;
use lowgear_env::{Drive, EpisodeConfig, RewardConfig, Scenario, Seed, config, load_course};
use lowgear_onboard::Features;
use std::ops::ControlFlow;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Gears of the demo cart.
const GEARS: u8 = 3;
const JUDGED: u64 = 20;
/// Duration of most decisions, s: the counterpart discounts by decision.
const DECISION_S: f64 = 0.2;
const REWARD_SCALE: f32 = 0.2;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let number = |i: usize| words.get(i).and_then(|word| word.parse::<u64>().ok());
    let (Some(learner), Some(seed), Some(decisions), Some(between)) =
        (words.first(), number(1), number(2), number(3))
    else {
        eprintln!("give ppo or dqn, a seed, decisions, and decisions between two looks");
        std::process::exit(2);
    };
    match learner.as_str() {
        "ppo" => run_ppo(seed, decisions, between),
        _ => run_dqn(seed, decisions, between),
    }
    let status = std::fs::read_to_string("/proc/self/status").unwrap_or_default();
    let peak = status.lines().find_map(|line| line.strip_prefix("VmHWM:")).unwrap_or("0");
    let kib: f64 = peak.split_whitespace().next().and_then(|n| n.parse().ok()).unwrap_or(0.0);
    println!("{:.1}", kib / 1024.0);
}

/// The courses of a seed: part 1 to train on, part 2 to be judged by.
fn courses(seed: u64, part: u64) -> Drive {
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../configs");
    let vehicle = config::load(&configs.join("vehicles/demo-cart.toml")).unwrap();
    let course = load_course(&configs.join("courses/garden-mix.toml")).unwrap();
    // Those of the demonstration.
    let reward = RewardConfig { reference_speed_m_s: 0.2, ..RewardConfig::default() };
    let rules = EpisodeConfig { reward, ..EpisodeConfig::default() };
    Drive::new(Arc::new(Scenario::new(vehicle, course, rules, Seed(seed).part(part))), 0)
}

fn no_guide(_: &Features) -> Option<usize> {
    None
}

/// Looks on from time to time, with the clocks stopped.
struct Watch {
    origin: Instant,
    judged: [f64; 2],
    next: u64,
    between: u64,
    world: Drive,
}

impl Watch {
    fn new(between: u64) -> Watch {
        Watch { origin: Instant::now(), judged: [0.0; 2], next: between, between, world: courses(2026, 2) }
    }

    fn clocks(&self) -> [f64; 2] {
        // Nanoseconds on a processor of the only thread.
        let text = std::fs::read_to_string("/proc/self/schedstat").unwrap_or_default();
        let ns: f64 = text.split_whitespace().next().and_then(|ns| ns.parse().ok()).unwrap_or(0.0);
        [self.origin.elapsed().as_secs_f64(), 1e-9 * ns]
    }

    fn look(&mut self, decisions: u64, mut sum_of_rewards: impl FnMut(&mut Drive, u64) -> f64) {
        if decisions < self.next {
            return;
        }
        let before = self.clocks();
        self.next = decisions + self.between;
        let world = &mut self.world;
        let mean = (0..JUDGED).map(|episode| sum_of_rewards(world, episode)).sum::<f64>() / JUDGED as f64;
        println!("{decisions} {:.4} {:.4} {mean:.3}", before[0] - self.judged[0], before[1] - self.judged[1]);
        let after = self.clocks();
        self.judged = [0, 1].map(|i| self.judged[i] + after[i] - before[i]);
    }
}

fn run_ppo(seed: u64, decisions: u64, between: u64) {
    let config = PpoConfig {
        hidden: vec![64, 64],
        gamma_per_s: 0.956_f64.powf(1.0 / DECISION_S),
        lambda_per_s: 0.774,
        // Whole episodes are lived in each: with several a round would be much longer than asked for.
        num_envs: 1,
        n_steps: 2048,
        epochs: 6,
        batch: 256,
        clip: 0.2,
        entropy_weight: Schedule::constant(0.01),
        learning_rate: Schedule::linear(2e-3, 1e-4, decisions),
        target_kl: None,
        normalise_observations: false,
        normalise_returns: false,
        reward_scale: REWARD_SCALE,
        guide_bias: 0.0,
        shift_threshold: 0.0,
        ..PpoConfig::default()
    };
    let scaler = FeatureScaler::new(GEARS, 1);
    let mut learner = Ppo::new(config, scaler.inputs(), 3, Seed(seed)).unwrap();
    let env_slot = EnvSlot { world: courses(seed, 1), encode: scaler.clone(), guide: no_guide };
    let mut watch = Watch::new(between);
    ppo::train(&mut learner, &mut [env_slot], decisions, |learner, _| {
        let mut actor = learner.actor().unwrap();
        watch.look(learner.decisions(), |world, n| {
            ppo::greedy_return(&mut actor, world, &mut scaler.clone(), &mut { no_guide }, n)
        });
        ControlFlow::Continue(())
    })
    .unwrap();
}

fn run_dqn(seed: u64, decisions: u64, between: u64) {
    let config = DqnConfig {
        hidden: vec![64, 64],
        dueling: false,
        double_q: false,
        n_step: 1,
        gamma_per_s: 0.99_f64.powf(1.0 / DECISION_S),
        reward_scale: REWARD_SCALE,
        replay_capacity: 50_000,
        warm_up: 2000,
        batch: 64,
        learn_every: 4,
        learn_steps: 1,
        learning_rate: Schedule::linear(1e-3, 1e-4, decisions),
        target: TargetUpdate::Soft { tau: 0.005 },
        epsilon: Schedule::linear(1.0, 0.05, decisions / 5),
        guide: Schedule::constant(0.0),
        guide_weight: Schedule::constant(0.0),
        ..DqnConfig::default()
    };
    let scaler = FeatureScaler::new(GEARS, 1);
    let mut learner = Dqn::new(config, scaler.inputs(), 3, Seed(seed)).unwrap();
    let mut world = courses(seed, 1);
    let mut watch = Watch::new(between);
    dqn::train(&mut learner, &mut world, &mut scaler.clone(), &mut { no_guide }, decisions, |learner, _| {
        watch.look(learner.decisions(), |world, n| {
            dqn::greedy_return(learner.online(), world, &mut scaler.clone(), n)
        });
        ControlFlow::Continue(())
    })
    .unwrap();
}
