//! Discounting by time.

/// Discount over a stretch of time, `gamma_per_s^elapsed_s` (Bradtke, Duff 1995, "Reinforcement learning
/// methods for continuous-time Markov decision problems", NIPS 7). Decisions of a semi-Markov problem are
/// not evenly spaced, so every learner discounts by this.
#[must_use]
pub fn discount(gamma_per_s: f64, elapsed_s: f64) -> f64 {
    gamma_per_s.powf(elapsed_s)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn it_depends_on_elapsed_time_only() {
        assert!((discount(0.9, 2.0) - 0.81).abs() < 1e-12);
        assert!((discount(0.9, 0.2).powi(5) - 0.9).abs() < 1e-12);
        assert_eq!(discount(1.0, 7.0), 1.0);
    }
}
