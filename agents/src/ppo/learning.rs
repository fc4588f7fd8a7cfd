//! An update: passes over its decisions in shuffled parts, each with one step down the gradient.

use super::{
    NeuralError, PpoConfig,
    actor::biased_log_softmax,
    learner::State,
    minibatch::{Minibatch, RolloutBuffer},
    update::{divergence, entropy, entropy_slope, surrogate, value_loss},
};
use crate::neural::{NetworkTape, clip_norm_of};

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
    pub(crate) fn learn_buffer(&mut self, buffer: &RolloutBuffer) -> Result<UpdateStatistics, NeuralError> {
        let mut sum = UpdateStatistics { decisions: buffer.len() as u64, ..UpdateStatistics::default() };
        if buffer.len() == 0 {
            return Ok(sum);
        }
        let farthest = self.config.target_kl.map_or(f32::INFINITY, |kl| 1.5 * kl);
        'epochs: for _ in 0..self.config.epochs {
            let order = buffer.shuffled(&mut self.learn);
            for part in buffer.parts(&order, self.config.batch) {
                let gone = self.learn_part(buffer, &buffer.gather(part), farthest, &mut sum)?;
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
        buffer: &RolloutBuffer,
        part: &Minibatch,
        farthest: f32,
        sum: &mut UpdateStatistics,
    ) -> Result<bool, NeuralError> {
        let State { config, actor, critic, adam, decisions, learn_steps, .. } = self;
        let (backend, batch) = (config.backend, &part.batch);
        let policy = NetworkTape::record(backend, actor, batch, &part.memories[0])?;
        let entropy_weight = config.entropy_weight.at(*decisions);
        let (seen, slope) = policy_slope(config, entropy_weight, buffer, &part.rows, policy.values());
        finite("the policy's loss", seen.policy_loss + seen.entropy, *learn_steps)?;
        sum.divergence = seen.divergence;
        if seen.divergence > farthest {
            return Ok(true);
        }
        let values = NetworkTape::record(backend, critic, batch, &part.memories[1])?;
        let (value_loss, value_slope) = value_slope(config, buffer, &part.rows, values.values());
        finite("the value's loss", value_loss, *learn_steps)?;
        let mut gradients = [policy.gradient(slope)?, values.gradient(value_slope)?];
        let norm = clip_norm_of(&mut gradients, config.max_gradient_norm);
        finite("the gradient", norm, *learn_steps)?;
        let rate = config.learning_rate.at(*decisions);
        let networks = [actor.weights_mut(), critic.weights_mut()];
        for ((weights, adam), gradient) in networks.into_iter().zip(adam).zip(&gradients) {
            adam.step(weights, gradient, rate, config.adam_epsilon);
        }
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

/// What the policy's loss comes to on a batch, and its derivative by each logit, `[rows, actions]`.
fn policy_slope(
    config: &PpoConfig,
    entropy_weight: f32,
    buffer: &RolloutBuffer,
    rows: &[usize],
    logits: &[f32],
) -> (UpdateStatistics, Vec<f32>) {
    let (n, actions) = (rows.len() as f32, logits.len() / rows.len());
    // Less variance for a bias of one in the batch's size; the scale is the whole buffer's.
    let sum: f32 = rows.iter().map(|&row| buffer.advantages[row]).sum();
    let centre = if config.normalise_advantages { sum / n } else { 0.0 };
    let (mut seen, mut slope, mut log_p) =
        (UpdateStatistics::default(), Vec::with_capacity(logits.len()), Vec::new());
    for (&row, logits) in rows.iter().zip(logits.chunks_exact(actions)) {
        let advantage = buffer.advantages[row] - centre;
        let transition = &buffer.transitions[row];
        let action = usize::from(transition.action);
        biased_log_softmax(
            logits,
            transition.mask,
            transition.guide.map(usize::from),
            config.guide_bias,
            &mut log_p,
        );
        let (loss, by_log_p) = surrogate(log_p[action], transition.log_p, advantage, config.clip);
        let h = entropy(&log_p);
        for ((a, l), by_entropy) in log_p.iter().enumerate().zip(entropy_slope(&log_p, h)) {
            let chosen = if a == action { 1.0 } else { 0.0 };
            slope.push((by_log_p * (chosen - l.exp()) - entropy_weight * by_entropy) / n);
        }
        seen.policy_loss += loss / n;
        seen.entropy += h / n;
        seen.divergence += divergence(log_p[action], transition.log_p) / n;
        let moved = ((log_p[action] - transition.log_p).exp() - 1.0).abs() > config.clip;
        seen.clipped += if moved { 1.0 / n } else { 0.0 };
    }
    (seen, slope)
}

/// The values' mean loss on a batch, and the derivative of its share in the whole loss by each value.
fn value_slope(
    config: &PpoConfig,
    buffer: &RolloutBuffer,
    rows: &[usize],
    values: &[f32],
) -> (f32, Vec<f32>) {
    let n = rows.len() as f32;
    let mut sum = 0.0;
    let slope = rows.iter().zip(values).map(|(&row, &value)| {
        let (old, target) = (buffer.transitions[row].value, buffer.targets[row]);
        let (loss, slope) = value_loss(value, old, target, config.value_clip);
        sum += loss / n;
        config.value_weight * slope / n
    });
    let slope = slope.collect();
    (sum, slope)
}

const fn finite(what: &'static str, value: f32, step: u64) -> Result<(), NeuralError> {
    if value.is_finite() { Ok(()) } else { Err(NeuralError::Diverged { what, step }) }
}
