//! What one world's decisions of an iteration leave behind, in order.

use serde::{Deserialize, Serialize};

use super::update::{GaeStep, advantages};
use crate::policy::Mask;

/// The decisions of one world since the last update.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Trajectory {
    /// Normalised, `[decisions, inputs]`.
    pub(crate) observations: Vec<f32>,
    pub(crate) transitions: Vec<Transition>,
    /// Sequences of one episode each, with the memories before them.
    pub(crate) sequences: Vec<Sequence>,
}

/// A decision and what came of it.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Transition {
    pub(crate) mask: Mask,
    pub(crate) action: u8,
    pub(crate) guide: Option<u8>,
    pub(crate) log_p: f32,
    pub(crate) value: f32,
    /// Not scaled.
    pub(crate) reward: f64,
    /// 0 when the task ended with it.
    pub(crate) discount: f32,
    /// Decay of later advantages, `lambda_per_s^elapsed_s`.
    pub(crate) decay: f32,
    /// Value of what is seen after it, once the episode is over or the iteration is; 0 when the task ended.
    pub(crate) bootstrap_value: Option<f32>,
    /// Whether the episode is over after it.
    pub(crate) last: bool,
}

/// A sequence of decisions of one episode through which the derivative is back-propagated.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub(crate) struct Sequence {
    pub(crate) start: usize,
    pub(crate) len: usize,
    /// Memories of policy and value before it; empty without memory or at an episode's begin.
    pub(crate) memories: [Vec<f32>; 2],
}

impl Transition {
    /// Whether one that was read back names actions that exist.
    pub(crate) fn fits(&self, actions: usize) -> bool {
        let exists = |a: u8| usize::from(a) < actions;
        exists(self.action) && self.guide.is_none_or(exists)
    }
}

impl Trajectory {
    pub(crate) fn len(&self) -> usize {
        self.transitions.len()
    }

    /// Forgets everything but the room that it has.
    pub(crate) fn clear(&mut self) {
        self.observations.clear();
        self.transitions.clear();
        self.sequences.clear();
    }

    /// Takes a decision. `memories` are those before it; a new sequence begins where one is full or an
    /// episode begins.
    pub(crate) fn push(
        &mut self,
        observation: &[f32],
        transition: Transition,
        begins: bool,
        longest: usize,
        memories: &[Vec<f32>; 2],
    ) {
        match self.sequences.last_mut() {
            Some(sequence) if !begins && sequence.len < longest => sequence.len += 1,
            _ => {
                let start = self.len();
                self.sequences.push(Sequence { start, len: 1, memories: memories.clone() });
            }
        }
        self.observations.extend_from_slice(observation);
        self.transitions.push(transition);
    }

    /// Advantage and value target of each decision. The last decision must know what lies beyond it.
    pub(crate) fn compute_gae(&self, reward_scale: f64) -> (Vec<f32>, Vec<f32>) {
        let next = |t: usize| self.transitions.get(t + 1).map_or(0.0, |later| later.value);
        let gae_steps: Vec<GaeStep> = self
            .transitions
            .iter()
            .enumerate()
            .map(|(t, transition)| GaeStep {
                reward: (transition.reward * reward_scale) as f32,
                discount: transition.discount,
                decay: transition.decay,
                value: transition.value,
                next_value: transition.bootstrap_value.unwrap_or_else(|| next(t)),
                last: transition.last,
            })
            .collect();
        let advantages = advantages(&gae_steps);
        let targets = advantages.iter().zip(&gae_steps).map(|(a, l)| a + l.value).collect();
        (advantages, targets)
    }

    /// Whether a trajectory that was read back fits together.
    pub(crate) fn fits(&self, inputs: usize, actions: usize, memory: usize) -> bool {
        let mut start = 0;
        let whole = self.sequences.iter().all(|s| {
            let follows = s.start == start && s.len > 0;
            start = start.saturating_add(s.len);
            follows && s.memories.iter().all(|m| m.is_empty() || m.len() == memory)
        });
        whole
            && start == self.len()
            && self.observations.len() == self.len() * inputs
            && self.transitions.iter().all(|t| t.fits(actions))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    pub(crate) fn transition(
        value: f32,
        reward: f64,
        last: bool,
        bootstrap_value: Option<f32>,
    ) -> Transition {
        let discount = if bootstrap_value == Some(0.0) { 0.0 } else { 0.5 };
        Transition {
            mask: Mask::all(2),
            action: 0,
            guide: None,
            log_p: -0.7,
            value,
            reward,
            discount,
            decay: 0.0,
            bootstrap_value,
            last,
        }
    }

    #[test]
    fn targets_bootstrap_from_the_next_value_and_not_beyond_an_end() {
        let mut trajectory = Trajectory::default();
        let decisions = [
            transition(1.0, 10.0, false, None),
            transition(2.0, 10.0, true, Some(0.0)),
            transition(4.0, 10.0, true, Some(8.0)),
            transition(1.0, 0.0, false, Some(6.0)),
        ];
        for (t, transition) in decisions.into_iter().enumerate() {
            trajectory.push(&[0.0], transition, [0, 2, 3].contains(&t), 1, &[vec![], vec![]]);
        }
        // One-step targets: r / 10 + d v'.
        let (advantages, targets) = trajectory.compute_gae(0.1);
        assert_eq!(targets, [1.0 + 0.5 * 2.0, 1.0, 1.0 + 0.5 * 8.0, 0.5 * 6.0]);
        assert_eq!(advantages, [1.0, -1.0, 1.0, 2.0]);
    }

    #[test]
    fn stretches_end_with_episodes_and_when_they_are_full() {
        let mut trajectory = Trajectory::default();
        for begins in [true, false, false, true, false] {
            trajectory.push(&[0.0, 1.0], transition(0.0, 0.0, false, None), begins, 2, &[vec![0.5], vec![]]);
        }
        let places: Vec<_> = trajectory.sequences.iter().map(|s| (s.start, s.len)).collect();
        assert_eq!(places, [(0, 2), (2, 1), (3, 2)]);
        assert!(
            trajectory.fits(2, 2, 1)
                && !trajectory.fits(1, 2, 1)
                && !trajectory.fits(2, 0, 1)
                && !trajectory.fits(2, 2, 3)
        );
    }
}
