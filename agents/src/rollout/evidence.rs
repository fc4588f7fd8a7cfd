//! What rollouts have shown about one action in one cell.

use serde::{Deserialize, Serialize};

/// Differences in return between an action and the guide's, tried from the same states.
#[derive(Clone, Copy, Debug, Default, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// Trials; older ones count less.
    pub trials: f64,
    sum: f64,
    squares: f64,
}

/// Trials' worth of prior variance in each cell: a cell that has been lucky a few times is not sure yet.
const PRIOR_TRIALS: f64 = 5.0;

impl Evidence {
    /// Adds one trial.
    pub fn add(&mut self, difference: f64) {
        self.trials += 1.0;
        self.sum += difference;
        self.squares += difference * difference;
    }

    /// Counts everything so far for less.
    pub fn fade(&mut self, keep: f64) {
        self.trials *= keep;
        self.sum *= keep;
        self.squares *= keep;
    }

    /// Mean difference; 0 without a trial.
    #[must_use]
    pub fn mean(&self) -> f64 {
        if self.trials > 0.0 { self.sum / self.trials } else { 0.0 }
    }

    /// Variance of one trial.
    #[must_use]
    pub fn variance(&self) -> f64 {
        if self.trials > 0.0 { (self.squares / self.trials - self.mean().powi(2)).max(0.0) } else { 0.0 }
    }

    /// Variance of the mean, where the variance of a trial is `prior` until shown otherwise.
    #[must_use]
    pub fn variance_of_mean(&self, prior: f64) -> f64 {
        let pooled = (self.trials * self.variance() + PRIOR_TRIALS * prior) / (self.trials + PRIOR_TRIALS);
        pooled / self.trials.max(1e-9)
    }
}
