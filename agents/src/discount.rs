//! Discounting by time.

/// Discount over a stretch of time, `gamma_per_s^elapsed_s` (Bradtke, Duff 1995, "Reinforcement learning
/// methods for continuous-time Markov decision problems", NIPS 7). Decisions of a semi-Markov problem are
/// not evenly spaced, so every learner discounts by this.
#[must_use]
pub fn discount(gamma_per_s: f64, elapsed_s: f64) -> f64 {
    gamma_per_s.powf(elapsed_s)
}

/// The discount per second that amounts to `per_decision` where a decision takes `decision_s`.
///
/// Settings take a discount per second. Mind short decisions: 0.97 per second, fit for decisions of 0.2 s to 1 s, is 0.9994
/// for each decision of 0.02 s, a view over 1600 decisions. Of so many little is learned, and the difference between two
/// actions drowns in the value of what follows both. Where decisions are short, choose a discount per decision, such as
/// 0.99, and convert it.
#[must_use]
pub fn per_second(per_decision: f64, decision_s: f64) -> f64 {
    per_decision.powf(1.0 / decision_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_discount_per_decision_is_converted() {
        assert!((discount(per_second(0.99, 0.02), 0.02) - 0.99).abs() < 1e-12);
        assert!((per_second(0.9, 0.5) - 0.81).abs() < 1e-12);
    }

    #[test]
    fn it_depends_on_elapsed_time_only() {
        assert!((discount(0.9, 2.0) - 0.81).abs() < 1e-12);
        assert!((discount(0.9, 0.2).powi(5) - 0.9).abs() < 1e-12);
        assert_eq!(discount(1.0, 7.0), 1.0);
    }
}
