//! Settings of the learner.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::Schedule;
use crate::neural::{Activation, LearningDevice, NetworkShape, limits};
use lowgear_env::config::{Check, KeyError, in_range, require};

/// Settings of the learner. Checked when a learner is made. Schedules count decisions.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default, rename_all = "kebab-case")]
pub struct PpoConfig {
    /// Width of each hidden layer, of the policy and of the value alike; they share no weights.
    pub hidden: Vec<usize>,
    /// What a hidden layer ends in.
    pub activation: Activation,
    /// Width of a gated recurrent unit behind the hidden layers; 0: no memory.
    pub gru_size: usize,
    /// Longest sequence of decisions that the derivative is back-propagated through, with a memory.
    pub bptt_length: usize,
    /// Discount for one second, in (0, 1]; a decision is discounted by `gamma_per_s^elapsed_s`. With decisions much
    /// shorter than 0.2 s, 0.97 looks too many of them ahead: 0.99 per decision is `0.99^(1 / decision_s)` per second.
    pub gamma_per_s: f64,
    /// Decay of advantages for one second, 0 (one-step) to 1 (whole returns); that of a decision is
    /// `lambda_per_s^elapsed_s`. 0.774 is 0.95 for each decision of 0.2 s.
    pub lambda_per_s: f64,
    /// Environments stepped side by side; from 32 on they move on several threads.
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
    /// Scale the advantages of each iteration to deviation 1 and shift those of each learning step to mean 0.
    pub normalise_advantages: bool,
    /// Shift and scale observations by their mean and deviation so far.
    pub normalise_observations: bool,
    /// Divide rewards by the root mean square of discounted returns so far.
    pub normalise_returns: bool,
    /// Rewards are multiplied by this before learning.
    pub reward_scale: f32,
    /// Added to the logit of the guide's action, 0 to 20: what the network says is a correction of the
    /// guide. With `b` and `n` possible actions an untrained network takes the guide's with probability
    /// `e^b / (e^b + n - 1)`.
    pub guide_bias: f32,
    /// Decisions within which `guide-bias` falls to 0, in a straight line; 0: it stays. Without a bias the policy at work
    /// depends on what it sees alone, and not on what the guide remembers.
    pub guide_ends: u64,
    /// Weight in the loss of the divergence of the policy from the untrained one (nat), which is the guide's action with
    /// the probability that `guide-bias` gives it; 0: none.
    pub guide_penalty: f32,
    /// Whether the value is trained with what no sensor shows: the ground ahead, mass, charge and the way left. The
    /// policy never sees it.
    pub privileged_critic: bool,
    /// Probability from which the policy at work shifts, 0 to 1; 0: it takes the likeliest action. A shift
    /// is a hazard: to shift once within some decisions, each of them shifts with a small probability.
    pub shift_threshold: f32,
    /// Where the networks learn, and decide while they do: `cpu`, or `cuda` in a program built with that feature. A GPU
    /// pays from wide layers, many environments and large learning steps on.
    pub device: LearningDevice,
}

impl Default for PpoConfig {
    fn default() -> Self {
        PpoConfig {
            hidden: vec![64, 64],
            activation: Activation::Relu,
            gru_size: 0,
            bptt_length: 32,
            gamma_per_s: 0.97,
            lambda_per_s: 0.774,
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
            guide_ends: 0,
            guide_penalty: 0.0,
            privileged_critic: true,
            shift_threshold: 0.15,
            device: LearningDevice::Cpu,
        }
    }
}

impl Check for PpoConfig {
    fn check(&self) -> Result<(), KeyError> {
        self.device.check()?;
        self.check_sizes()?;
        self.check_weights()
    }
}

impl PpoConfig {
    /// A network for observations of this length: the policy's with the number of actions, the value's with 1.
    pub(crate) fn shape(&self, inputs: usize, outputs: usize) -> NetworkShape {
        NetworkShape {
            inputs,
            hidden: self.hidden.clone(),
            activation: self.activation,
            gru_size: self.gru_size,
            outputs,
            dueling: false,
        }
    }

    /// The bias of the guide's action after so many decisions.
    pub(crate) fn guide_bias_at(&self, decisions: u64) -> f32 {
        match self.guide_ends {
            0 => self.guide_bias,
            ends => Schedule::linear(self.guide_bias, 0.0, ends).at(decisions),
        }
    }

    fn check_sizes(&self) -> Result<(), KeyError> {
        limits::widths("hidden", &self.hidden)?;
        in_range("gru-size", self.gru_size, 0, 1024, "")?;
        in_range("bptt-length", self.bptt_length, 1, 10_000, "")?;
        in_range("num-envs", self.num_envs, 1, 4096, "")?;
        in_range("n-steps", self.n_steps, 1, 10_000_000, "")?;
        in_range("episode-limit", self.episode_limit, 1, 10_000_000, "")?;
        in_range("epochs", self.epochs, 1, 1000, "")?;
        in_range("batch", self.batch, 1, 1_000_000, "")
    }

    fn check_weights(&self) -> Result<(), KeyError> {
        let positive_or_none = |key: &str, value: Option<f32>| {
            let fine = value.is_none_or(|x| x > 0.0 && x.is_finite());
            require(fine, key, value.unwrap_or_default(), "above 0, or left out")
        };
        limits::share("gamma-per-s", self.gamma_per_s)?;
        in_range("lambda-per-s", self.lambda_per_s, 0.0, 1.0, "")?;
        limits::share("clip", self.clip.into())?;
        positive_or_none("value-clip", self.value_clip)?;
        limits::not_negative("value-weight", self.value_weight)?;
        limits::ends("entropy-weight", &self.entropy_weight, 0.0, 10.0)?;
        limits::learning_rate("learning-rate", &self.learning_rate)?;
        limits::positive("adam-epsilon", self.adam_epsilon)?;
        limits::positive("max-gradient-norm", self.max_gradient_norm)?;
        positive_or_none("target-kl", self.target_kl)?;
        limits::positive("reward-scale", self.reward_scale)?;
        in_range("guide-bias", self.guide_bias, 0.0, 20.0, "")?;
        limits::not_negative("guide-penalty", self.guide_penalty)?;
        in_range("shift-threshold", self.shift_threshold, 0.0, 1.0, "")
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
            config.check().unwrap_err().key
        };
        assert_eq!(named(|c| c.gamma_per_s = f64::NAN), "gamma-per-s");
        assert_eq!(named(|c| c.lambda_per_s = 1.1), "lambda-per-s");
        assert_eq!(named(|c| c.clip = 0.0), "clip");
        assert_eq!(named(|c| c.target_kl = Some(-1.0)), "target-kl");
        assert_eq!(named(|c| c.learning_rate = Schedule::constant(f32::NAN)), "learning-rate.from");
        assert_eq!(named(|c| c.guide_bias = 21.0), "guide-bias");
        assert_eq!(named(|c| c.num_envs = 0), "num-envs");
        assert_eq!(named(|c| c.hidden = vec![0]), "hidden");
        if cfg!(not(feature = "cuda")) {
            assert_eq!(named(|c| c.device = LearningDevice::Cuda), "device");
        }
        let clip = PpoConfig { value_clip: Some(0.0), ..PpoConfig::default() };
        assert_eq!(clip.check().unwrap_err().to_string(), "`value-clip` is 0; allowed: above 0, or left out");
    }
}
