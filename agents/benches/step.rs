//! What a learning step costs: a batch forward and back, clipping and Adam, and for a value network its targets.
//!
//! `cargo bench --workspace --bench step -- 3 dqn` takes the number of turns and the learner; the least of the turns
//! counts, since other work on the machine only ever adds. Times are of the clock and of the processor, over all threads.
#![expect(clippy::unwrap_used, reason = "a measurement that cannot be made has failed")]

use lowgear_agents::dqn::{Dqn, DqnConfig};
use lowgear_agents::policy::Mask;
use lowgear_agents::ppo::{Ppo, PpoConfig};
use lowgear_agents::schedule::Schedule;
use lowgear_env::{Seed, Step};

/// The program's.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Length of an observation, that of the demonstration's cart.
const INPUTS: usize = 15;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).collect();
    let turns: usize = words.iter().find_map(|word| word.parse().ok()).unwrap_or(3);
    println!("learner  width  batch  clock-us  processor-us");
    for width in [32, 64, 128, 256] {
        for (name, batch, run) in [
            ("dqn", 64, dqn as fn(usize, usize) -> (f64, f64)),
            ("ppo", 64, ppo),
            ("ppo", 256, ppo),
            ("ppo", 2048, ppo),
        ] {
            if ["dqn", "ppo"].iter().any(|other| *other != name && words.iter().any(|word| word == other)) {
                continue;
            }
            let runs: Vec<(f64, f64)> = (0..turns).map(|_| run(width, batch)).collect();
            let least = |of: fn(&(f64, f64)) -> f64| runs.iter().map(of).fold(f64::INFINITY, f64::min);
            println!("{name:7}  {width:5}  {batch:5}  {:8.1}  {:12.1}", least(|r| r.0), least(|r| r.1));
        }
    }
}

/// Seconds of the clock and of the processor since some moment.
fn now() -> (f64, f64) {
    use std::sync::LazyLock;
    use std::time::Instant;
    static ORIGIN: LazyLock<Instant> = LazyLock::new(Instant::now);
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    // Behind the name in brackets, ticks of 10 ms in user mode and in the kernel are the 12th and 13th number.
    let fields: Vec<f64> = text
        .rsplit(')')
        .next()
        .unwrap_or_default()
        .split_whitespace()
        .map(|word| word.parse().unwrap_or(0.0))
        .collect();
    let cpu_s = fields.get(11).unwrap_or(&0.0) + fields.get(12).unwrap_or(&0.0);
    (ORIGIN.elapsed().as_secs_f64(), cpu_s / 100.0)
}

fn per_step(start: (f64, f64), steps: u64) -> (f64, f64) {
    let end = now();
    let us = |a: f64, b: f64| 1e6 * (b - a) / steps as f64;
    (us(start.0, end.0), us(start.1, end.1))
}

/// Numbers that look like observations.
fn observation(i: u64) -> [f32; INPUTS] {
    std::array::from_fn(|k| ((i * 37 + k as u64 * 101) % 211) as f32 / 211.0 - 0.5)
}

fn dqn(width: usize, batch: usize) -> (f64, f64) {
    let config = DqnConfig {
        hidden: vec![width; 2],
        batch,
        warm_up: u64::try_from(batch).unwrap_or(0),
        learn_every: 1,
        guide: Schedule::constant(0.0),
        ..DqnConfig::default()
    };
    let mut dqn = Dqn::new(config, INPUTS, 3, Seed(1)).unwrap();
    let mut live = |from: u64, count: u64| {
        for i in from..from + count {
            dqn.act(&observation(i), Mask::all(3), None).unwrap();
            let step = Step { reward: (i % 7) as f64, elapsed_s: 0.2, end: None };
            dqn.observe(&step, &observation(i + 1), Mask::all(3)).unwrap();
        }
    };
    let steps = if width > 100 { 500 } else { 4000 };
    live(0, 500);
    let start = now();
    live(500, steps);
    per_step(start, steps)
}

fn ppo(width: usize, batch: usize) -> (f64, f64) {
    let config = PpoConfig {
        hidden: vec![width; 2],
        batch,
        num_envs: 1,
        n_steps: 4096,
        epochs: if width > 100 { 4 } else { 16 },
        target_kl: None,
        guide_bias: 0.0,
        ..PpoConfig::default()
    };
    let mut ppo = Ppo::new(config, INPUTS, 3, Seed(1)).unwrap();
    ppo.begin_episode(0).unwrap();
    for i in 0..4096 {
        ppo.act(0, &observation(i), Mask::all(3), None).unwrap();
        let step = Step { reward: (i % 7) as f64, elapsed_s: 0.2, end: None };
        ppo.observe(0, &step, &observation(i + 1)).unwrap();
    }
    let start = now();
    let learned = ppo.update().unwrap();
    per_step(start, learned.steps)
}
