//! Settings of the learner.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{PpoError, Schedule};
use crate::neural::Backend;

/// Settings of the learner. Checked when a learner is made. Schedules count decisions.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default, rename_all = "kebab-case")]
pub struct PpoConfig {
    /// Width of each hidden layer, of the policy and of the value alike; they share no weights.
    pub hidden: Vec<usize>,
    /// Width of a gated recurrent unit behind the hidden layers; 0: no memory.
    pub gru_size: usize,
    /// Longest sequence of decisions that the derivative is back-propagated through, with a memory.
    pub bptt_length: usize,
    /// Discount for one second, in (0, 1]; a decision is discounted by `gamma_per_s^elapsed_s`.
    pub gamma_per_s: f64,
    /// Decay of advantages per decision, 0 (one-step) to 1 (whole returns).
    pub lambda: f64,
    /// Environments stepped in turn.
    pub num_envs: usize,
    /// Decisions of an iteration; its last episodes are run to their end.
    pub n_steps: u64,
    /// An episode is cut after so many decisions, as if its clock had run out.
    pub episode_limit: u64,
    /// Passes over the rollout buffer.
    pub epochs: u64,
    /// Decisions in a learning step, about.
    pub batch: usize,
    /// How far a probability may move, as a share of what it was, before moving further pays nothing.
    pub clip: f32,
    /// The same for values, in scaled reward; none: no limit.
    pub value_clip: Option<f32>,
    /// Weight of the value's squared error in the loss.
    pub value_weight: f32,
    /// Weight of the policy's entropy (nat) in the loss.
    pub entropy_weight: Schedule,
    /// Step size of Adam.
    pub learning_rate: Schedule,
    /// Adam's guard against division by zero.
    pub adam_epsilon: f32,
    /// The gradient over all weights is shortened to this length.
    pub max_gradient_norm: f32,
    /// An iteration stops learning once the policy has moved by 1.5 times this divergence (nat); none: never.
    pub target_kl: Option<f32>,
    /// Shift and scale the advantages of each learning step to mean 0 and deviation 1.
    pub normalise_advantages: bool,
    /// Shift and scale observations by their mean and deviation so far.
    pub normalise_observations: bool,
    /// Divide rewards by the deviation of discounted returns so far.
    pub normalise_returns: bool,
    /// Rewards are multiplied by this before learning.
    pub reward_scale: f32,
    /// Added to the logit of the guide's action, 0 to 20: what the network says is a correction of the
    /// guide. With `b` and `n` possible actions an untrained network takes the guide's with probability
    /// `e^b / (e^b + n - 1)`.
    pub guide_bias: f32,
    /// Probability from which the policy at work shifts, 0 to 1; 0: it takes the likeliest action. A shift
    /// is a hazard: to shift once within some decisions, each of them shifts with a small probability.
    pub shift_threshold: f32,
    /// Who computes gradients.
    pub backend: Backend,
}

impl Default for PpoConfig {
    fn default() -> Self {
        PpoConfig {
            hidden: vec![64, 64],
            gru_size: 0,
            bptt_length: 32,
            gamma_per_s: 0.97,
            lambda: 0.95,
            num_envs: 8,
            n_steps: 4096,
            episode_limit: 10_000,
            epochs: 8,
            batch: 256,
            clip: 0.2,
            value_clip: None,
            value_weight: 0.5,
            entropy_weight: Schedule::linear(0.01, 0.0, 1_000_000),
            learning_rate: Schedule::linear(5e-4, 5e-5, 1_000_000),
            adam_epsilon: 1e-5,
            max_gradient_norm: 0.5,
            target_kl: Some(0.02),
            normalise_advantages: true,
            normalise_observations: true,
            normalise_returns: true,
            reward_scale: 1.0,
            guide_bias: 4.0,
            shift_threshold: 0.15,
            backend: Backend::default(),
        }
    }
}

/// A key, whether its value is usable, and what is allowed.
type Rule = (&'static str, bool, &'static str);

impl PpoConfig {
    /// Whether every value is usable.
    ///
    /// # Errors
    /// The first key whose value is not.
    pub fn check(&self) -> Result<(), PpoError> {
        match self.sizes().iter().chain(&self.weights()).find(|(_, holds, _)| !holds) {
            Some(&(key, _, allowed)) => Err(PpoError::Config { key, allowed }),
            None => Ok(()),
        }
    }

    fn sizes(&self) -> [Rule; 8] {
        let widths = self.hidden.iter().all(|&w| (1..=4096).contains(&w)) && self.hidden.len() <= 8;
        [
            ("hidden", widths, "up to 8 widths of 1 to 4096"),
            ("gru-size", self.gru_size <= 1024, "0 to 1024"),
            ("bptt-length", (1..=10_000).contains(&self.bptt_length), "1 to 10000"),
            ("num-envs", (1..=1024).contains(&self.num_envs), "1 to 1024"),
            ("n-steps", (1..=10_000_000).contains(&self.n_steps), "1 to 10000000"),
            ("episode-limit", (1..=10_000_000).contains(&self.episode_limit), "1 to 10000000"),
            ("epochs", (1..=1000).contains(&self.epochs), "1 to 1000"),
            ("batch", (1..=1_000_000).contains(&self.batch), "1 to 1000000"),
        ]
    }

    fn weights(&self) -> [Rule; 13] {
        let positive = |x: f32| x > 0.0 && x.is_finite();
        let not_negative = |x: f32| x >= 0.0 && x.is_finite();
        let unit = |x: f64| (0.0..=1.0).contains(&x);
        let (rate, entropy) = (&self.learning_rate, &self.entropy_weight);
        let rates = positive(rate.from) && not_negative(rate.to) && rate.from <= 1.0 && rate.to <= 1.0;
        [
            ("gamma-per-s", unit(self.gamma_per_s) && self.gamma_per_s > 0.0, "above 0 to 1"),
            ("lambda", unit(self.lambda), "0 to 1"),
            ("clip", unit(self.clip.into()) && self.clip > 0.0, "above 0 to 1"),
            ("value-clip", self.value_clip.is_none_or(positive), "above 0, or left out"),
            ("value-weight", not_negative(self.value_weight), "0 or above"),
            (
                "entropy-weight",
                [entropy.from, entropy.to].iter().all(|w| (0.0..=10.0).contains(w)),
                "0 to 10",
            ),
            ("learning-rate", rates, "`from` above 0 to 1, `to` 0 to 1"),
            ("adam-epsilon", positive(self.adam_epsilon), "above 0"),
            ("max-gradient-norm", positive(self.max_gradient_norm), "above 0"),
            ("target-kl", self.target_kl.is_none_or(positive), "above 0, or left out"),
            ("reward-scale", positive(self.reward_scale), "above 0"),
            ("guide-bias", (0.0..=20.0).contains(&self.guide_bias), "0 to 20"),
            ("shift-threshold", unit(self.shift_threshold.into()), "0 to 1"),
        ]
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_is_valid_and_a_bad_value_is_named() {
        assert!(PpoConfig::default().check().is_ok());
        let named = |change: fn(&mut PpoConfig)| {
            let mut config = PpoConfig::default();
            change(&mut config);
            match config.check() {
                Err(PpoError::Config { key, .. }) => key,
                other => panic!("{other:?}"),
            }
        };
        assert_eq!(named(|c| c.gamma_per_s = f64::NAN), "gamma-per-s");
        assert_eq!(named(|c| c.lambda = 1.1), "lambda");
        assert_eq!(named(|c| c.clip = 0.0), "clip");
        assert_eq!(named(|c| c.target_kl = Some(-1.0)), "target-kl");
        assert_eq!(named(|c| c.learning_rate = Schedule::constant(f32::NAN)), "learning-rate");
        assert_eq!(named(|c| c.guide_bias = 21.0), "guide-bias");
        assert_eq!(named(|c| c.num_envs = 0), "num-envs");
        assert_eq!(named(|c| c.hidden = vec![0]), "hidden");
    }
}
