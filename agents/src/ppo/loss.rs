//! The loss of a learning step, and its derivative by what the networks put out.

use rayon::prelude::*;

use super::{
    PpoConfig, UpdateStatistics,
    actor::biased_log_softmax,
    minibatch::Sample,
    update::{divergence, divergence_from, divergence_slope, entropy, entropy_slope, surrogate, value_loss},
};
use crate::neural::BLOCK;

/// The loss of a learning step: what is the same for all its decisions.
#[derive(Clone, Copy)]
pub(crate) struct Loss<'a> {
    config: &'a PpoConfig,
    guide_bias: f32,
    entropy_weight: f32,
    /// Subtracted from the advantages.
    centre: f32,
    /// Of one decision in a mean.
    share: f32,
}

impl<'a> Loss<'a> {
    pub(crate) fn new(
        config: &'a PpoConfig,
        guide_bias: f32,
        entropy_weight: f32,
        samples: &[Sample],
    ) -> Loss<'a> {
        // Less variance for a bias of one in the batch's size; the scale is the whole buffer's.
        let sum: f32 = samples.iter().map(|sample| sample.advantage).sum();
        let share = 1.0 / samples.len() as f32;
        let centre = if config.normalise_advantages { sum * share } else { 0.0 };
        Loss { config, guide_bias, entropy_weight, centre, share }
    }

    /// What the loss comes to, in means over the learning step. Outputs are, row by row, a logit per action and the
    /// value; so is `slope`, which takes the derivative by each. Rows are taken in blocks, on several threads if there are
    /// two and more, and added in the order of the blocks.
    pub(crate) fn derivative(
        self,
        samples: &[Sample],
        outputs: &[f32],
        slope: &mut [f32],
    ) -> UpdateStatistics {
        let columns = outputs.len() / samples.len();
        let block = |((samples, outputs), slope): ((&[Sample], &[f32]), &mut [f32])| {
            self.block(samples, outputs, slope, columns)
        };
        if samples.len() < 2 * BLOCK {
            return block(((samples, outputs), slope));
        }
        let all = samples.par_chunks(BLOCK).zip(outputs.par_chunks(BLOCK * columns));
        let blocks: Vec<_> = all.zip(slope.par_chunks_mut(BLOCK * columns)).map(block).collect();
        let mut sum = UpdateStatistics::default();
        for block in blocks {
            sum.policy_loss += block.policy_loss;
            sum.value_loss += block.value_loss;
            sum.entropy += block.entropy;
            sum.divergence += block.divergence;
            sum.clipped += block.clipped;
        }
        sum
    }

    fn block(
        self,
        samples: &[Sample],
        outputs: &[f32],
        slope: &mut [f32],
        columns: usize,
    ) -> UpdateStatistics {
        let mut seen = UpdateStatistics::default();
        let mut room = Room::default();
        let all = samples.iter().zip(outputs.chunks_exact(columns)).zip(slope.chunks_exact_mut(columns));
        for ((sample, outputs), slope) in all {
            let (logits, value) = outputs.split_at(columns - 1);
            let (by_logits, by_value) = slope.split_at_mut(columns - 1);
            self.policy(sample, logits, by_logits, &mut room, &mut seen);
            let (loss, slope) = value_loss(value[0], sample.value, sample.target, self.config.value_clip);
            seen.value_loss += loss * self.share;
            by_value[0] = self.config.value_weight * slope * self.share;
        }
        seen
    }

    fn policy(
        self,
        sample: &Sample,
        logits: &[f32],
        slope: &mut [f32],
        room: &mut Room,
        seen: &mut UpdateStatistics,
    ) {
        let Loss { config, guide_bias, entropy_weight, share, .. } = self;
        let Room { log_p, p, log_q } = room;
        let action = usize::from(sample.action);
        let guide = sample.guide.map(usize::from);
        biased_log_softmax(logits, sample.mask, guide, guide_bias, log_p);
        p.clear();
        p.extend(log_p.iter().map(|l| l.exp()));
        let log_ratio = log_p[action] - sample.log_p;
        let moved = log_ratio.exp_m1();
        let (loss, by_log_p) = surrogate(1.0 + moved, sample.advantage - self.centre, config.clip);
        let h = entropy(p, log_p);
        let all = slope.iter_mut().zip(&*p).zip(entropy_slope(p, log_p, h)).enumerate();
        for (a, ((slope, p), by_entropy)) in all {
            let chosen = if a == action { 1.0 } else { 0.0 };
            *slope = (by_log_p * (chosen - p) - entropy_weight * by_entropy) * share;
        }
        if config.guide_penalty > 0.0 && guide.is_some() {
            biased_log_softmax(&[0.0; 32][..logits.len()], sample.mask, guide, guide_bias, log_q);
            let apart = divergence_from(log_p, log_q);
            for (slope, by_apart) in slope.iter_mut().zip(divergence_slope(log_p, log_q, apart)) {
                *slope += config.guide_penalty * by_apart * share;
            }
        }
        seen.policy_loss += loss * share;
        seen.entropy += h * share;
        seen.divergence += divergence(moved, log_ratio) * share;
        seen.clipped += if moved.abs() > config.clip { share } else { 0.0 };
    }
}

/// Working memory.
#[derive(Default)]
struct Room {
    log_p: Vec<f32>,
    p: Vec<f32>,
    log_q: Vec<f32>,
}

#[cfg(test)]
mod tests {
    use lowgear_env::{Seed, Stream};
    use rand::RngExt;

    use super::*;
    use crate::policy::Mask;

    fn samples(count: usize) -> (Vec<Sample>, Vec<f32>) {
        let mut rng = Seed(3).stream(Stream::Learn, 0);
        let mut draw = |_| rng.random_range(-1.0..1.0_f32);
        let outputs = (0..count * 4).map(&mut draw).collect();
        let sample = |i: usize| Sample {
            mask: if i.is_multiple_of(3) { Mask::from([true, true, false]) } else { Mask::all(3) },
            action: (i % 2) as u8,
            guide: (!i.is_multiple_of(5)).then_some(1),
            log_p: -1.0 + 0.3 * draw(i),
            value: draw(i),
            advantage: draw(i),
            target: draw(i),
        };
        ((0..count).map(sample).collect(), outputs)
    }

    fn config() -> PpoConfig {
        PpoConfig { guide_bias: 1.0, guide_penalty: 0.3, value_clip: Some(0.4), ..PpoConfig::default() }
    }

    #[test]
    fn blocks_on_any_number_of_threads_give_what_single_rows_give() {
        let (samples, outputs) = samples(2 * BLOCK + 77);
        let config = config();
        let loss = Loss::new(&config, config.guide_bias, 0.1, &samples);
        let run = |threads: usize| {
            let mut slope = vec![0.0; outputs.len()];
            let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
            let seen = pool.install(|| loss.derivative(&samples, &outputs, &mut slope));
            (seen, slope)
        };
        let (seen, slope) = run(1);
        assert_eq!((seen, slope.clone()), run(3));
        let mut single = vec![0.0; outputs.len()];
        let mut sum = UpdateStatistics::default();
        for ((sample, outputs), slope) in samples.iter().zip(outputs.chunks(4)).zip(single.chunks_mut(4)) {
            let row = loss.block(std::slice::from_ref(sample), outputs, slope, 4);
            sum.policy_loss += row.policy_loss;
            sum.value_loss += row.value_loss;
            sum.entropy += row.entropy;
            sum.divergence += row.divergence;
            sum.clipped += row.clipped;
        }
        assert_eq!(slope, single);
        for (a, b) in [
            (seen.policy_loss, sum.policy_loss),
            (seen.value_loss, sum.value_loss),
            (seen.entropy, sum.entropy),
            (seen.divergence, sum.divergence),
            (seen.clipped, sum.clipped),
        ] {
            assert!((a - b).abs() < 1e-4 && b != 0.0, "{a} {b}");
        }
    }

    #[test]
    fn the_derivative_by_each_output_equals_finite_differences() {
        let (samples, outputs) = samples(30);
        let config = PpoConfig { guide_penalty: 0.0, ..config() };
        let loss = Loss::new(&config, config.guide_bias, 0.1, &samples);
        let whole = |outputs: &[f32]| {
            let mut slope = vec![0.0; outputs.len()];
            let seen = loss.derivative(&samples, outputs, &mut slope);
            (seen.policy_loss - 0.1 * seen.entropy + config.value_weight * seen.value_loss, slope)
        };
        let (_, slope) = whole(&outputs);
        let (mut near, mut kinks) = (0, 0);
        for (i, slope) in slope.iter().enumerate() {
            let mut moved = outputs.clone();
            moved[i] += 0.01;
            let above = whole(&moved).0;
            moved[i] -= 0.02;
            // Where a clip begins within the difference, its derivative lies between.
            if (slope - (above - whole(&moved).0) / 0.02).abs() < 2e-4 { near += 1 } else { kinks += 1 }
        }
        assert!(near >= 110 && kinks <= 10, "{near} {kinks}");
    }
}
