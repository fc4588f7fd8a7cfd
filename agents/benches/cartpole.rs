//! How long learners take to balance the pole: decisions and seconds until the mean return of 100 greedy
//! episodes reaches 475 of 500 for the first time, and what three networks get in 100 other episodes: the
//! one of that moment, the one that the first 100 liked best of those looked at every 1000 decisions of the
//! whole budget, and the last one.
//!
//! `cargo bench -p lowgear-agents --bench cartpole -- ppo 10` takes learner and number of seeds; a third
//! word is the first seed. Settings were chosen on
//! the seeds from 100 on. The same settings on a Python library: `python/cartpole.py`. Judging is not
//! counted in the seconds. Seconds are of the clock and of the processor; the latter do not depend on what
//! else the machine does.
#![expect(clippy::unwrap_used, reason = "a measurement that cannot be made has failed")]

#[path = "../tests/worlds/mod.rs"]
mod worlds;

use std::ops::ControlFlow;
use std::time::Instant;

use lowgear_agents::dqn::{self, Dqn, DqnConfig, TargetUpdate};
use lowgear_agents::ppo::{self, EnvSlot, Ppo, PpoConfig};
use lowgear_agents::schedule::Schedule;
use lowgear_env::Seed;
use worlds::cartpole::CartPole;

/// The program's.
#[global_allocator]
static ALLOCATOR: mimalloc::MiMalloc = mimalloc::MiMalloc;

/// Return that counts as balanced, of 500.
const BALANCED: f64 = 475.0;
/// First of the 100 episodes that runs are looked at by, and of those that the outcome is reported by.
const LOOKED_AT: u64 = 0;
const OTHERS: u64 = 1000;
/// Decisions between two looks.
const LOOK_EVERY: u64 = 1000;

fn main() {
    let words: Vec<String> = std::env::args().skip(1).filter(|word| !word.starts_with("--")).collect();
    let word = |i: usize| words.get(i).map_or("", String::as_str);
    let seeds: u64 = word(1).parse().unwrap_or(3);
    let from: u64 = word(2).parse().unwrap_or(0);
    for (name, run) in [("ppo", run_ppo as fn(u64) -> Run), ("dqn", run_dqn)] {
        if ["", name].contains(&word(0)) {
            println!(
                "{name}, one thread\nseed  decisions  seconds  cpu-seconds  first-mean  best-mean  end-mean  all-decisions  all-seconds  all-cpu-seconds"
            );
            let runs: Vec<Run> = (from..from + seeds).map(run).collect();
            runs.iter().zip(from..).for_each(|(run, seed)| run.print(seed));
            let count = |of: fn(&Run) -> f64| runs.iter().filter(|run| of(run) >= BALANCED).count();
            let (first, best, end) =
                (count(|r| r.first.map_or(0.0, |f| f.mean)), count(|r| r.best_mean), count(|r| r.end_mean));
            println!("balanced in other episodes: first {first}, best {best}, last {end} of {seeds}");
        }
    }
}

/// The result of a training run.
struct Run {
    first: Option<First>,
    best_mean: f64,
    end_mean: f64,
    decisions: u64,
    whole: Elapsed,
}

impl Run {
    fn print(&self, seed: u64) {
        let never =
            First { decisions: 0, elapsed: Elapsed { clock_s: f64::NAN, cpu_s: f64::NAN }, mean: f64::NAN };
        let First { decisions, elapsed: Elapsed { clock_s: s, cpu_s: cpu }, mean: first } =
            self.first.unwrap_or(never);
        let Run {
            best_mean,
            end_mean,
            decisions: all,
            whole: Elapsed { clock_s: all_s, cpu_s: all_cpu },
            ..
        } = self;
        println!(
            "{seed:4}  {decisions:9}  {s:7.3}  {cpu:11.3}  {first:10.1}  {best_mean:9.1}  {end_mean:8.1}  {all:13}  {all_s:11.3}  {all_cpu:15.3}"
        );
    }
}

/// Seconds of the clock and of the processor.
#[derive(Clone, Copy)]
struct Elapsed {
    clock_s: f64,
    cpu_s: f64,
}

impl Elapsed {
    /// Since some moment in the past; the processor's 0 where `/proc` does not tell.
    fn now(origin: Instant) -> Elapsed {
        // Nanoseconds on a processor of the only thread.
        let text = std::fs::read_to_string("/proc/self/schedstat").unwrap_or_default();
        let ns: f64 = text.split_whitespace().next().and_then(|ns| ns.parse().ok()).unwrap_or(0.0);
        Elapsed { clock_s: origin.elapsed().as_secs_f64(), cpu_s: 1e-9 * ns }
    }

    fn minus(self, other: Elapsed) -> Elapsed {
        Elapsed { clock_s: self.clock_s - other.clock_s, cpu_s: self.cpu_s - other.cpu_s }
    }
}

/// Looks on from time to time, with the clocks stopped.
struct Watch {
    origin: Instant,
    /// Where the clocks would stand at the start, had judging taken no time.
    start: Elapsed,
    next: u64,
    first: Option<First>,
    /// What the first 100 episodes said of the network that they liked best, and the other ones of it.
    best: Option<(f64, f64)>,
}

/// The first time that the pole was balanced.
#[derive(Clone, Copy)]
struct First {
    decisions: u64,
    elapsed: Elapsed,
    mean: f64,
}

impl Watch {
    fn new() -> Watch {
        let origin = Instant::now();
        Watch { origin, start: Elapsed::now(origin), next: LOOK_EVERY, first: None, best: None }
    }

    fn look(&mut self, decisions: u64, mean: impl Fn(u64) -> f64) {
        if decisions < self.next {
            return;
        }
        self.next = decisions + LOOK_EVERY;
        let elapsed = Elapsed::now(self.origin).minus(self.start);
        let looked_at = mean(LOOKED_AT);
        let better = self.best.is_none_or(|(best, _)| looked_at > best);
        if better {
            let mean = mean(OTHERS);
            self.best = Some((looked_at, mean));
            if looked_at >= BALANCED && self.first.is_none() {
                self.first = Some(First { decisions, elapsed, mean });
            }
        }
        self.start = Elapsed::now(self.origin).minus(elapsed);
    }

    fn end(self, decisions: u64, mean: impl Fn(u64) -> f64) -> Run {
        let whole = Elapsed::now(self.origin).minus(self.start);
        let best_mean = self.best.map_or(f64::NAN, |(_, mean)| mean);
        Run { first: self.first, best_mean, end_mean: mean(OTHERS), decisions, whole }
    }
}

fn encode(state: &[f64; 4], out: &mut Vec<f32>) {
    out.extend(state.map(|x| x as f32));
}

fn no_guide(_: &[f64; 4]) -> Option<usize> {
    None
}

/// Mean over 100 episodes that no training run meets, those from number `from` on.
fn mean_of_100(from: u64, mut sum_of_rewards: impl FnMut(&mut CartPole, u64) -> f64) -> f64 {
    let mut world = CartPole::new(Seed(1 << 40));
    (from..from + 100).map(|episode| sum_of_rewards(&mut world, episode)).sum::<f64>() / 100.0
}

fn run_ppo(seed: u64) -> Run {
    let config = PpoConfig {
        hidden: vec![64, 64],
        gamma_per_s: 0.99_f64.powi(50),
        lambda_per_s: 0.95_f64.powi(50),
        num_envs: 4,
        n_steps: 1024,
        epochs: 10,
        batch: 64,
        clip: 0.2,
        entropy_weight: Schedule::constant(0.0),
        learning_rate: Schedule::linear(1e-3, 0.0, 100_000),
        target_kl: None,
        normalise_observations: false,
        normalise_returns: false,
        guide_bias: 0.0,
        ..PpoConfig::default()
    };
    let mut ppo = Ppo::new(config, 4, 2, Seed(seed)).unwrap();
    let env_slot = EnvSlot { world: CartPole::new(Seed(seed)), encode, guide: no_guide };
    let mut env_slots = vec![env_slot; 4];
    let mean = |ppo: &Ppo, from| {
        let mut actor = ppo.actor().unwrap();
        mean_of_100(from, |world, n| {
            ppo::greedy_return(&mut actor, world, &mut { encode }, &mut { no_guide }, n)
        })
    };
    let mut watch = Watch::new();
    ppo::train(&mut ppo, &mut env_slots, 100_000, |ppo, _| {
        watch.look(ppo.decisions(), |from| mean(ppo, from));
        ControlFlow::Continue(())
    })
    .unwrap();
    watch.end(ppo.decisions(), |from| mean(&ppo, from))
}

fn run_dqn(seed: u64) -> Run {
    let config = DqnConfig {
        hidden: vec![64, 64],
        dueling: false,
        double_q: false,
        n_step: 3,
        gamma_per_s: 0.99_f64.powi(50),
        reward_scale: 0.1,
        replay_capacity: 50_000,
        warm_up: 1000,
        batch: 64,
        learn_every: 2,
        learn_steps: 1,
        learning_rate: Schedule::linear(3e-3, 0.0, 50_000),
        // The Python library's target follows by 0.04 after each decision, so twice for a learning step.
        target: TargetUpdate::Soft { tau: 0.08 },
        epsilon: Schedule::linear(1.0, 0.02, 5000),
        guide: Schedule::constant(0.0),
        guide_weight: Schedule::constant(0.0),
        ..DqnConfig::default()
    };
    let mut learner = Dqn::new(config, 4, 2, Seed(seed)).unwrap();
    let mut world = CartPole::new(Seed(seed));
    let mean = |dqn: &Dqn, from| {
        mean_of_100(from, |world, n| dqn::greedy_return(dqn.online(), world, &mut { encode }, n))
    };
    let mut watch = Watch::new();
    dqn::train(&mut learner, &mut world, &mut { encode }, &mut { no_guide }, 50_000, |dqn, _| {
        watch.look(dqn.decisions(), |from| mean(dqn, from));
        ControlFlow::Continue(())
    })
    .unwrap();
    watch.end(learner.decisions(), |from| mean(&learner, from))
}
