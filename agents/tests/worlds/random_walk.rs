//! Random walks of 5 and 19 states (Sutton, Barto 2018, examples 6.2 and 7.1).
//!
//! A walk starts in the middle and goes left or right with equal probability; it ends beyond either end,
//! with reward 1 on the right. On the left the short walk earns 0, the long one -1. There is one action, so
//! a learner can only predict. The true values lie on a straight line.

use lowgear_env::{End, Seed, Step, Stream, World};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;

/// Number of states of the short walk.
pub const STATES: usize = 5;
/// The true value of each state of the short walk.
pub const VALUES: [f64; STATES] = [1.0 / 6.0, 2.0 / 6.0, 3.0 / 6.0, 4.0 / 6.0, 5.0 / 6.0];
/// Number of states of the long walk.
pub const LONG_STATES: usize = 19;

/// The true value of each state of the long walk, -0.9 to 0.9.
#[must_use]
pub fn long_values() -> [f64; LONG_STATES] {
    std::array::from_fn(|state| (state as f64 - 9.0) / 10.0)
}

/// The world. It observes the state, counted from 0 on the left; each step takes 1 s.
#[derive(Clone, Debug)]
pub struct RandomWalk {
    seed: Seed,
    rng: ChaCha8Rng,
    state: usize,
    states: usize,
    left_reward: f64,
}

impl RandomWalk {
    /// A walker in the middle of the short walk.
    #[must_use]
    pub fn new(seed: Seed) -> RandomWalk {
        RandomWalk::of(seed, STATES, 0.0)
    }

    /// A walker in the middle of the long walk.
    #[must_use]
    pub fn long(seed: Seed) -> RandomWalk {
        RandomWalk::of(seed, LONG_STATES, -1.0)
    }

    fn of(seed: Seed, states: usize, left_reward: f64) -> RandomWalk {
        RandomWalk { seed, rng: seed.stream(Stream::Course, 0), state: states / 2, states, left_reward }
    }
}

impl World for RandomWalk {
    type Observation = usize;

    fn actions(&self) -> usize {
        1
    }

    fn reset(&mut self, episode: u64) {
        self.rng = self.seed.stream(Stream::Course, episode);
        self.state = self.states / 2;
    }

    fn observation(&self) -> &usize {
        &self.state
    }

    fn allowed(&self, _action: usize) -> bool {
        true
    }

    fn step(&mut self, _action: usize) -> Step {
        let right = self.rng.random_bool(0.5);
        let leaves = self.state == if right { self.states - 1 } else { 0 };
        if leaves {
            let reward = if right { 1.0 } else { self.left_reward };
            return Step { reward, elapsed_s: 1.0, end: Some(End::Terminated) };
        }
        self.state = if right { self.state + 1 } else { self.state - 1 };
        Step { reward: 0.0, elapsed_s: 1.0, end: None }
    }
}
