//! How fast the same worlds are stepped without Python: the measure that `stepping.py` next to this file runs.
//!
//! Words: number of worlds, number of steps. Prints rewards summed over all (bits in hexadecimal), seconds, and
//! seconds of the processor.
#![expect(clippy::unwrap_used, reason = "a measurement that cannot be made has failed")]

use lowgear_env::{Drive, EpisodeConfig, RewardConfig, Scenario, Seed, World, config, load_course};
use lowgear_onboard::Feature;
use rayon::prelude::*;
use std::path::Path;
use std::sync::Arc;
use std::time::Instant;

/// A world, the number of its episode, whether that is over, and the rewards so far.
struct RunningEpisode {
    drive: Drive,
    episode: u64,
    over: bool,
    rewards: f64,
}

fn main() {
    let words: Vec<u64> = std::env::args().skip(1).filter_map(|word| word.parse().ok()).collect();
    let [worlds, steps] = words[..] else {
        eprintln!("give the number of worlds and the number of steps");
        std::process::exit(2);
    };
    let configs = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../configs");
    let vehicle = config::load(&configs.join("vehicles/demo-cart.toml")).unwrap();
    let course = load_course(&configs.join("courses/garden-mix.toml")).unwrap();
    // Those of the demonstration.
    let reward = RewardConfig { reference_speed_m_s: 0.2, ..RewardConfig::default() };
    let rules = EpisodeConfig { reward, ..EpisodeConfig::default() };
    let scenario = Arc::new(Scenario::new(vehicle, course, rules, Seed(1).part(1)));
    let begin = |episode| RunningEpisode {
        drive: Drive::new(Arc::clone(&scenario), episode),
        episode,
        over: false,
        rewards: 0.0,
    };
    let mut running: Vec<RunningEpisode> = (0..worlds).map(begin).collect();
    let (start, cpu) = (Instant::now(), cpu_s());
    for _ in 0..steps {
        running.par_iter_mut().with_min_len(8).for_each(|running| {
            if running.over {
                running.episode += worlds;
                running.drive.reset(running.episode);
                running.over = false;
                return;
            }
            let step = running.drive.step(by_speed(&running.drive));
            running.rewards += step.reward;
            running.over = step.end.is_some();
        });
    }
    let (seconds, cpu_s) = (start.elapsed().as_secs_f64(), cpu_s() - cpu);
    let sum: f64 = running.iter().map(|running| running.rewards).sum();
    println!("{:016x} {seconds} {cpu_s}", sum.to_bits());
}

/// Up above 700 permille, down below 350, as far as the guard allows.
fn by_speed(drive: &Drive) -> usize {
    let ratio = drive.observation().get(Feature::SpeedRatio);
    let wanted = if ratio > 700 {
        2
    } else if ratio < 350 {
        0
    } else {
        1
    };
    if drive.allowed(wanted) { wanted } else { 1 }
}

/// CPU time of the process so far, s.
fn cpu_s() -> f64 {
    let text = std::fs::read_to_string("/proc/self/stat").unwrap_or_default();
    let fields = text.rsplit(')').next().unwrap_or("").split_whitespace();
    // utime and stime in hundredths of a second.
    fields.skip(11).take(2).filter_map(|f| f.parse::<f64>().ok()).sum::<f64>() / 100.0
}
