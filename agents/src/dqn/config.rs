//! Settings of the learner.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

use super::{Backend, DqnError, Priority, Schedule};

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
    /// Rewards summed before bootstrapping, at least 1.
    pub n_step: usize,
    /// Discount for one second, in (0, 1]; a decision is discounted by `gamma_per_s^elapsed_s`.
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
    /// Error beyond which the loss grows linearly.
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
    /// Who computes gradients.
    pub backend: Backend,
}

impl Default for DqnConfig {
    fn default() -> Self {
        DqnConfig {
            hidden: vec![64, 64],
            dueling: true,
            double_q: true,
            n_step: 3,
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
            huber_delta: 1.0,
            max_gradient_norm: 10.0,
            target: TargetUpdate::Soft { tau: 0.005 },
            epsilon: Schedule::linear(0.2, 0.02, 50_000),
            guide: Schedule { from: 1.0, to: 0.0, begin: 10_000, over: 40_000 },
            guide_margin: 0.05,
            guide_weight: Schedule { from: 1.0, to: 0.0, begin: 10_000, over: 40_000 },
            rule_margin: 0.0,
            backend: Backend::default(),
        }
    }
}

impl DqnConfig {
    /// Whether every value is usable.
    ///
    /// # Errors
    /// The first key whose value is not.
    pub fn check(&self) -> Result<(), DqnError> {
        let unit = |x: f32| (0.0..=1.0).contains(&x);
        let positive = |x: f32| x > 0.0 && x.is_finite();
        let probability = |s: &Schedule| unit(s.from) && unit(s.to);
        let target = match self.target {
            TargetUpdate::Hard { every } => every > 0,
            TargetUpdate::Soft { tau } => tau > 0.0 && tau <= 1.0,
        };
        let rate = &self.learning_rate;
        let weight = &self.guide_weight;
        let rules = [
            (
                "hidden",
                self.hidden.iter().all(|&w| (1..=4096).contains(&w)) && self.hidden.len() <= 8,
                "up to 8 widths of 1 to 4096",
            ),
            ("n-step", (1..=1000).contains(&self.n_step), "1 to 1000"),
            ("gamma-per-s", self.gamma_per_s > 0.0 && self.gamma_per_s <= 1.0, "above 0 to 1"),
            ("reward-scale", (1e-6..=1e6).contains(&self.reward_scale), "0.000001 to 1000000"),
            ("batch", (1..=65_536).contains(&self.batch), "1 to 65536"),
            (
                "replay-capacity",
                (self.batch..=10_000_000).contains(&self.replay_capacity),
                "from `batch` to 10000000",
            ),
            (
                "priority",
                self.priority.is_none_or(|p| p.is_valid()),
                "`exponent` and `correction` 0 to 1, `floor` above 0",
            ),
            ("learn-every", self.learn_every > 0, "1 or more"),
            (
                "learning-rate",
                positive(rate.from) && unit(rate.from) && unit(rate.to),
                "`from` above 0 to 1, `to` 0 to 1",
            ),
            ("adam-epsilon", positive(self.adam_epsilon), "above 0"),
            ("huber-delta", positive(self.huber_delta), "above 0"),
            ("max-gradient-norm", positive(self.max_gradient_norm), "above 0"),
            ("target", target, "hard = { every = 1 or more } or soft = { tau = above 0 to 1 }"),
            ("epsilon", probability(&self.epsilon), "`from` and `to` 0 to 1"),
            ("guide", probability(&self.guide), "`from` and `to` 0 to 1"),
            ("guide-margin", self.guide_margin >= 0.0 && self.guide_margin.is_finite(), "0 or above"),
            ("rule-margin", self.rule_margin >= 0.0 && self.rule_margin.is_finite(), "0 or above"),
            (
                "guide-weight",
                [weight.from, weight.to].iter().all(|w| *w >= 0.0 && w.is_finite()),
                "`from` and `to` 0 or above",
            ),
        ];
        match rules.iter().find(|(_, holds, _)| !holds) {
            Some(&(key, _, allowed)) => Err(DqnError::Config { key, allowed }),
            None => Ok(()),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_default_is_valid_and_a_bad_value_is_named() {
        assert!(DqnConfig::default().check().is_ok());
        let bad = DqnConfig { gamma_per_s: f64::NAN, ..DqnConfig::default() };
        assert!(matches!(bad.check(), Err(DqnError::Config { key: "gamma-per-s", .. })));
    }
}
