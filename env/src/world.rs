//! What a decision problem promises to a learner.

use crate::Mask;

/// Why an episode stopped.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum End {
    /// The task ended; no value lies beyond.
    Terminated,
    /// The clock ran out; the next state still has a value.
    Truncated,
}

/// What one decision led to.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Reward collected between the two decisions.
    pub reward: f64,
    /// Time between the two decisions, s. The problem is semi-Markov: discount by `gamma_per_s^elapsed_s`.
    pub elapsed_s: f64,
    /// Set when the episode is over.
    pub end: Option<End>,
}

/// Totals of an episode so far.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct EpisodeTotals {
    /// Decisions taken.
    pub decisions: u64,
    /// Sum of rewards, neither scaled nor discounted.
    pub sum_of_rewards: f64,
    /// Time that passed in the world, s.
    pub elapsed_s: f64,
    /// Why it stopped; `None` while it is under way.
    pub end: Option<End>,
}

impl EpisodeTotals {
    /// Adds what one more decision led to.
    #[inline]
    pub fn add(&mut self, step: &Step) {
        self.decisions += 1;
        self.sum_of_rewards += step.reward;
        self.elapsed_s += step.elapsed_s;
        self.end = step.end;
    }
}

/// A decision problem. Episodes are numbered; the same number gives the same episode.
pub trait World {
    /// What a policy sees.
    type Observation;

    /// Number of actions; actions are indices below it.
    fn actions(&self) -> usize;

    /// Starts episode number `episode`.
    fn reset(&mut self, episode: u64);

    /// What the policy sees now.
    fn observation(&self) -> &Self::Observation;

    /// Whether `action` is possible now. At least one action always is.
    fn allowed(&self, action: usize) -> bool;

    /// Which actions are possible now.
    fn mask(&self) -> Mask {
        Mask::from_fn(self.actions(), |action| self.allowed(action))
    }

    /// Appends what is true of the world now and no sensor shows, always as many numbers: for the value that a learner
    /// is judged by while it trains, never for a policy.
    fn privileged(&self, _out: &mut Vec<f32>) {}

    /// Takes `action` and runs to the next decision.
    fn step(&mut self, action: usize) -> Step;
}
