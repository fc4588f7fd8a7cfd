//! The replay memory: decisions one by one, in the order in which they were taken.

use lowgear_env::{End, Step};
use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::{Mask, priority::SumTree, update::discount};

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

/// Ring of transitions `(s, a, r, d, s')`, each field in a vector of its own. A transition lies behind the one before
/// it, so that rewards can be summed over several when they are learned from.
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
    /// Whether the episode was over after it.
    last: Vec<bool>,
    /// How often each slot is to be drawn; none: all alike.
    priorities: Option<SumTree>,
}

/// One transition.
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
    /// Whether the episode was over after it.
    pub(crate) last: bool,
}

impl<'a> Transition<'a> {
    /// A decision whose outcome is known.
    pub(crate) fn new(
        decision: &'a Decision,
        last: bool,
        next: &'a [f32],
        next_mask: Mask,
    ) -> Transition<'a> {
        Transition {
            observation: &decision.observation,
            mask: decision.mask,
            action: decision.action,
            guide: decision.guide,
            reward: decision.reward as f32,
            discount: decision.discount as f32,
            next_observation: next,
            next_mask,
            last,
        }
    }
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
            last: Vec::new(),
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
        let short = [self.mask.len(), self.next_mask.len(), self.guide.len(), self.last.len()];
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
        put(&mut self.last, slot, t.last);
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
            last: self.last[slot],
        }
    }

    /// Up to `count` transitions of one episode in the order in which they were taken, from a slot on.
    pub(crate) fn in_a_row(&self, slot: usize, count: usize) -> impl Iterator<Item = Transition<'_>> {
        let slots = std::iter::successors(Some(slot), |&slot| {
            let next = (slot + 1) % self.capacity;
            (!self.last[slot] && next != self.head && next < self.len()).then_some(next)
        });
        slots.take(count).map(|slot| self.get(slot))
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

    /// Decisions 0 to 4 of two episodes, the second one under way; rewards are the decisions' numbers.
    fn lived(capacity: usize) -> Replay {
        let mut replay = Replay::new(1, capacity, false);
        for (i, end) in
            [None, Some(End::Truncated), None, Some(End::Terminated), None].into_iter().enumerate()
        {
            let decision = decision(i as f32, i as f64, end);
            let next = [i as f32 + 1.0];
            replay.push(&Transition::new(&decision, end.is_some(), &next, Mask::all(2)));
        }
        replay
    }

    fn rows(replay: &Replay, slot: usize, count: usize) -> Vec<(f32, f32)> {
        replay.in_a_row(slot, count).map(|t| (t.reward, t.discount)).collect()
    }

    #[test]
    fn rows_end_with_the_episode_and_with_what_is_known() {
        let replay = lived(10);
        // Scaled by 10; the clock running out leaves the discount, the end of the task does not.
        assert_eq!(rows(&replay, 0, 3), [(0.0, 0.25), (10.0, 0.25)]);
        assert_eq!(rows(&replay, 2, 3), [(20.0, 0.25), (30.0, 0.0)]);
        assert_eq!(rows(&replay, 2, 1), [(20.0, 0.25)]);
        assert_eq!(rows(&replay, 4, 3), [(40.0, 0.25)]);
    }

    #[test]
    fn rows_go_round_the_ring_and_not_past_the_newest() {
        // Slots hold 3, 4, 2: the oldest is 2.
        let replay = lived(3);
        assert_eq!(rows(&replay, 2, 9), [(20.0, 0.25), (30.0, 0.0)]);
        assert_eq!(rows(&replay, 1, 9), [(40.0, 0.25)]);
        let one = lived(1);
        assert_eq!(rows(&one, 0, 9), [(40.0, 0.25)]);
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
            last: false,
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
