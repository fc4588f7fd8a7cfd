//! A world of one's own, learned by three learners without a guide.
//!
//! `cargo run --release --example own_world -p lowgear-agents`
//!
//! A cart climbs towards a hut in a wind that changes. In the low gear it makes 1 m at each decision, in the high one 3 m,
//! but a gust stops it there for 5 s. Decisions are 0.5 s apart, so a discount has to be given for a second:
//! [`per_second`] converts it from one per decision.

use std::error::Error;
use std::ops::ControlFlow;

use lowgear_agents::discount::per_second;
use lowgear_agents::dqn::{self, Dqn, DqnConfig};
use lowgear_agents::policy::NoGuide;
use lowgear_agents::ppo::{self, EnvSlot, Ppo, PpoConfig};
use lowgear_agents::schedule::Schedule;
use lowgear_agents::tabular::{Algorithm, TabularLearner, TabularSettings, learn_episode};
use lowgear_env::{End, Seed, Step, Stream, World};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// Distance to the hut, m.
const HUT_M: u32 = 30;
/// Time between two decisions, s.
const DECISION_S: f64 = 0.5;

/// What a learner sees.
#[derive(Clone, Copy, Debug, Default)]
struct View {
    /// Distance covered, m.
    x_m: u32,
    /// Whether the wind is strong: gusts then come at every second decision, else at every fiftieth.
    windy: bool,
}

/// The world. An episode follows from the seed and its number alone.
#[derive(Clone, Debug)]
struct Climb {
    seed: Seed,
    rng: ChaCha8Rng,
    view: View,
}

impl Climb {
    fn new(seed: Seed) -> Climb {
        Climb { seed, rng: seed.stream(Stream::Course, 0), view: View::default() }
    }
}

impl World for Climb {
    type Observation = View;

    fn actions(&self) -> usize {
        2
    }

    fn reset(&mut self, episode: u64) {
        self.rng = self.seed.stream(Stream::Course, episode);
        self.view = View { x_m: 0, windy: self.rng.random_bool(0.5) };
    }

    fn observation(&self) -> &View {
        &self.view
    }

    fn allowed(&self, _action: usize) -> bool {
        true
    }

    fn step(&mut self, action: usize) -> Step {
        let gust = self.rng.random_bool(if self.view.windy { 0.5 } else { 0.02 });
        let stopped = action == 1 && gust;
        self.view.x_m += if action == 0 {
            1
        } else if stopped {
            0
        } else {
            3
        };
        self.view.windy ^= self.rng.random_bool(0.1);
        // A decision lasts as long as it lasts: what is stopped costs its time.
        let elapsed_s = if stopped { 5.0 } else { DECISION_S };
        let end = (self.view.x_m >= HUT_M).then_some(End::Terminated);
        Step { reward: -elapsed_s, elapsed_s, end }
    }
}

/// What a network sees: numbers within about ±1.
fn encode(view: &View, out: &mut Vec<f32>) {
    out.extend([view.x_m as f32 / HUT_M as f32, if view.windy { 1.0 } else { 0.0 }]);
}

/// What a table sees: the number of a cell.
fn cell(view: &View) -> usize {
    2 * view.x_m.min(HUT_M) as usize + usize::from(view.windy)
}

/// Mean time to the hut over 500 episodes that no training run meets, s.
fn mean_s(mut sum_of_rewards: impl FnMut(&mut Climb, u64) -> f64) -> f64 {
    let mut world = Climb::new(Seed(1 << 40));
    -(0..500).map(|episode| sum_of_rewards(&mut world, episode)).sum::<f64>() / 500.0
}

/// Mean time of a fixed choice, s.
fn fixed(choice: impl Fn(&View) -> usize) -> f64 {
    mean_s(|world, episode| {
        world.reset(episode);
        lowgear_env::run_episode(world, |w: &Climb| choice(w.observation()), |_, _, _| {}).sum_of_rewards
    })
}

fn table(gamma_per_s: f64) -> Result<f64, Box<dyn Error>> {
    let settings = TabularSettings {
        algorithm: Algorithm::QLearning,
        gamma_per_s,
        epsilon: Schedule::linear(1.0, 0.05, 100_000),
        ..TabularSettings::default()
    };
    let mut learner = TabularLearner::new(settings, cell(&View { x_m: HUT_M, windy: true }) + 1, 2, Seed(1))?;
    let (mut world, mut episode) = (Climb::new(Seed(1)), 0);
    while learner.decisions() < 150_000 {
        learn_episode(&mut world, cell, &mut learner, episode, |_, _| None);
        episode += 1;
    }
    let better = |view: &View| usize::from(learner.values(cell(view))[1] > learner.values(cell(view))[0]);
    Ok(fixed(better))
}

fn value_network(gamma_per_s: f64) -> Result<f64, Box<dyn Error>> {
    let config = DqnConfig {
        hidden: vec![32, 32],
        gamma_per_s,
        learning_rate: Schedule::linear(1e-3, 1e-4, 20_000),
        epsilon: Schedule::linear(1.0, 0.05, 10_000),
        ..DqnConfig::default()
    };
    let mut learner = Dqn::new(config, 2, 2, Seed(1))?;
    let mean = |learner: &Dqn| {
        mean_s(|world, episode| dqn::greedy_return(learner.target(), world, &mut { encode }, episode))
    };
    // Called after each episode: the place to evaluate, to save and to stop early.
    let mut next = 5000;
    let evaluate = |learner: &Dqn, _: &_| {
        if learner.decisions() >= next {
            println!("  after {} decisions {:.2} s", learner.decisions(), mean(learner));
            next += 5000;
        }
        ControlFlow::Continue(())
    };
    dqn::train(&mut learner, &mut Climb::new(Seed(1)), &mut { encode }, &mut NoGuide, 20_000, evaluate)?;
    Ok(mean(&learner))
}

fn policy_network(gamma_per_s: f64) -> Result<f64, Box<dyn Error>> {
    let config = PpoConfig {
        hidden: vec![32, 32],
        gamma_per_s,
        num_envs: 4,
        n_steps: 2048,
        learning_rate: Schedule::linear(2e-3, 1e-4, 100_000),
        entropy_weight: Schedule::linear(0.01, 0.0, 100_000),
        guide_bias: 0.0,
        ..PpoConfig::default()
    };
    let mut learner = Ppo::new(config, 2, 2, Seed(1))?;
    let mut slots = vec![EnvSlot { world: Climb::new(Seed(1)), encode, guide: NoGuide }; 4];
    ppo::train(&mut learner, &mut slots, 100_000, |_, _| ControlFlow::Continue(()))?;
    let mut actor = learner.actor()?;
    Ok(mean_s(|world, n| ppo::greedy_return(&mut actor, world, &mut { encode }, &mut NoGuide, n)))
}

/// Mean times to the hut, s, with who drives.
fn times() -> Result<Vec<(&'static str, f64)>, Box<dyn Error>> {
    let gamma_per_s = per_second(0.98, DECISION_S);
    Ok(vec![
        ("low gear", fixed(|_| 0)),
        ("high gear", fixed(|_| 1)),
        ("table", table(gamma_per_s)?),
        ("value network", value_network(gamma_per_s)?),
        ("policy network", policy_network(gamma_per_s)?),
    ])
}

fn main() -> Result<(), Box<dyn Error>> {
    for (who, seconds) in times()? {
        println!("{who:16} {seconds:6.2} s");
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_learner_beats_both_gears() -> Result<(), Box<dyn Error>> {
        let times = times()?;
        let fixed = times[0].1.min(times[1].1);
        for (who, seconds) in &times[2..] {
            assert!(*seconds < fixed - 0.5, "{who}: {seconds} s, {fixed} s without learning");
        }
        Ok(())
    }
}
