//! A sign seen at the beginning tells which way to turn at the end: the T-maze of Bakker 2002,
//! "Reinforcement learning with long short-term memory", NIPS 14, without the walking. An agent that cannot
//! remember is right half the time.
//!
//! Observation: -1 or 1 at the first decision, then 0. The last decision earns 1 if it is 0 after -1 or 1
//! after 1, else -1; earlier ones earn nothing and change nothing.

use lowgear_env::{End, Seed, Step, Stream, World};
use rand::RngExt;

/// The world; each step takes 1 s.
#[derive(Clone, Debug)]
pub struct Recall {
    seed: Seed,
    wait: u32,
    sign: f32,
    shown: f32,
    decisions: u32,
}

impl Recall {
    /// With `wait` decisions between the sign and the last decision.
    #[must_use]
    pub fn new(seed: Seed, wait: u32) -> Recall {
        let mut world = Recall { seed, wait, sign: 0.0, shown: 0.0, decisions: 0 };
        world.reset(0);
        world
    }
}

impl World for Recall {
    type Observation = f32;

    fn actions(&self) -> usize {
        2
    }

    fn reset(&mut self, episode: u64) {
        let plus = self.seed.stream(Stream::Course, episode).random_bool(0.5);
        self.sign = if plus { 1.0 } else { -1.0 };
        (self.shown, self.decisions) = (self.sign, 0);
    }

    fn observation(&self) -> &f32 {
        &self.shown
    }

    fn allowed(&self, action: usize) -> bool {
        action < 2
    }

    fn step(&mut self, action: usize) -> Step {
        self.decisions += 1;
        self.shown = 0.0;
        if self.decisions <= self.wait {
            return Step { reward: 0.0, elapsed_s: 1.0, end: None };
        }
        let right = (action == 1) == (self.sign > 0.0);
        Step { reward: if right { 1.0 } else { -1.0 }, elapsed_s: 1.0, end: Some(End::Terminated) }
    }
}
