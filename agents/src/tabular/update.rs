//! The learning rules as pure functions.
//!
//! Names carry a time index: `tm1` is the decision that is being judged, `t` the next one. A slice holds one
//! entry per action; `allowed_t` says which actions are possible. All four rules share one error,
//!
//! ```text
//! delta = r_t + discount_t * v_t - q_tm1          (Sutton, Barto 2018, eq. 6.2 and chapter 6)
//! ```
//!
//! and differ in `v_t`, the value of what follows. `discount_t` is 0 when the task ended, and
//! `gamma_per_s^elapsed_s` otherwise, also when only the clock ran out.

use crate::policy::{Mask, guided_best};

pub use crate::discount::discount;

/// Temporal-difference error, in units of reward.
#[must_use]
pub fn td_error(q_tm1: f64, r_t: f64, discount_t: f64, v_t: f64) -> f64 {
    r_t + discount_t * v_t - q_tm1
}

/// Q-learning: `v_t = max_a q_t[a]` over the allowed actions (Sutton, Barto 2018, eq. 6.8).
#[must_use]
pub fn value_q_learning(q_t: &[f64], allowed_t: Mask) -> f64 {
    q_t[greedy(q_t, allowed_t)]
}

/// Sarsa: `v_t = q_t[a_t]`, the action taken (Sutton, Barto 2018, eq. 6.7).
#[must_use]
pub fn value_sarsa(q_t: &[f64], a_t: usize) -> f64 {
    q_t[a_t]
}

/// Expected Sarsa: `v_t = sum_a pi_t[a] q_t[a]` (Sutton, Barto 2018, eq. 6.9).
#[must_use]
pub fn value_expected_sarsa(q_t: &[f64], pi_t: impl IntoIterator<Item = f64>) -> f64 {
    q_t.iter().zip(pi_t).map(|(q, pi)| q * pi).sum()
}

/// Double Q-learning: one table selects, the other one values (Sutton, Barto 2018, eq. 6.10).
#[must_use]
pub fn value_double_q(selector_t: &[f64], evaluator_t: &[f64], allowed_t: Mask) -> f64 {
    evaluator_t[greedy(selector_t, allowed_t)]
}

/// The allowed action of the highest value, the first one among equals; 0 if none is allowed.
#[must_use]
pub fn greedy(q: &[f64], allowed: Mask) -> usize {
    allowed.best(q).unwrap_or(0)
}

/// Probabilities, action by action, of taking `preferred`, or with probability `epsilon` any allowed action
/// (Sutton, Barto 2018, section 5.4); 0 for actions that there are not, without end.
pub fn epsilon_soft(preferred: usize, allowed: Mask, epsilon: f64) -> impl Iterator<Item = f64> {
    let share = epsilon / allowed.count().max(1) as f64;
    (0..).map(move |action| {
        let explored = if allowed.allows(action) { share } else { 0.0 };
        if action == preferred { explored + (1.0 - epsilon) } else { explored }
    })
}

/// What to do in a cell, given how often each action was tried there and what the guide says.
///
/// Without a guide: the greedy action. With one: the guide's action until that has been tried `trust_visits` times, then
/// [`guided_best`] of the actions tried as often. A guide whose action is not allowed is ignored. The second value says that the guide decided for want of visits.
#[must_use]
pub fn guided_greedy(
    q: &[f64],
    visits: &[u32],
    allowed: Mask,
    guide: Option<usize>,
    trust_visits: u32,
    margin: f64,
) -> (usize, bool) {
    let Some(guide) = guide.filter(|&action| allowed.allows(action)) else {
        return (greedy(q, allowed), false);
    };
    if visits[guide] < trust_visits {
        return (guide, true);
    }
    let trusted = Mask::from_fn(q.len(), |a| allowed.allows(a) && visits[a] >= trust_visits);
    (guided_best(q, trusted, Some(guide), margin).unwrap_or(guide), false)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Worked by hand: r = 1, q_tm1 = 2, discounts 0, 0.5 and 1 over q_t = (1, 4, 3), where the middle
    /// action is not possible.
    #[test]
    fn errors_by_hand() {
        let q_t = [1.0, 4.0, 3.0];
        let allowed = Mask::from([true, false, true]);
        let pi: Vec<f64> = epsilon_soft(2, allowed, 0.2).take(3).collect();
        assert_eq!(pi, [0.1, 0.0, 0.9]);
        let values = [
            value_q_learning(&q_t, allowed),                 // 3
            value_sarsa(&q_t, 0),                            // 1
            value_expected_sarsa(&q_t, pi),                  // 0.1 * 1 + 0.9 * 3 = 2.8
            value_double_q(&[5.0, 9.0, 4.0], &q_t, allowed), // the selector takes action 0: 1
        ];
        let errors = |discount_t| values.map(|v_t| td_error(2.0, 1.0, discount_t, v_t));
        let close = |got: [f64; 4], want: [f64; 4]| {
            assert!(got.iter().zip(want).all(|(a, b)| (a - b).abs() < 1e-12), "{got:?} {want:?}");
        };
        close(errors(0.0), [-1.0, -1.0, -1.0, -1.0]);
        close(errors(0.5), [0.5, -0.5, 0.4, -0.5]);
        close(errors(1.0), [2.0, 0.0, 1.8, 0.0]);
    }

    #[test]
    fn greedy_takes_the_first_of_equals_among_the_allowed() {
        assert_eq!(greedy(&[1.0, 2.0, 2.0], Mask::all(3)), 1);
        assert_eq!(greedy(&[9.0, 2.0, 2.0], Mask::from([false, false, true])), 2);
        assert_eq!(greedy(&[-5.0], Mask::all(1)), 0);
    }

    #[test]
    fn the_guide_gives_way_only_to_evidence() {
        let q = [0.0, 1.0, 5.0];
        let all = Mask::all(3);
        let choose = |visits: [u32; 3], guide, margin| guided_greedy(&q, &visits, all, guide, 10, margin);
        assert_eq!(choose([0, 0, 0], None, 0.5), (2, false));
        assert_eq!(choose([0, 0, 0], Some(1), 0.5), (1, true), "nothing is known");
        assert_eq!(choose([99, 9, 99], Some(1), 0.5), (1, true), "the guide's action is not known");
        assert_eq!(choose([99, 10, 9], Some(1), 0.5), (1, false), "the better one is not known");
        assert_eq!(choose([99, 10, 10], Some(1), 0.5), (2, false));
        assert_eq!(choose([99, 10, 10], Some(1), 4.0), (1, false), "not better by more than the margin");
        assert_eq!(guided_greedy(&q, &[0; 3], Mask::from([true, false, true]), Some(1), 10, 0.5), (2, false));
    }
}
