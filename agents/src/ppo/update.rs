//! The learning rule as pure functions. Sources:
//! Schulman, Wolski, Dhariwal, Radford, Klimov 2017, "Proximal policy optimization algorithms",
//! arXiv 1707.06347;
//! Schulman, Moritz, Levine, Jordan, Abbeel 2016, "High-dimensional continuous control using generalized
//! advantage estimation", ICLR.
//!
//! Slopes are derivatives of a loss that is to fall.

use crate::policy::Mask;

pub use crate::discount::discount;

/// Logarithms of the probabilities `exp(l_a) / sum_b exp(l_b)` over the possible actions; minus infinity
/// for the others.
pub fn log_softmax(logits: &[f32], mask: Mask, log_p: &mut Vec<f32>) {
    let allowed = |a: usize| mask.allows(a);
    let masked = logits.iter().enumerate().map(|(a, &l)| if allowed(a) { l } else { f32::NEG_INFINITY });
    log_p.clear();
    log_p.extend(masked);
    let most = log_p.iter().copied().fold(f32::NEG_INFINITY, f32::max);
    let sum: f32 = log_p.iter().map(|l| (l - most).exp()).sum();
    let shift = most + sum.ln();
    log_p.iter_mut().for_each(|l| *l -= shift);
}

/// Entropy `H = -sum_a p_a ln p_a`, nat, given probabilities and their logarithms.
#[must_use]
pub fn entropy(p: &[f32], log_p: &[f32]) -> f32 {
    let possible = p.iter().zip(log_p).filter(|(p, _)| **p > 0.0);
    -possible.map(|(p, l)| p * l).sum::<f32>()
}

/// Derivative of [`entropy`] by each logit: `-p_a (ln p_a + H)`.
pub fn entropy_slope<'a>(p: &'a [f32], log_p: &'a [f32], entropy: f32) -> impl Iterator<Item = f32> + 'a {
    p.iter().zip(log_p).map(move |(p, l)| if *p > 0.0 { -p * (l + entropy) } else { 0.0 })
}

/// Divergence `KL = sum_a p_a (ln p_a - ln q_a)` of a policy from another one over the same possible actions, nat.
#[must_use]
pub fn divergence_from(log_p: &[f32], log_q: &[f32]) -> f32 {
    let possible = log_p.iter().zip(log_q).filter(|(p, _)| p.is_finite());
    possible.map(|(p, q)| p.exp() * (p - q)).sum()
}

/// Derivative of [`divergence_from`] by each logit of `p`: `p_a (ln p_a - ln q_a - KL)`.
pub fn divergence_slope<'a>(
    log_p: &'a [f32],
    log_q: &'a [f32],
    divergence: f32,
) -> impl Iterator<Item = f32> + 'a {
    let slope = move |(p, q): (&f32, &f32)| if p.is_finite() { p.exp() * (p - q - divergence) } else { 0.0 };
    log_p.iter().zip(log_q).map(slope)
}

/// The clipped surrogate `-min(r A, clamp(r, 1 - clip, 1 + clip) A)`, equation 7 of Schulman et al. 2017,
/// with `r = p / p_old`. Returns the loss and its derivative by `ln p`.
#[must_use]
pub fn surrogate(ratio: f32, advantage: f32, clip: f32) -> (f32, f32) {
    let free = ratio * advantage;
    let clipped = ratio.clamp(1.0 - clip, 1.0 + clip) * advantage;
    if free <= clipped { (-free, -free) } else { (-clipped, 0.0) }
}

/// Squared error of a value, and its derivative by the value. With a clip, the larger one of the errors of
/// the value and of the value kept within `old ± clip` (the pessimistic choice, as in equation 7).
#[must_use]
pub fn value_loss(value: f32, old: f32, target: f32, clip: Option<f32>) -> (f32, f32) {
    let free = value - target;
    let Some(clip) = clip else { return (free * free, 2.0 * free) };
    let kept = old + (value - old).clamp(-clip, clip);
    let bound = kept - target;
    if free * free >= bound * bound {
        (free * free, 2.0 * free)
    } else {
        (bound * bound, if (value - old).abs() < clip { 2.0 * bound } else { 0.0 })
    }
}

/// One decision, as advantages see it.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct GaeStep {
    /// Scaled reward.
    pub reward: f32,
    /// `gamma_per_s^elapsed_s`; 0 when the task ended with it.
    pub discount: f32,
    /// `lambda_per_s^elapsed_s`: how much of the advantage after it counts.
    pub decay: f32,
    /// Value of the state it was taken in.
    pub value: f32,
    /// Value of what is seen after it.
    pub next_value: f32,
    /// Whether the decision after it belongs to another episode.
    pub last: bool,
}

/// Generalised advantages (Schulman et al. 2016, equation 16) of decisions in order, discounted and decayed by time:
/// `delta_t = r_t + d_t v_{t+1} - v_t`, `A_t = delta_t + d_t l_t A_{t+1}`, and `A_t = delta_t` for the last one of
/// an episode. With `l_t = lambda_per_s^elapsed_s` a decision that outlasts several is bridged as they would be.
#[must_use]
pub fn advantages(gae_steps: &[GaeStep]) -> Vec<f32> {
    let mut all = vec![0.0; gae_steps.len()];
    let mut later = 0.0;
    for (t, step) in gae_steps.iter().enumerate().rev() {
        let delta = step.reward + step.discount * step.next_value - step.value;
        later = if step.last { delta } else { delta + step.discount * step.decay * later };
        all[t] = later;
    }
    all
}

/// Shifts and scales to mean 0 and deviation 1. A single number, or equal ones, become 0.
pub fn standardise(values: &mut [f32]) {
    let n = values.len() as f64;
    let mean = values.iter().map(|&v| f64::from(v)).sum::<f64>() / n;
    let square = values.iter().map(|&v| (f64::from(v) - mean).powi(2)).sum::<f64>() / n;
    let scale = 1.0 / (square.sqrt() + 1e-8);
    values.iter_mut().for_each(|v| *v = ((f64::from(*v) - mean) * scale) as f32);
}

/// Estimate of the divergence of the new policy from the old one by one draw of the old one, nat:
/// `(r - 1) - ln r`; never negative, and right in expectation. Takes `r - 1`, which near 0 has more digits than `r`.
#[must_use]
pub fn divergence(ratio_less_1: f32, log_ratio: f32) -> f32 {
    ratio_less_1 - log_ratio
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f32, b: f32) -> bool {
        (a - b).abs() < 1e-5
    }

    fn exp(log_p: &[f32]) -> Vec<f32> {
        log_p.iter().map(|l| l.exp()).collect()
    }

    #[test]
    fn probabilities_by_hand() {
        let mut log_p = Vec::new();
        log_softmax(&[1.0, 900.0, 1.0 + 3.0_f32.ln()], Mask::from([true, false, true]), &mut log_p);
        assert!(close(log_p[0].exp(), 0.25) && log_p[1].exp() == 0.0 && close(log_p[2].exp(), 0.75));
        // 0.25 ln 4 + 0.75 ln (4 / 3) = 0.562335.
        assert!(close(entropy(&exp(&log_p), &log_p), 0.562_335));
    }

    #[test]
    fn the_slope_of_the_entropy_equals_finite_differences() {
        let (logits, mask) = ([0.3, -0.2, 0.9, 0.1], Mask::from_fn(4, |a| a != 3));
        let value = |logits: &[f32]| {
            let mut log_p = Vec::new();
            log_softmax(logits, mask, &mut log_p);
            entropy(&exp(&log_p), &log_p)
        };
        let mut log_p = Vec::new();
        log_softmax(&logits, mask, &mut log_p);
        let p = exp(&log_p);
        for (a, slope) in entropy_slope(&p, &log_p, entropy(&p, &log_p)).enumerate() {
            let mut moved = logits;
            moved[a] += 0.01;
            let above = value(&moved);
            moved[a] -= 0.02;
            assert!((slope - (above - value(&moved)) / 0.02).abs() < 1e-3, "{a}");
        }
    }

    #[test]
    fn the_divergence_from_the_guide_by_hand_and_its_slope_by_finite_differences() {
        let (logits, mask) = ([0.3, -0.2, 0.9], Mask::from([true, true, false]));
        let mut log_q = Vec::new();
        log_softmax(&[2.0, 0.0, 0.0], mask, &mut log_q);
        let of = |logits: &[f32]| {
            let mut log_p = Vec::new();
            log_softmax(logits, mask, &mut log_p);
            let found = divergence_from(&log_p, &log_q);
            (log_p, found)
        };
        assert_eq!(of(&[2.0, 0.0, 5.0]).1, 0.0);
        // p = (0.5, 0.5), q = (0.880797, 0.119203): 0.5 ln(0.25 / 0.104994) = 0.433781.
        assert!(close(of(&[0.0, 0.0, 0.0]).1, 0.433_781));
        let (log_p, found) = of(&logits);
        for (a, slope) in divergence_slope(&log_p, &log_q, found).enumerate() {
            let mut moved = logits;
            moved[a] += 0.01;
            let above = of(&moved).1;
            moved[a] -= 0.02;
            assert!((slope - (above - of(&moved).1) / 0.02).abs() < 1e-3, "{a}");
        }
    }

    #[test]
    fn the_surrogate_by_hand() {
        // Within the clip: -r A, derivative by ln p the same.
        let (loss, slope) = surrogate(1.1, 2.0, 0.2);
        assert!(close(loss, -2.2) && close(slope, -2.2));
        // Beyond it, in the direction that pays: flat.
        let (loss, slope) = surrogate(1.5, 2.0, 0.2);
        assert!(close(loss, -2.4) && slope == 0.0);
        let (loss, slope) = surrogate(0.5, -2.0, 0.2);
        assert!(close(loss, 1.6) && slope == 0.0);
        // Beyond it, in the direction that costs: not flat.
        let (loss, slope) = surrogate(1.5, -2.0, 0.2);
        assert!(close(loss, 3.0) && close(slope, 3.0));
        let (loss, slope) = surrogate(0.5, 2.0, 0.2);
        assert!(close(loss, -1.0) && close(slope, -1.0));
    }

    #[test]
    fn value_losses_by_hand() {
        assert_eq!(value_loss(3.0, 9.0, 1.0, None), (4.0, 4.0));
        assert_eq!(value_loss(3.0, 2.0, 1.0, Some(5.0)), (4.0, 4.0));
        // Kept at 2.5 from 2: (2.5 - 4)^2 = 2.25 is the larger one, and flat.
        assert_eq!(value_loss(3.0, 2.0, 4.0, Some(0.5)), (2.25, 0.0));
        assert_eq!(value_loss(3.0, 2.0, 1.0, Some(0.5)), (4.0, 4.0));
    }

    #[test]
    fn advantages_by_hand() {
        let gae_steps = |reward, discount, value, next_value, last| GaeStep {
            reward,
            discount,
            decay: 0.5,
            value,
            next_value,
            last,
        };
        // Terminated: delta = (1 + 0.5 * 2 - 4, 3 + 0 - 2) = (-2, 1); A = (-2 + 0.5 * 0.5 * 1, 1).
        // Then the clock runs out: delta = 1 + 0.25 * 8 - 1 = 2, and nothing beyond counts.
        let mut steps = [
            gae_steps(1.0, 0.5, 4.0, 2.0, false),
            gae_steps(3.0, 0.0, 2.0, 99.0, true),
            gae_steps(1.0, 0.25, 1.0, 8.0, true),
            gae_steps(0.0, 1.0, 0.0, 5.0, false),
        ];
        assert_eq!(advantages(&steps), [-1.75, 1.0, 2.0, 5.0]);
        // Decay 0: one step. Decay 1: whole returns less the value.
        steps[0].decay = 0.0;
        assert_eq!(advantages(&steps[..2]), [-2.0, 1.0]);
        steps[0].decay = 1.0;
        assert_eq!(advantages(&steps[..2]), [1.0 + 0.5 * 3.0 - 4.0, 1.0]);
    }

    #[test]
    fn standardising_and_divergence_by_hand() {
        let mut values = [1.0, 3.0];
        standardise(&mut values);
        assert!(close(values[0], -1.0) && close(values[1], 1.0));
        let mut same = [0.1; 3];
        standardise(&mut same);
        assert!(same.iter().all(|v| v.abs() < 1e-3), "{same:?}");
        assert!(close(divergence(1.0, 2.0_f32.ln()), 1.0 - 2.0_f32.ln()));
        assert_eq!(divergence(0.0, 0.0), 0.0);
    }
}
