//! Maximisation bias (Sutton, Barto 2018, example 6.7).
//!
//! In the first state, right ends the episode with reward 0; left leads with reward 0 to the second state,
//! where each of ten actions ends it with a reward drawn from a normal distribution of mean -0.1 and
//! variance 1. Right is best, but the largest of ten noisy estimates looks better than 0 for a long time.

use lowgear_env::{End, Seed, Step, Stream, World};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use rand_distr::StandardNormal;

/// Number of states.
pub const STATES: usize = 2;
/// Number of actions; in the first state only left (0) and right (1) are allowed.
pub const ACTIONS: usize = 10;
/// The action that leads to the second state.
pub const LEFT: usize = 0;

/// The world. It observes the state, 0 or 1; each step takes 1 s.
#[derive(Clone, Debug)]
pub struct Bias {
    seed: Seed,
    rng: ChaCha8Rng,
    state: usize,
}

impl Bias {
    /// In the first state.
    #[must_use]
    pub fn new(seed: Seed) -> Bias {
        Bias { seed, rng: seed.stream(Stream::Course, 0), state: 0 }
    }
}

impl World for Bias {
    type Observation = usize;

    fn actions(&self) -> usize {
        ACTIONS
    }

    fn reset(&mut self, episode: u64) {
        self.rng = self.seed.stream(Stream::Course, episode);
        self.state = 0;
    }

    fn observation(&self) -> &usize {
        &self.state
    }

    fn allowed(&self, action: usize) -> bool {
        self.state == 1 || action < 2
    }

    fn step(&mut self, action: usize) -> Step {
        if self.state == 0 && action == LEFT {
            self.state = 1;
            return Step { reward: 0.0, elapsed_s: 1.0, end: None };
        }
        let noise: f64 = self.rng.sample(StandardNormal);
        let reward = if self.state == 1 { noise - 0.1 } else { 0.0 };
        Step { reward, elapsed_s: 1.0, end: Some(End::Terminated) }
    }
}
