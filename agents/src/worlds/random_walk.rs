//! Random walk of five states (Sutton, Barto 2018, example 6.2).
//!
//! A walk starts in the middle and goes left or right with equal probability; it ends beyond either end,
//! with reward 1 on the right and 0 on the left. There is one action, so a learner can only predict. The
//! true values are 1/6, 2/6, 3/6, 4/6, 5/6.

use lowgear_env::{End, Seed, Step, Stream, World};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// Number of states.
pub const STATES: usize = 5;
/// The true value of each state.
pub const VALUES: [f64; STATES] = [1.0 / 6.0, 2.0 / 6.0, 3.0 / 6.0, 4.0 / 6.0, 5.0 / 6.0];

/// The world. It observes the state, 0 to 4; each step takes 1 s.
#[derive(Clone, Debug)]
pub struct RandomWalk {
    seed: Seed,
    rng: ChaCha8Rng,
    state: usize,
}

impl RandomWalk {
    /// A walker in the middle.
    #[must_use]
    pub fn new(seed: Seed) -> RandomWalk {
        RandomWalk { seed, rng: seed.stream(Stream::Course, 0), state: STATES / 2 }
    }
}

impl World for RandomWalk {
    type Observation = usize;

    fn actions(&self) -> usize {
        1
    }

    fn reset(&mut self, episode: u64) {
        self.rng = self.seed.stream(Stream::Course, episode);
        self.state = STATES / 2;
    }

    fn observation(&self) -> &usize {
        &self.state
    }

    fn allowed(&self, _action: usize) -> bool {
        true
    }

    fn step(&mut self, _action: usize) -> Step {
        let right = self.rng.random_bool(0.5);
        let leaves = self.state == if right { STATES - 1 } else { 0 };
        if leaves {
            let reward = if right { 1.0 } else { 0.0 };
            return Step { reward, elapsed_s: 1.0, end: Some(End::Terminated) };
        }
        self.state = if right { self.state + 1 } else { self.state - 1 };
        Step { reward: 0.0, elapsed_s: 1.0, end: None }
    }
}
