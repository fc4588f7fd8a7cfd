//! What has been lived through: the queue that sums rewards over some decisions, and the replay memory.

use std::collections::VecDeque;

use lowgear_env::{End, Step};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::{
    Mask,
    priority::SumTree,
    update::{discount, n_step_return},
};

/// A decision whose consequences are not all known yet.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Decision {
    pub(crate) observation: Vec<f32>,
    pub(crate) mask: Mask,
    pub(crate) action: u8,
    /// What the guide would have done.
    pub(crate) guide: Option<u8>,
    /// Scaled reward of this decision alone.
    pub(crate) reward: f64,
    /// Discount of this decision alone; 0 when the task ended with it.
    pub(crate) discount: f64,
}

impl Decision {
    /// Fills in what followed.
    pub(crate) fn resolve(&mut self, step: &Step, gamma_per_s: f64, reward_scale: f32) {
        self.reward = step.reward * f64::from(reward_scale);
        self.discount = match step.end {
            Some(End::Terminated) => 0.0,
            Some(End::Truncated) | None => discount(gamma_per_s, step.elapsed_s),
        };
    }
}

/// Ring of transitions `(s, a, R, D, s')`, each field in a vector of its own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Replay {
    inputs: usize,
    capacity: usize,
    /// Slot that is written next once the ring is full.
    head: usize,
    observation: Vec<f32>,
    next_observation: Vec<f32>,
    mask: Vec<Mask>,
    next_mask: Vec<Mask>,
    action: Vec<u8>,
    guide: Vec<Option<u8>>,
    reward: Vec<f32>,
    discount: Vec<f32>,
    /// How often each slot is to be drawn; none: all alike.
    priorities: Option<SumTree>,
}

/// One transition; rewards are summed and discounts multiplied over the decisions it spans.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Transition<'a> {
    pub(crate) observation: &'a [f32],
    pub(crate) mask: Mask,
    pub(crate) action: u8,
    pub(crate) guide: Option<u8>,
    pub(crate) reward: f32,
    pub(crate) discount: f32,
    pub(crate) next_observation: &'a [f32],
    pub(crate) next_mask: Mask,
}

impl Replay {
    pub(crate) fn new(inputs: usize, capacity: usize, prioritised: bool) -> Replay {
        Replay {
            inputs,
            capacity,
            head: 0,
            observation: Vec::new(),
            next_observation: Vec::new(),
            mask: Vec::new(),
            next_mask: Vec::new(),
            action: Vec::new(),
            guide: Vec::new(),
            reward: Vec::new(),
            discount: Vec::new(),
            priorities: prioritised.then(SumTree::new),
        }
    }

    pub(crate) fn len(&self) -> usize {
        self.action.len()
    }

    /// Priorities of the slots, if there are any.
    pub(crate) const fn priorities(&mut self) -> Option<&mut SumTree> {
        self.priorities.as_mut()
    }

    /// Whether a memory that was read back fits together.
    pub(crate) fn fits(&self, inputs: usize, capacity: usize, actions: usize, prioritised: bool) -> bool {
        let n = self.len();
        let long = [self.observation.len(), self.next_observation.len()];
        let short = [self.mask.len(), self.next_mask.len(), self.guide.len()];
        (self.inputs, self.capacity) == (inputs, capacity)
            && self.priorities.is_some() == prioritised
            && self.priorities.iter().all(|tree| tree.len() == n && tree.is_sane())
            && n <= capacity
            && self.head < capacity
            && long.iter().all(|&l| l == n * inputs)
            && short.iter().all(|&l| l == n)
            && (self.reward.len(), self.discount.len()) == (n, n)
            && self.action.iter().chain(self.guide.iter().flatten()).all(|&a| usize::from(a) < actions)
    }

    /// Takes a transition; the oldest one makes room when the memory is full.
    pub(crate) fn push(&mut self, t: &Transition) {
        let slot = if self.len() < self.capacity { self.len() } else { self.head };
        put_row(&mut self.observation, slot, t.observation);
        put_row(&mut self.next_observation, slot, t.next_observation);
        put(&mut self.mask, slot, t.mask);
        put(&mut self.next_mask, slot, t.next_mask);
        put(&mut self.action, slot, t.action);
        put(&mut self.guide, slot, t.guide);
        put(&mut self.reward, slot, t.reward);
        put(&mut self.discount, slot, t.discount);
        if let Some(tree) = &mut self.priorities {
            tree.admit(slot);
        }
        self.head = (slot + 1) % self.capacity;
    }

    pub(crate) fn get(&self, slot: usize) -> Transition<'_> {
        let row = slot * self.inputs..(slot + 1) * self.inputs;
        Transition {
            observation: &self.observation[row.clone()],
            mask: self.mask[slot],
            action: self.action[slot],
            guide: self.guide[slot],
            reward: self.reward[slot],
            discount: self.discount[slot],
            next_observation: &self.next_observation[row],
            next_mask: self.next_mask[slot],
        }
    }

    /// Draws slots with replacement, uniformly or by priority, and the factor of each one's loss.
    pub(crate) fn sample(&self, count: usize, beta: f32, rng: &mut ChaCha8Rng, sampled: &mut SampledBatch) {
        let SampledBatch { slots, weights } = sampled;
        slots.clear();
        weights.clear();
        match &self.priorities {
            _ if self.len() == 0 => {}
            Some(tree) => {
                tree.draw(count, rng, slots);
                tree.weights(slots, beta, weights);
            }
            None => {
                slots.extend((0..count).map(|_| rng.random_range(0..self.len() as u32) as usize));
                weights.resize(count, 1.0);
            }
        }
    }
}

/// Slots drawn for a learning step, and the factor of each one's loss.
#[derive(Clone, Debug, Default)]
pub(crate) struct SampledBatch {
    pub(crate) slots: Vec<usize>,
    pub(crate) weights: Vec<f32>,
}

fn put<T>(column: &mut Vec<T>, slot: usize, value: T) {
    if slot < column.len() {
        column[slot] = value;
    } else {
        column.push(value);
    }
}

fn put_row(column: &mut Vec<f32>, slot: usize, row: &[f32]) {
    let start = slot * row.len();
    if start < column.len() {
        column[start..start + row.len()].copy_from_slice(row);
    } else {
        column.extend_from_slice(row);
    }
}

/// Decisions that wait until `n_step` of them, or the episode's end, are known.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Queue(VecDeque<Decision>);

impl Queue {
    pub(crate) const fn new() -> Queue {
        Queue(VecDeque::new())
    }

    pub(crate) fn clear(&mut self) {
        self.0.clear();
    }

    pub(crate) fn all(&self, rule: impl FnMut(&Decision) -> bool) -> bool {
        self.0.iter().all(rule)
    }

    /// Takes a decision with its consequence, and moves every one that is complete to the replay memory.
    pub(crate) fn push(
        &mut self,
        decision: Decision,
        n_step: usize,
        over: bool,
        seen: NextObservation,
        to: &mut Replay,
    ) {
        self.0.push_back(decision);
        while self.0.len() >= if over { 1 } else { n_step } {
            let (reward, discount) = n_step_return(self.0.iter().map(|d| (d.reward, d.discount)));
            let Some(first) = self.0.pop_front() else { break };
            to.push(&Transition {
                observation: &first.observation,
                mask: first.mask,
                action: first.action,
                guide: first.guide,
                reward: reward as f32,
                discount: discount as f32,
                next_observation: seen.observation,
                next_mask: seen.mask,
            });
        }
    }
}

/// What is seen after the last decision of the queue.
#[derive(Clone, Copy, Debug)]
pub(crate) struct NextObservation<'a> {
    pub(crate) observation: &'a [f32],
    pub(crate) mask: Mask,
}

#[cfg(test)]
mod tests {
    use lowgear_env::{Seed, Stream};

    use super::*;

    fn decision(at: f32, reward: f64, end: Option<End>) -> Decision {
        let mut d = Decision {
            observation: vec![at],
            mask: Mask::all(2),
            action: 1,
            guide: None,
            reward: 0.0,
            discount: 0.0,
        };
        d.resolve(&Step { reward, elapsed_s: 2.0, end }, 0.5, 10.0); // discount 0.25
        d
    }

    fn lived(ends: [Option<End>; 4], n_step: usize) -> Vec<(f32, f32, f32, f32)> {
        let (mut queue, mut replay) = (Queue::new(), Replay::new(1, 10, false));
        for (i, end) in ends.into_iter().enumerate() {
            let next = [i as f32 + 1.0];
            let seen = NextObservation { observation: &next, mask: Mask::all(2) };
            queue.push(decision(i as f32, 1.0, end), n_step, end.is_some(), seen, &mut replay);
        }
        let rows = (0..replay.len()).map(|i| replay.get(i));
        rows.map(|t| (t.observation[0], t.reward, t.discount, t.next_observation[0])).collect()
    }

    #[test]
    fn returns_over_two_decisions_by_hand() {
        let rows = lived([None, None, None, Some(End::Terminated)], 2);
        let whole = 12.5; // 10 + 0.25 * 10
        assert_eq!(
            rows,
            [
                (0.0, whole, 0.0625, 2.0),
                (1.0, whole, 0.0625, 3.0),
                (2.0, whole, 0.0, 4.0),
                (3.0, 10.0, 0.0, 4.0)
            ]
        );
    }

    #[test]
    fn the_clock_running_out_still_bootstraps() {
        let rows = lived([None, None, None, Some(End::Truncated)], 2);
        assert_eq!(rows[2], (2.0, 12.5, 0.0625, 4.0));
        assert_eq!(rows[3], (3.0, 10.0, 0.25, 4.0));
    }

    #[test]
    fn the_oldest_makes_room_and_draws_stay_inside() {
        let mut replay = Replay::new(1, 3, false);
        let mut t = Transition {
            observation: &[0.0],
            mask: Mask::all(2),
            action: 0,
            guide: Some(1),
            reward: 0.0,
            discount: 1.0,
            next_observation: &[0.0],
            next_mask: Mask::all(2),
        };
        let rewards = [0.0, 1.0, 2.0, 3.0];
        for reward in rewards {
            t.reward = reward;
            replay.push(&t);
        }
        assert_eq!(replay.reward, [3.0, 1.0, 2.0]);
        assert!(replay.fits(1, 3, 2, false) && !replay.fits(1, 3, 2, true));
        assert!(!replay.fits(2, 3, 2, false) && !replay.fits(1, 3, 1, false));
        let mut sampled = SampledBatch::default();
        replay.sample(300, 1.0, &mut Seed(1).stream(Stream::Learn, 0), &mut sampled);
        assert!(sampled.weights.iter().all(|&w| w == 1.0));
        for slot in 0..3 {
            assert!((60..140).contains(&sampled.slots.iter().filter(|&&s| s == slot).count()));
        }
    }
}
