//! An update: passes over its decisions in shuffled parts, each with one step down the gradient.

use super::{
    NeuralError,
    learner::State,
    loss::Loss,
    minibatch::{Minibatch, RolloutBuffer},
};
use crate::neural::{Trainer, finite};

/// The result of an update, averaged over its learning steps.
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct UpdateStatistics {
    /// Loss of the policy: the clipped surrogate.
    pub policy_loss: f32,
    /// Squared error of the values, in scaled reward.
    pub value_loss: f32,
    /// Entropy of the policy, nat.
    pub entropy: f32,
    /// Divergence of the policy from the one that acted, nat, in the last learning step.
    pub divergence: f32,
    /// Share of decisions whose probability has moved beyond the clip.
    pub clipped: f32,
    /// Length of the gradient before it was shortened.
    pub gradient_norm: f32,
    /// Learning steps taken.
    pub steps: u64,
    /// Decisions in the buffer.
    pub decisions: u64,
}

impl State {
    /// Learns from a buffer until its epochs are over or the policy has moved far enough.
    pub(crate) fn learn_buffer(
        &mut self,
        trainer: &mut Trainer,
        buffer: &RolloutBuffer,
    ) -> Result<UpdateStatistics, NeuralError> {
        let mut sum = UpdateStatistics { decisions: buffer.len() as u64, ..UpdateStatistics::default() };
        if buffer.len() == 0 {
            return Ok(sum);
        }
        let farthest = self.config.target_kl.map_or(f32::INFINITY, |kl| 1.5 * kl);
        'epochs: for _ in 0..self.config.epochs {
            let order = buffer.shuffled(&mut self.learn);
            for part in buffer.parts(&order, self.config.batch) {
                let gone = self.learn_part(trainer, &buffer.gather(part), farthest, &mut sum)?;
                if gone {
                    break 'epochs;
                }
            }
        }
        let n = sum.steps.max(1) as f32;
        Ok(UpdateStatistics {
            policy_loss: sum.policy_loss / n,
            value_loss: sum.value_loss / n,
            entropy: sum.entropy / n,
            clipped: sum.clipped / n,
            gradient_norm: sum.gradient_norm / n,
            ..sum
        })
    }

    /// One learning step. Returns whether the policy had moved beyond `farthest` before it, in which case
    /// nothing is learned.
    fn learn_part(
        &mut self,
        trainer: &mut Trainer,
        part: &Minibatch,
        farthest: f32,
        sum: &mut UpdateStatistics,
    ) -> Result<bool, NeuralError> {
        let State { config, decisions, learn_steps, guide_bias, .. } = self;
        let outputs = trainer.forward(&part.batch)?;
        let mut slope = vec![0.0; outputs.values.len()];
        let loss = Loss::new(config, *guide_bias, config.entropy_weight.at(*decisions), &part.samples);
        let seen = loss.derivative(&part.samples, &outputs.values, &mut slope);
        finite("the policy's loss", seen.policy_loss + seen.entropy, *learn_steps)?;
        sum.divergence = seen.divergence;
        if seen.divergence > farthest {
            return Ok(true);
        }
        finite("the value's loss", seen.value_loss, *learn_steps)?;
        let gradient = trainer.gradient(outputs, slope)?;
        let norm = gradient.norm;
        finite("the gradient", norm, *learn_steps)?;
        trainer.step(gradient, config.learning_rate.at(*decisions))?;
        *learn_steps += 1;
        sum.steps += 1;
        sum.policy_loss += seen.policy_loss;
        sum.entropy += seen.entropy;
        sum.clipped += seen.clipped;
        sum.value_loss += seen.value_loss;
        sum.gradient_norm += norm;
        Ok(false)
    }
}
