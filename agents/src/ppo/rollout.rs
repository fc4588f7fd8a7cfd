//! What one world's decisions of a round leave behind, in order.

use serde::{Deserialize, Serialize};

use super::update::{Lived, advantages};
use crate::policy::Mask;

/// The decisions of one world since the last update.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Trail {
    /// Normalised, `[decisions, inputs]`.
    pub(crate) observations: Vec<f32>,
    pub(crate) taken: Vec<Taken>,
    /// Stretches of one episode each, with the memories before them.
    pub(crate) stretches: Vec<Stretch>,
}

/// A decision and what came of it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Taken {
    pub(crate) mask: Mask,
    pub(crate) action: u8,
    pub(crate) guide: Option<u8>,
    pub(crate) log_p: f32,
    pub(crate) value: f32,
    /// Not scaled.
    pub(crate) reward: f64,
    /// 0 when the task ended with it.
    pub(crate) discount: f32,
    /// Value of what is seen after it, once the episode is over or the round is; 0 when the task ended.
    pub(crate) beyond: Option<f32>,
    /// Whether the episode is over after it.
    pub(crate) last: bool,
}

/// A stretch of decisions of one episode through which the derivative is led back.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Stretch {
    pub(crate) start: usize,
    pub(crate) len: usize,
    /// Memories of policy and value before it; empty without memory or at an episode's begin.
    pub(crate) memories: [Vec<f32>; 2],
}

impl Trail {
    pub(crate) fn len(&self) -> usize {
        self.taken.len()
    }

    pub(crate) fn clear(&mut self) {
        *self = Trail::default();
    }

    /// Takes a decision. `memories` are those before it; a new stretch begins where one is full or an
    /// episode begins.
    pub(crate) fn push(
        &mut self,
        observation: &[f32],
        taken: Taken,
        begins: bool,
        longest: usize,
        memories: &[Vec<f32>; 2],
    ) {
        match self.stretches.last_mut() {
            Some(stretch) if !begins && stretch.len < longest => stretch.len += 1,
            _ => {
                let start = self.len();
                self.stretches.push(Stretch { start, len: 1, memories: memories.clone() });
            }
        }
        self.observations.extend_from_slice(observation);
        self.taken.push(taken);
    }

    /// Advantage and value target of each decision. The last decision must know what lies beyond it.
    pub(crate) fn judge(&self, reward_scale: f64, lambda: f32) -> (Vec<f32>, Vec<f32>) {
        let next = |t: usize| self.taken.get(t + 1).map_or(0.0, |later| later.value);
        let lived: Vec<Lived> = self
            .taken
            .iter()
            .enumerate()
            .map(|(t, taken)| Lived {
                reward: (taken.reward * reward_scale) as f32,
                discount: taken.discount,
                value: taken.value,
                next_value: taken.beyond.unwrap_or_else(|| next(t)),
                last: taken.last,
            })
            .collect();
        let advantages = advantages(&lived, lambda);
        let targets = advantages.iter().zip(&lived).map(|(a, l)| a + l.value).collect();
        (advantages, targets)
    }

    /// Whether a trail that was read back fits together.
    pub(crate) fn fits(&self, inputs: usize, actions: usize, memory: usize) -> bool {
        let mut start = 0;
        let whole = self.stretches.iter().all(|s| {
            let follows = s.start == start && s.len > 0;
            start = start.saturating_add(s.len);
            follows && s.memories.iter().all(|m| m.is_empty() || m.len() == memory)
        });
        let exists = |a: u8| usize::from(a) < actions;
        whole
            && start == self.len()
            && self.observations.len() == self.len() * inputs
            && self.taken.iter().all(|t| exists(t.action) && t.guide.is_none_or(exists))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(crate) fn taken(value: f32, reward: f64, last: bool, beyond: Option<f32>) -> Taken {
        let discount = if beyond == Some(0.0) { 0.0 } else { 0.5 };
        Taken {
            mask: Mask::all(2),
            action: 0,
            guide: None,
            log_p: -0.7,
            value,
            reward,
            discount,
            beyond,
            last,
        }
    }

    #[test]
    fn targets_bootstrap_from_the_next_value_and_not_beyond_an_end() {
        let mut trail = Trail::default();
        let decisions = [
            taken(1.0, 10.0, false, None),
            taken(2.0, 10.0, true, Some(0.0)),
            taken(4.0, 10.0, true, Some(8.0)),
            taken(1.0, 0.0, false, Some(6.0)),
        ];
        for (t, taken) in decisions.into_iter().enumerate() {
            trail.push(&[0.0], taken, [0, 2, 3].contains(&t), 1, &[vec![], vec![]]);
        }
        // One-step targets: r / 10 + d v'.
        let (advantages, targets) = trail.judge(0.1, 0.0);
        assert_eq!(targets, [1.0 + 0.5 * 2.0, 1.0, 1.0 + 0.5 * 8.0, 0.5 * 6.0]);
        assert_eq!(advantages, [1.0, -1.0, 1.0, 2.0]);
    }

    #[test]
    fn stretches_end_with_episodes_and_when_they_are_full() {
        let mut trail = Trail::default();
        for begins in [true, false, false, true, false] {
            trail.push(&[0.0, 1.0], taken(0.0, 0.0, false, None), begins, 2, &[vec![0.5], vec![]]);
        }
        let places: Vec<_> = trail.stretches.iter().map(|s| (s.start, s.len)).collect();
        assert_eq!(places, [(0, 2), (2, 1), (3, 2)]);
        assert!(trail.fits(2, 2, 1) && !trail.fits(1, 2, 1) && !trail.fits(2, 0, 1) && !trail.fits(2, 2, 3));
    }
}
