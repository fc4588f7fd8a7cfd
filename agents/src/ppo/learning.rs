//! An update: passes over its decisions in shuffled parts, each with one step down the gradient.

use super::{
    NeuralError, PpoConfig,
    actor::biased_log_softmax,
    learner::State,
    minibatch::{Minibatch, RolloutBuffer},
    update::{divergence, divergence_from, divergence_slope, entropy, entropy_slope, surrogate, value_loss},
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
                let gone = self.learn_part(trainer, buffer, &buffer.gather(part), farthest, &mut sum)?;
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
        buffer: &RolloutBuffer,
        part: &Minibatch,
        farthest: f32,
        sum: &mut UpdateStatistics,
    ) -> Result<bool, NeuralError> {
        let State { config, decisions, learn_steps, .. } = self;
        let outputs = trainer.forward(&part.batch)?;
        let mut slope = vec![0.0; outputs.values.len()];
        let entropy_weight = config.entropy_weight.at(*decisions);
        let seen = policy_slope(config, entropy_weight, buffer, &part.rows, &outputs.values, &mut slope);
        finite("the policy's loss", seen.policy_loss + seen.entropy, *learn_steps)?;
        sum.divergence = seen.divergence;
        if seen.divergence > farthest {
            return Ok(true);
        }
        let value_loss = value_slope(config, buffer, &part.rows, &outputs.values, &mut slope);
        finite("the value's loss", value_loss, *learn_steps)?;
        let gradient = trainer.gradient(outputs, slope)?;
        let norm = gradient.norm;
        finite("the gradient", norm, *learn_steps)?;
        trainer.step(gradient, config.learning_rate.at(*decisions))?;
        *learn_steps += 1;
        sum.steps += 1;
        sum.policy_loss += seen.policy_loss;
        sum.entropy += seen.entropy;
        sum.clipped += seen.clipped;
        sum.value_loss += value_loss;
        sum.gradient_norm += norm;
        Ok(false)
    }
}

/// What the policy's loss comes to on a batch. Outputs are, row by row, a logit per action and the value; so is `slope`,
/// which takes the derivative by each logit.
fn policy_slope(
    config: &PpoConfig,
    entropy_weight: f32,
    buffer: &RolloutBuffer,
    rows: &[usize],
    outputs: &[f32],
    slope: &mut [f32],
) -> UpdateStatistics {
    let (n, columns) = (rows.len() as f32, outputs.len() / rows.len());
    // Less variance for a bias of one in the batch's size; the scale is the whole buffer's.
    let sum: f32 = rows.iter().map(|&row| buffer.advantages[row]).sum();
    let centre = if config.normalise_advantages { sum / n } else { 0.0 };
    let (mut seen, mut log_p, mut log_q) = (UpdateStatistics::default(), Vec::new(), Vec::new());
    let all = rows.iter().zip(outputs.chunks_exact(columns)).zip(slope.chunks_exact_mut(columns));
    for ((&row, outputs), slope) in all {
        let advantage = buffer.advantages[row] - centre;
        let transition = &buffer.transitions[row];
        let action = usize::from(transition.action);
        biased_log_softmax(
            &outputs[..columns - 1],
            transition.mask,
            transition.guide.map(usize::from),
            config.guide_bias,
            &mut log_p,
        );
        let (loss, by_log_p) = surrogate(log_p[action], transition.log_p, advantage, config.clip);
        let h = entropy(&log_p);
        for ((a, l), by_entropy) in log_p.iter().enumerate().zip(entropy_slope(&log_p, h)) {
            let chosen = if a == action { 1.0 } else { 0.0 };
            slope[a] = (by_log_p * (chosen - l.exp()) - entropy_weight * by_entropy) / n;
        }
        if config.guide_penalty > 0.0 && transition.guide.is_some() {
            let guide = transition.guide.map(usize::from);
            let untrained = &[0.0; 32][..columns - 1];
            biased_log_softmax(untrained, transition.mask, guide, config.guide_bias, &mut log_q);
            let apart = divergence_from(&log_p, &log_q);
            for (slope, by_apart) in slope.iter_mut().zip(divergence_slope(&log_p, &log_q, apart)) {
                *slope += config.guide_penalty * by_apart / n;
            }
        }
        seen.policy_loss += loss / n;
        seen.entropy += h / n;
        seen.divergence += divergence(log_p[action], transition.log_p) / n;
        let moved = ((log_p[action] - transition.log_p).exp() - 1.0).abs() > config.clip;
        seen.clipped += if moved { 1.0 / n } else { 0.0 };
    }
    seen
}

/// The values' mean loss on a batch; `slope` takes the derivative of its share in the whole loss by each value.
fn value_slope(
    config: &PpoConfig,
    buffer: &RolloutBuffer,
    rows: &[usize],
    outputs: &[f32],
    slope: &mut [f32],
) -> f32 {
    let (n, columns) = (rows.len() as f32, outputs.len() / rows.len());
    let mut sum = 0.0;
    let all = rows.iter().zip(outputs.chunks_exact(columns)).zip(slope.chunks_exact_mut(columns));
    for ((&row, outputs), slope) in all {
        let (old, target) = (buffer.transitions[row].value, buffer.targets[row]);
        let (loss, by_value) = value_loss(outputs[columns - 1], old, target, config.value_clip);
        sum += loss / n;
        slope[columns - 1] = config.value_weight * by_value / n;
    }
    sum
}
