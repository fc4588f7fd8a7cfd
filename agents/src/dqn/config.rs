//! Settings of the learner.

use crate::neural::{Activation, NetworkShape, limits};
use lowgear_env::config::{Check, KeyError, in_range, require};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Priority, Schedule};

/// How the target network follows the learning one.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub enum TargetUpdate {
    /// A copy every so many learning steps (Mnih et al. 2015).
    Hard {
        /// Learning steps between two copies.
        every: u64,
    },
    /// After each learning step, `target += tau * (online - target)` (Lillicrap et al. 2016).
    Soft {
        /// Share taken over, in (0, 1].
        tau: f32,
    },
}

/// Settings of the learner. Checked when a learner is made.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default, rename_all = "kebab-case")]
pub struct DqnConfig {
    /// Width of each hidden layer.
    pub hidden: Vec<usize>,
    /// Split the output into a state value and advantages (Wang et al. 2016).
    pub dueling: bool,
    /// Choose with the learning network, judge with the target network (van Hasselt et al. 2016).
    pub double_q: bool,
    /// Most rewards summed before bootstrapping, at least 1. The sum goes on only as long as the decisions in memory
    /// are those that the network would take now (Munos et al. 2016, Retrace). Each reward takes a pass of its own
    /// through both networks.
    pub n_step: usize,
    /// Discount for one second, in (0, 1]; a decision is discounted by `gamma_per_s^elapsed_s`. With decisions much
    /// shorter than 0.2 s, 0.97 looks too many of them ahead: 0.99 per decision is `0.99^(1 / decision_s)` per second.
    pub gamma_per_s: f64,
    /// Rewards are multiplied by this before learning, so that values stay within about ±10.
    pub reward_scale: f32,
    /// Transitions kept.
    pub replay_capacity: usize,
    /// Draw transitions with large errors more often; without it all are drawn alike.
    pub priority: Option<Priority>,
    /// Decisions before the first learning step.
    pub warm_up: u64,
    /// Transitions in a learning step.
    pub batch: usize,
    /// Decisions between two rounds of learning.
    pub learn_every: u64,
    /// Learning steps in a round.
    pub learn_steps: u64,
    /// Step size of Adam. Let it fall over the whole training: the policy then settles.
    pub learning_rate: Schedule,
    /// Adam's guard against division by zero.
    pub adam_epsilon: f32,
    /// Error, in scaled reward, beyond which the loss grows linearly. Errors beyond it count less than they are: a
    /// loss of 100 once in a hundred is valued as -1 only if it lies within.
    pub huber_delta: f32,
    /// The gradient over all weights is shortened to this length.
    pub max_gradient_norm: f32,
    /// How the target network follows.
    pub target: TargetUpdate,
    /// Probability of a random possible action.
    pub epsilon: Schedule,
    /// Probability of following the guide, when one is given and no random action was drawn.
    pub guide: Schedule,
    /// How much better than every other action the guide's is to be valued (Hester et al. 2018), in scaled
    /// reward. Unlike there, it is asked of every remembered decision, since the guide was asked at each.
    pub guide_margin: f32,
    /// Weight of that demand in the loss; 0 switches it off.
    pub guide_weight: Schedule,
    /// How much higher than the guide's action, in scaled reward, another one must be valued to be taken
    /// instead; 0: the guide has no say in what is valued highest. A network that knows little then does
    /// what the guide does. What is learned from stays the highest value.
    pub rule_margin: f32,
}

impl Default for DqnConfig {
    fn default() -> Self {
        DqnConfig {
            hidden: vec![64, 64],
            dueling: true,
            double_q: true,
            n_step: 1,
            gamma_per_s: 0.97,
            reward_scale: 0.1,
            replay_capacity: 100_000,
            priority: None,
            warm_up: 2_000,
            batch: 64,
            learn_every: 4,
            learn_steps: 1,
            learning_rate: Schedule::linear(1e-3, 1e-4, 200_000),
            adam_epsilon: 1e-5,
            huber_delta: 100.0,
            max_gradient_norm: 10.0,
            target: TargetUpdate::Soft { tau: 0.005 },
            epsilon: Schedule::linear(0.2, 0.02, 50_000),
            guide: Schedule { from: 1.0, to: 0.0, begin: 10_000, over: 40_000 },
            guide_margin: 0.05,
            guide_weight: Schedule { from: 1.0, to: 0.0, begin: 10_000, over: 40_000 },
            rule_margin: 0.0,
        }
    }
}

impl DqnConfig {
    /// The network for observations of this length.
    pub(crate) fn shape(&self, inputs: usize, actions: usize) -> NetworkShape {
        NetworkShape {
            inputs,
            hidden: self.hidden.clone(),
            activation: Activation::Relu,
            gru_size: 0,
            outputs: actions,
            dueling: self.dueling,
        }
    }
}

impl Check for DqnConfig {
    fn check(&self) -> Result<(), KeyError> {
        limits::widths("hidden", &self.hidden)?;
        in_range("n-step", self.n_step, 1, 1000, "")?;
        limits::share("gamma-per-s", self.gamma_per_s)?;
        in_range("reward-scale", self.reward_scale, 1e-6, 1e6, "")?;
        in_range("batch", self.batch, 1, 65_536, "")?;
        let replay = (self.batch..=10_000_000).contains(&self.replay_capacity);
        require(replay, "replay-capacity", self.replay_capacity, "from `batch` to 10000000")?;
        self.priority.as_ref().map_or(Ok(()), Check::check).map_err(|e| e.within("priority"))?;
        require(self.learn_every > 0, "learn-every", self.learn_every, "1 or more")?;
        limits::learning_rate("learning-rate", &self.learning_rate)?;
        limits::positive("adam-epsilon", self.adam_epsilon)?;
        limits::positive("huber-delta", self.huber_delta)?;
        limits::positive("max-gradient-norm", self.max_gradient_norm)?;
        self.target.check().map_err(|e| e.within("target"))?;
        limits::ends("epsilon", &self.epsilon, 0.0, 1.0)?;
        limits::ends("guide", &self.guide, 0.0, 1.0)?;
        limits::not_negative("guide-margin", self.guide_margin)?;
        limits::not_negative("rule-margin", self.rule_margin)?;
        limits::not_negative("guide-weight.from", self.guide_weight.from)?;
        limits::not_negative("guide-weight.to", self.guide_weight.to)
    }
}

impl Check for TargetUpdate {
    fn check(&self) -> Result<(), KeyError> {
        match *self {
            TargetUpdate::Hard { every } => require(every > 0, "hard.every", every, "1 or more"),
            TargetUpdate::Soft { tau } => limits::share("soft.tau", tau.into()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_is_valid_and_a_bad_value_is_named() {
        assert!(DqnConfig::default().check().is_ok());
        let said = |change: fn(&mut DqnConfig)| {
            let mut config = DqnConfig::default();
            change(&mut config);
            config.check().unwrap_err().to_string()
        };
        let priority = Priority { floor: 0.0, ..Priority::default() };
        assert_eq!(said(|c| c.gamma_per_s = f64::NAN), "`gamma-per-s` is NaN; allowed: above 0 to 1");
        assert_eq!(said(|c| c.batch = 0), "`batch` is 0; allowed: 1 to 65536");
        assert_eq!(
            said(|c| c.replay_capacity = 3),
            "`replay-capacity` is 3; allowed: from `batch` to 10000000"
        );
        assert_eq!(said(|c| c.epsilon.to = 1.5), "`epsilon.to` is 1.5; allowed: 0 to 1");
        assert_eq!(said(|c| c.reward_scale = 0.0), "`reward-scale` is 0; allowed: 0.000001 to 1000000");
        assert_eq!(
            said(|c| c.target = TargetUpdate::Soft { tau: 0.0 }),
            "`target.soft.tau` is 0; allowed: above 0 to 1"
        );
        assert_eq!(
            said(|c| c.learning_rate = Schedule::constant(0.0)),
            "`learning-rate.from` is 0; allowed: above 0 to 1"
        );
        let floor = DqnConfig { priority: Some(priority), ..DqnConfig::default() };
        assert_eq!(floor.check().unwrap_err().to_string(), "`priority.floor` is 0; allowed: above 0");
    }
}
