//! The learning rule as pure functions. Sources:
//! Mnih et al. 2015, "Human-level control through deep reinforcement learning", Nature 518;
//! van Hasselt, Guez, Silver 2016, "Deep reinforcement learning with double Q-learning", AAAI;
//! Munos, Stepleton, Harutyunyan, Bellemare 2016, "Safe and efficient off-policy reinforcement learning", NIPS
//! (Retrace);
//! Huber 1964, "Robust estimation of a location parameter", Annals of Mathematical Statistics 35;
//! Hester et al. 2018, "Deep Q-learning from demonstrations", AAAI.

pub use crate::discount::discount;

use super::Mask;

/// The value of what is seen next, `Q(s', argmax_a Q_choice(s', a))` over the possible actions, and that action; 0
/// and none where nothing is possible. Double Q-learning hands the learning network's values as `choice`, plain
/// Q-learning the target network's own.
#[must_use]
pub fn next_value(mask: Mask, choice: &[f32], target_values: &[f32]) -> (f32, Option<usize>) {
    let best = mask.best(choice);
    (best.map_or(0.0, |action| target_values[action]), best)
}

/// A decision in memory, as the target of an earlier one sees it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct TargetStep {
    /// Scaled reward.
    pub reward: f32,
    /// `gamma_per_s^elapsed_s`; 0 when the task ended with it.
    pub discount: f32,
    /// [`next_value`] of what is seen after it.
    pub next_value: f32,
    /// Whether the decision after it is the one that the present network would take.
    pub greedy_next: bool,
}

/// The target of the first of some decisions in a row: `y_t = r_t + d_t (c_t y_{t+1} + (1 - c_t) v_{t+1})`, with
/// `c_t` 1 as long as the next decision in memory is the present greedy one, and 0 from there on.
///
/// This is Retrace of Munos et al. 2016 (equation 4) with `lambda` 1 for a greedy policy: the ratio
/// `min(1, pi / mu)` is 1 for the greedy action and 0 for any other. Rewards summed over what an older or exploring
/// policy did would be those of that policy.
#[must_use]
pub fn retrace_target(steps: &[TargetStep]) -> f32 {
    let later = steps.iter().rev().fold(None, |later, step| {
        let beyond = later.filter(|_| step.greedy_next).unwrap_or(step.next_value);
        // A discount of 0 hides whatever a network says beyond an end, infinities included.
        let beyond = if step.discount > 0.0 { step.discount * beyond } else { 0.0 };
        Some(step.reward + beyond)
    });
    later.unwrap_or(0.0)
}

/// Huber's loss: `e^2 / 2` within `±delta`, straight lines with that slope outside.
#[must_use]
pub fn huber(error: f32, delta: f32) -> f32 {
    let size = error.abs();
    if size <= delta { 0.5 * error * error } else { delta * (size - 0.5 * delta) }
}

/// Derivative of [`huber`].
#[must_use]
pub fn huber_slope(error: f32, delta: f32) -> f32 {
    error.clamp(-delta, delta)
}

/// The large-margin loss `max_a [Q(s, a) + l(a)] - Q(s, a_guide)` with `l(a) = margin` for all actions but
/// the guide's, over the possible actions. Returns the loss and the action that attains the maximum: the
/// derivative is +1 at that action and -1 at the guide's.
#[must_use]
pub fn margin_loss(values: &[f32], mask: Mask, guide: usize, margin: f32) -> (f32, usize) {
    let mut worst = (0.0, guide);
    for (action, value) in values.iter().enumerate() {
        let loss = value + margin - values[guide];
        if action != guide && mask.allows(action) && loss > worst.0 {
            worst = (loss, action);
        }
    }
    worst
}

/// `target += tau (online - target)`.
pub fn polyak_update(target: &mut [f32], online: &[f32], tau: f32) {
    for (t, o) in target.iter_mut().zip(online) {
        *t += tau * (o - *t);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn next_values_by_hand() {
        let all = Mask::all(3);
        let (online, target_net) = ([1.0, 3.0, 2.0], [10.0, 20.0, 30.0]);
        assert_eq!(next_value(all, &online, &target_net), (20.0, Some(1))); // double Q
        assert_eq!(next_value(all, &target_net, &target_net), (30.0, Some(2))); // plain Q
        assert_eq!(next_value(Mask::from([true, false, false]), &online, &target_net), (10.0, Some(0)));
        assert_eq!(next_value(Mask::from([false; 3]), &online, &target_net), (0.0, None));
    }

    #[test]
    fn targets_go_on_only_along_greedy_decisions() {
        let step = |reward, discount, next_value, greedy_next| TargetStep {
            reward,
            discount,
            next_value,
            greedy_next,
        };
        // One step: 1 + 0.5 * 4.
        assert_eq!(retrace_target(&[step(1.0, 0.5, 4.0, true)]), 3.0);
        // Two: 1 + 0.5 * (2 + 0.25 * 8); cut after the first: 1 + 0.5 * 4.
        let second = step(2.0, 0.25, 8.0, false);
        assert_eq!(retrace_target(&[step(1.0, 0.5, 4.0, true), second]), 3.0);
        assert_eq!(retrace_target(&[step(1.0, 0.5, 6.0, true), second]), 3.0);
        assert_eq!(retrace_target(&[step(1.0, 0.5, 6.0, false), second]), 4.0);
        // Three, cut after the second: 1 + 0.5 * (2 + 0.25 * 8), whatever the third earned.
        let third = step(100.0, 0.5, 100.0, true);
        assert_eq!(retrace_target(&[step(1.0, 0.5, 6.0, true), second, third]), 3.0);
        // The end of the task: nothing beyond.
        assert_eq!(retrace_target(&[step(1.0, 0.5, 6.0, true), step(2.0, 0.0, f32::INFINITY, true)]), 2.0);
        assert_eq!(retrace_target(&[]), 0.0);
    }

    #[test]
    fn huber_by_hand() {
        assert_eq!([0.5, -1.0, 3.0].map(|e| huber(e, 1.0)), [0.125, 0.5, 2.5]);
        assert_eq!([0.5, -1.0, 3.0, -3.0].map(|e| huber_slope(e, 1.0)), [0.5, -1.0, 1.0, -1.0]);
    }

    #[test]
    fn margins_by_hand() {
        let all = Mask::all(3);
        assert_eq!(margin_loss(&[1.0, 2.0, 0.0], all, 0, 0.5), (1.5, 1));
        assert_eq!(margin_loss(&[1.0, 0.75, 0.0], all, 0, 0.5), (0.25, 1));
        assert_eq!(margin_loss(&[1.0, 0.0, 0.0], all, 0, 0.5), (0.0, 0));
        let no_one = Mask::from([true, false, true]);
        assert_eq!(margin_loss(&[1.0, 2.0, 0.75], no_one, 0, 0.5), (0.25, 2));
    }

    #[test]
    fn following_by_hand() {
        let mut t = [0.0, 1.0];
        polyak_update(&mut t, &[1.0, 1.0], 0.25);
        assert_eq!(t, [0.25, 1.0]);
    }
}
