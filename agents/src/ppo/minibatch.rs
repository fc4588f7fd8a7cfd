//! An iteration's decisions of all worlds, and the batches they are learned from.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::{
    rollout::{Sequence, Trajectory, Transition},
    update::standardise,
};
use crate::neural::{Batch, Matrix};
use crate::policy::Mask;

/// A decision as the loss sees it: no more than that, since they are fetched in random order.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Sample {
    pub(crate) mask: Mask,
    pub(crate) action: u8,
    pub(crate) guide: Option<u8>,
    /// What the policy and the value that acted gave.
    pub(crate) log_p: f32,
    pub(crate) value: f32,
    pub(crate) advantage: f32,
    pub(crate) target: f32,
}

impl Sample {
    fn new(transition: Transition, advantage: f32, target: f32) -> Sample {
        let Transition { mask, action, guide, log_p, value, .. } = transition;
        Sample { mask, action, guide, log_p, value, advantage, target }
    }
}

/// The decisions of a buffer, world after world.
#[derive(Debug, Default)]
pub(crate) struct RolloutBuffer {
    inputs: usize,
    observations: Vec<f32>,
    samples: Vec<Sample>,
    /// Decisions that must stay together, in order, with a memory; without one every decision is a unit.
    sequences: Vec<Sequence>,
    /// Width of the memory.
    memory: usize,
}

/// Decisions to learn from in one step.
pub(crate) struct Minibatch {
    pub(crate) batch: Batch,
    /// Of each row.
    pub(crate) samples: Vec<Sample>,
}

impl RolloutBuffer {
    pub(crate) fn new(inputs: usize, memory: usize) -> RolloutBuffer {
        RolloutBuffer { inputs, memory, ..RolloutBuffer::default() }
    }

    /// Empty again, with the room that it has.
    pub(crate) fn emptied(mut self) -> RolloutBuffer {
        self.observations.clear();
        self.samples.clear();
        self.sequences.clear();
        self
    }

    /// Takes over a trajectory that is complete, with its advantages and targets.
    pub(crate) fn add(&mut self, trajectory: &mut Trajectory, (advantages, targets): (Vec<f32>, Vec<f32>)) {
        let first = self.len();
        if self.memory > 0 {
            let moved = trajectory.sequences.drain(..).map(|s| Sequence { start: s.start + first, ..s });
            self.sequences.extend(moved);
        }
        self.observations.append(&mut trajectory.observations);
        let outcomes = advantages.into_iter().zip(targets);
        let samples = trajectory.transitions.iter().zip(outcomes);
        self.samples.extend(samples.map(|(transition, (a, t))| Sample::new(*transition, a, t)));
        trajectory.clear();
    }

    /// Scales the advantages to deviation 1: over the whole buffer, since a batch with a rare disaster would be scaled down
    /// by it, and those without one not.
    pub(crate) fn standardise(&mut self) {
        let mut advantages: Vec<f32> = self.samples.iter().map(|sample| sample.advantage).collect();
        standardise(&mut advantages);
        self.samples.iter_mut().zip(advantages).for_each(|(sample, scaled)| sample.advantage = scaled);
    }

    /// Number of decisions.
    pub(crate) fn len(&self) -> usize {
        self.samples.len()
    }

    /// Decisions of a unit.
    fn unit_len(&self, unit: usize) -> usize {
        if self.memory > 0 { self.sequences[unit].len } else { 1 }
    }

    /// The order in which units are learned from, redrawn (Fisher, Yates 1938).
    pub(crate) fn shuffled(&self, rng: &mut ChaCha8Rng) -> Vec<usize> {
        let units = if self.memory > 0 { self.sequences.len() } else { self.len() };
        let mut order: Vec<usize> = (0..units).collect();
        for i in (1..order.len()).rev() {
            order.swap(i, rng.random_range(0..=i as u32) as usize);
        }
        order
    }

    /// Parts of an order with about `size` decisions each, none much smaller than the others.
    pub(crate) fn parts<'o>(&self, order: &'o [usize], size: usize) -> Vec<&'o [usize]> {
        let parts = ((self.len() as f64 / size as f64).round() as usize).max(1);
        let (mut all, mut from, mut covered) = (Vec::with_capacity(parts), 0, 0);
        for (i, &unit) in order.iter().enumerate() {
            covered += self.unit_len(unit);
            if covered * parts >= self.len() * (all.len() + 1) {
                all.push(&order[from..=i]);
                from = i + 1;
            }
        }
        all
    }

    /// Puts units together: rows of time 0 first, the longest sequence in front.
    pub(crate) fn gather(&self, part: &[usize]) -> Minibatch {
        let (rows, active, memories) = if self.memory > 0 {
            self.side_by_side(part)
        } else {
            (part.to_vec(), vec![part.len()], Vec::new())
        };
        let samples = rows.iter().map(|&row| self.samples[row]).collect();
        let mut observations = Vec::with_capacity(rows.len() * self.inputs);
        for row in rows {
            observations.extend_from_slice(&self.observations[row * self.inputs..(row + 1) * self.inputs]);
        }
        let observations = Matrix::new(observations, self.inputs);
        Minibatch { batch: Batch { observations, active, memories }, samples }
    }

    /// The rows of sequences, how many of them have one at each time, and the memories before them.
    fn side_by_side(&self, part: &[usize]) -> (Vec<usize>, Vec<usize>, Vec<Vec<f32>>) {
        let mut sequences: Vec<&Sequence> = part.iter().map(|&unit| &self.sequences[unit]).collect();
        sequences.sort_by_key(|sequence| std::cmp::Reverse(sequence.len)); // stable
        let longest = sequences.first().map_or(0, |sequence| sequence.len);
        let (mut rows, mut active) = (Vec::new(), Vec::new());
        for t in 0..longest {
            let before = rows.len();
            rows.extend(sequences.iter().take_while(|s| s.len > t).map(|s| s.start + t));
            active.push(rows.len() - before);
        }
        let memories = [0, 1].map(|who| {
            let mut all = Vec::with_capacity(sequences.len() * self.memory);
            for (i, sequence) in sequences.iter().enumerate() {
                all.extend_from_slice(&sequence.memories[who]);
                all.resize((i + 1) * self.memory, 0.0);
            }
            all
        });
        (rows, active, memories.to_vec())
    }
}

#[cfg(test)]
mod tests {
    use lowgear_env::{Seed, Stream};

    use super::*;

    fn trajectory(episodes: &[usize], memory: usize) -> Trajectory {
        let mut trajectory = Trajectory::default();
        let mut value = 0.0;
        for &length in episodes {
            for t in 0..length {
                let transition = Transition {
                    mask: Mask::all(2),
                    action: 0,
                    guide: None,
                    log_p: 0.0,
                    value,
                    reward: 0.0,
                    discount: 1.0,
                    decay: 1.0,
                    bootstrap_value: None,
                    last: t + 1 == length,
                };
                let before = if t == 0 { vec![] } else { vec![value; memory] };
                trajectory.push(&[value], transition, t == 0, 3, &[before.clone(), before]);
                value += 1.0;
            }
        }
        trajectory
    }

    /// A buffer whose targets are the numbers of the decisions.
    fn buffer(memory: usize) -> RolloutBuffer {
        let mut buffer = RolloutBuffer::new(1, memory);
        for episodes in [&[4, 1][..], &[2]] {
            let mut trajectory = trajectory(episodes, memory);
            let n = trajectory.len();
            let numbers = (buffer.len()..buffer.len() + n).map(|row| row as f32);
            buffer.add(&mut trajectory, (vec![0.0; n], numbers.collect()));
        }
        buffer
    }

    fn numbers(batch: &Minibatch) -> Vec<f32> {
        batch.samples.iter().map(|sample| sample.target).collect()
    }

    #[test]
    fn sequences_stand_side_by_side_the_longest_first() {
        // Sequences: 0 1 2 | 3 | 4 || 5 6 (values 0 1 of the second trajectory).
        let batch = buffer(2).gather(&[1, 3, 0]);
        assert_eq!(batch.batch.active, [3, 2, 1]);
        assert_eq!(numbers(&batch), [0.0, 5.0, 3.0, 1.0, 6.0, 2.0]);
        assert_eq!(batch.batch.observations.values(), [0.0, 0.0, 3.0, 1.0, 1.0, 2.0]);
        assert_eq!(batch.batch.memories[0], [0.0, 0.0, 0.0, 0.0, 3.0, 3.0]);
    }

    #[test]
    fn every_decision_is_in_one_part_and_parts_are_of_about_one_size() {
        for memory in [0, 2] {
            let buffer = buffer(memory);
            let order = buffer.shuffled(&mut Seed(1).stream(Stream::Learn, 0));
            let parts = buffer.parts(&order, 3);
            assert_eq!(parts.len(), 2);
            let mut rows: Vec<f32> = parts.iter().flat_map(|part| numbers(&buffer.gather(part))).collect();
            rows.sort_unstable_by(f32::total_cmp);
            assert_eq!(rows, [0.0, 1.0, 2.0, 3.0, 4.0, 5.0, 6.0]);
            assert_eq!(buffer.parts(&order, 1000).len(), 1);
        }
    }
}
