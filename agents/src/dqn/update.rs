//! The learning rule as pure functions. Sources:
//! Mnih et al. 2015, "Human-level control through deep reinforcement learning", Nature 518;
//! van Hasselt, Guez, Silver 2016, "Deep reinforcement learning with double Q-learning", AAAI;
//! Sutton, Barto 2018, "Reinforcement learning", 2nd edition, section 7.1 (n-step returns);
//! Huber 1964, "Robust estimation of a location parameter", Annals of Mathematical Statistics 35;
//! Hester et al. 2018, "Deep Q-learning from demonstrations", AAAI.

pub use crate::discount::discount;
pub use crate::neural::{Adam, clip_norm};

use super::Mask;

/// Sum of discounted rewards and the product of the discounts:
/// `R = r_1 + d_1 r_2 + d_1 d_2 r_3 + ...`, `D = d_1 d_2 d_3 ...`, from `(r_i, d_i)`.
#[must_use]
pub fn n_step_return(steps: impl IntoIterator<Item = (f64, f64)>) -> (f64, f64) {
    steps.into_iter().fold((0.0, 1.0), |(sum, product), (r, d)| (sum + product * r, product * d))
}

/// `y = R + D Q(s', argmax_a Q_choice(s', a))` over the possible actions; `D` is 0 beyond a terminal
/// state. Double Q-learning hands the learning network's values as `choice`, plain Q-learning the
/// target network's own.
#[must_use]
pub fn target(reward: f32, discount: f32, mask: Mask, choice: &[f32], target_values: &[f32]) -> f32 {
    match mask.best(choice) {
        Some(action) if discount > 0.0 => reward + discount * target_values[action],
        _ => reward,
    }
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
    fn returns_and_discounts_by_hand() {
        // 1 + 0.5 * 2 + 0.5 * 0.25 * 8 = 3; 0.5 * 0.25 * 0.5 = 0.0625.
        assert_eq!(n_step_return([(1.0, 0.5), (2.0, 0.25), (8.0, 0.5)]), (3.0, 0.0625));
        assert_eq!(n_step_return([(1.0, 0.5), (2.0, 0.0)]), (2.0, 0.0));
    }

    #[test]
    fn targets_by_hand() {
        let all = Mask::all(3);
        let (online, target_net) = ([1.0, 3.0, 2.0], [10.0, 20.0, 30.0]);
        assert_eq!(target(1.0, 0.5, all, &online, &target_net), 11.0); // double Q
        assert_eq!(target(1.0, 0.5, all, &target_net, &target_net), 16.0); // plain Q
        assert_eq!(target(1.0, 0.5, Mask::from([true, false, false]), &online, &target_net), 6.0);
        assert_eq!(target(1.0, 0.0, all, &online, &target_net), 1.0); // terminal
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
