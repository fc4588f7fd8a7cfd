//! Prioritised replay: transitions with large errors are drawn more often (Schaul, Quan, Antonoglou, Silver
//! 2016, "Prioritized experience replay", ICLR; the proportional variant, section 3.3 and algorithm 1).

use rand::RngExt;
use rand_chacha::ChaCha8Rng;
use serde::{Deserialize, Serialize};

use super::Schedule;
use crate::neural::limits;
use lowgear_env::config::{Check, KeyError, in_range};

/// Settings of prioritised replay.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, schemars::JsonSchema)]
#[serde(deny_unknown_fields, default, rename_all = "kebab-case")]
pub struct Priority {
    /// Exponent `alpha`, 0 to 1: a transition is drawn with probability proportional to
    /// `(|error| + floor)^alpha`. 0 draws uniformly.
    pub exponent: f32,
    /// Exponent `beta`, 0 to 1: the loss of a draw of probability `P` out of `N` is multiplied by
    /// `(N P)^-beta`, over the largest such factor in the batch. 1 makes up for the uneven draw in full.
    pub correction: Schedule,
    /// Added to each error, in scaled reward, so that none is never drawn.
    pub floor: f32,
}

impl Default for Priority {
    fn default() -> Priority {
        Priority { exponent: 0.6, correction: Schedule::linear(0.4, 1.0, 200_000), floor: 1e-3 }
    }
}

impl Check for Priority {
    fn check(&self) -> Result<(), KeyError> {
        in_range("exponent", self.exponent, 0.0, 1.0, "")?;
        limits::ends("correction", &self.correction, 0.0, 1.0)?;
        limits::positive("floor", self.floor)
    }
}

impl Priority {
    /// `(|error| + floor)^alpha`.
    pub(crate) fn of(&self, error: f32) -> f64 {
        f64::from((error.abs() + self.floor).min(1e18).powf(self.exponent))
    }
}

/// Priorities of the slots of a replay memory, with the sum over any power-of-two block at hand: a draw and
/// a change take the logarithm of the capacity.
///
/// Every sum is rebuilt from the two below it, never by adding a difference, so that a tree read back
/// from its leaves holds the same bits.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(from = "Leaves", into = "Leaves")]
pub(crate) struct SumTree {
    /// `nodes[1]` is the root, `nodes[i]` the sum of `nodes[2 i]` and `nodes[2 i + 1]`; leaves are the upper
    /// half.
    nodes: Vec<f64>,
    len: usize,
    /// Largest priority so far: what a new transition gets, so that it is soon drawn.
    largest: f64,
}

/// What is written and read.
#[derive(Serialize, Deserialize)]
struct Leaves {
    leaves: Vec<f64>,
    largest: f64,
}

impl From<SumTree> for Leaves {
    fn from(tree: SumTree) -> Leaves {
        let first = tree.nodes.len() / 2;
        Leaves { leaves: tree.nodes[first..first + tree.len].to_vec(), largest: tree.largest }
    }
}

impl From<Leaves> for SumTree {
    fn from(Leaves { leaves, largest }: Leaves) -> SumTree {
        let mut tree = SumTree { largest, ..SumTree::new() };
        leaves.into_iter().enumerate().for_each(|(slot, priority)| tree.set(slot, priority));
        tree
    }
}

impl SumTree {
    pub(crate) fn new() -> SumTree {
        SumTree { nodes: vec![0.0; 2], len: 0, largest: 1.0 }
    }

    pub(crate) const fn len(&self) -> usize {
        self.len
    }

    /// Whether priorities that were read back are usable.
    pub(crate) fn is_sane(&self) -> bool {
        let sane = |p: &f64| p.is_finite() && *p >= 0.0;
        self.nodes.iter().all(sane) && sane(&self.largest)
    }

    /// Gives a new transition the largest priority so far.
    pub(crate) fn admit(&mut self, slot: usize) {
        self.set(slot, self.largest);
    }

    /// Gives a transition a priority.
    pub(crate) fn change(&mut self, slot: usize, priority: f64) {
        self.largest = self.largest.max(priority);
        self.set(slot, priority);
    }

    fn set(&mut self, slot: usize, priority: f64) {
        while slot >= self.nodes.len() / 2 {
            self.double();
        }
        self.len = self.len.max(slot + 1);
        let mut node = self.nodes.len() / 2 + slot;
        self.nodes[node] = priority;
        while node > 1 {
            node /= 2;
            self.nodes[node] = self.nodes[2 * node] + self.nodes[2 * node + 1];
        }
    }

    /// Makes room for as many leaves again.
    fn double(&mut self) {
        let first = self.nodes.len() / 2;
        let mut nodes = vec![0.0; 4 * first];
        nodes[2 * first..3 * first].copy_from_slice(&self.nodes[first..]);
        for node in (1..2 * first).rev() {
            nodes[node] = nodes[2 * node] + nodes[2 * node + 1];
        }
        self.nodes = nodes;
    }

    /// Probability of drawing a slot.
    pub(crate) fn probability(&self, slot: usize) -> f64 {
        self.nodes[self.nodes.len() / 2 + slot] / self.nodes[1]
    }

    /// The slot in which `point`, between 0 and the sum of all, lies when priorities stand side by side.
    fn at(&self, mut point: f64) -> usize {
        let first = self.nodes.len() / 2;
        let mut node = 1;
        while node < first {
            let left = self.nodes[2 * node];
            let right = point >= left && self.nodes[2 * node + 1] > 0.0;
            point -= if right { left } else { 0.0 };
            node = 2 * node + usize::from(right);
        }
        (node - first).min(self.len.saturating_sub(1))
    }

    /// Draws `count` slots, one from each of as many equal parts of the whole (algorithm 1, appendix B.2.1).
    pub(crate) fn draw(&self, count: usize, rng: &mut ChaCha8Rng, slots: &mut Vec<usize>) {
        let part = self.nodes[1] / count as f64;
        slots.extend((0..count).map(|i| self.at((i as f64 + rng.random::<f64>()) * part)));
    }

    /// Factors of the loss for drawn slots, the largest one 1.
    pub(crate) fn weights(&self, slots: &[usize], beta: f32, weights: &mut Vec<f32>) {
        let factor = |&slot: &usize| (self.len as f64 * self.probability(slot)).powf(-f64::from(beta)) as f32;
        weights.extend(slots.iter().map(factor));
        let largest = weights.iter().copied().fold(f32::MIN_POSITIVE, f32::max);
        weights.iter_mut().for_each(|w| *w /= largest);
    }
}

#[cfg(test)]
mod tests {
    use lowgear_env::{Seed, Stream};

    use super::*;

    fn tree() -> SumTree {
        let mut tree = SumTree::new();
        for (slot, priority) in [1.0, 2.0, 0.5, 4.0, 0.5].into_iter().enumerate() {
            tree.change(slot, priority);
        }
        tree
    }

    #[test]
    fn points_fall_where_priorities_stand_side_by_side() {
        let tree = tree();
        assert_eq!(
            [0.0, 0.99, 1.0, 2.99, 3.0, 3.49, 3.5, 7.49, 7.5, 7.99].map(|p| tree.at(p)),
            [0, 0, 1, 1, 2, 2, 3, 3, 4, 4]
        );
        assert_eq!(tree.at(8.0), 4, "rounding may lead to the very end");
        assert_eq!(tree.probability(3), 0.5);
    }

    #[test]
    fn slots_are_drawn_as_often_as_their_priority_asks() {
        let tree = tree();
        let (mut rng, mut slots) = (Seed(1).stream(Stream::Learn, 0), Vec::new());
        (0..1000).for_each(|_| tree.draw(8, &mut rng, &mut slots));
        for (slot, share) in [0.125, 0.25, 0.0625, 0.5, 0.0625].into_iter().enumerate() {
            let sampled = slots.iter().filter(|&&s| s == slot).count() as f64 / 8000.0;
            assert!((sampled - share).abs() < 0.01, "{slot}: {sampled}");
        }
    }

    #[test]
    fn weights_by_hand() {
        // N P = 5 * (0.125, 0.5) = (0.625, 2.5); to the power of -1: (1.6, 0.4); over the largest: (1, 0.25).
        let mut weights = Vec::new();
        tree().weights(&[0, 3], 1.0, &mut weights);
        assert_eq!(weights, [1.0, 0.25]);
        weights.clear();
        tree().weights(&[0, 3], 0.5, &mut weights);
        assert_eq!(weights, [1.0, 0.5]);
    }

    #[test]
    fn a_new_transition_gets_the_largest_priority_and_a_tree_read_back_is_the_same() {
        let mut tree = tree();
        tree.change(3, 0.1);
        tree.admit(5);
        assert_eq!(tree.nodes[tree.nodes.len() / 2 + 5], 4.0);
        tree.change(1, 0.1 + 0.2);
        let again: SumTree = postcard::from_bytes(&postcard::to_allocvec(&tree).unwrap()).unwrap();
        assert_eq!(again, tree);
        assert!(tree.is_sane() && tree.len() == 6);
    }

    #[test]
    fn priorities_by_hand() {
        let priority = Priority { exponent: 0.5, floor: 1.0, ..Priority::default() };
        assert_eq!(priority.of(-3.0), 2.0);
        assert!(priority.check().is_ok() && Priority { floor: 0.0, ..priority }.check().is_err());
    }
}
