//! How a parameter varies from episode to episode.

use super::{Check, KeyError, in_range};
use rand::Rng;
use rand_distr::{Distribution, LogNormal, Normal, Uniform};
use serde::{Deserialize, Serialize};

/// A distribution of a parameter.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum Spread {
    /// Always this value.
    Fixed(f64),
    /// Equally likely from low to high.
    Uniform {
        /// Lowest value.
        low: f64,
        /// Highest value.
        high: f64,
    },
    /// Normal, drawn again until it lies from low to high.
    Normal {
        /// Mean.
        mean: f64,
        /// Standard deviation.
        sd: f64,
        /// Lowest value.
        low: f64,
        /// Highest value.
        high: f64,
    },
    /// Log-normal by its median and the standard deviation of its logarithm.
    LogNormal {
        /// Median.
        median: f64,
        /// Standard deviation of the natural logarithm.
        log_sd: f64,
    },
}

/// Tries of a truncated normal before it settles for the nearer limit.
const TRIES: usize = 64;

impl Spread {
    /// Draws a value.
    pub fn draw(&self, rng: &mut impl Rng) -> f64 {
        match *self {
            Spread::Fixed(value) => value,
            Spread::Uniform { low, high } => {
                Uniform::new_inclusive(low, high).map_or(low, |uniform| uniform.sample(rng))
            }
            Spread::Normal { mean, sd, low, high } => {
                let mut value = mean;
                if let Ok(normal) = Normal::new(mean, sd) {
                    for _ in 0..TRIES {
                        value = normal.sample(rng);
                        if value >= low && value <= high {
                            break;
                        }
                    }
                }
                value.clamp(low, high)
            }
            Spread::LogNormal { median, log_sd } => {
                LogNormal::new(median.ln(), log_sd).map_or(median, |log_normal| log_normal.sample(rng))
            }
        }
    }

    /// The value that stands for the distribution when nothing is drawn: mean or median.
    #[must_use]
    pub fn centre(&self) -> f64 {
        match *self {
            Spread::Fixed(value) => value,
            Spread::Uniform { low, high } => 0.5 * (low + high),
            Spread::Normal { mean, .. } => mean,
            Spread::LogNormal { median, .. } => median,
        }
    }

    /// Checks the shape and that every value drawn lies from `low` to `high`.
    ///
    /// # Errors
    /// [`KeyError`] for `key`.
    pub fn check_within(&self, key: &str, low: f64, high: f64, unit: &str) -> Result<(), KeyError> {
        let (least, most) = match *self {
            Spread::Fixed(value) => (value, value),
            Spread::Uniform { low, high } | Spread::Normal { low, high, .. } => (low, high),
            Spread::LogNormal { median, .. } => (median, median),
        };
        in_range(key, least, low, high, unit)?;
        in_range(key, most, low, high, unit)?;
        self.check().map_err(|e| KeyError::new(key, e.got, e.allowed))
    }
}

impl Check for Spread {
    fn check(&self) -> Result<(), KeyError> {
        let fine = match *self {
            Spread::Fixed(value) => value.is_finite(),
            Spread::Uniform { low, high } => low <= high,
            Spread::Normal { mean, sd, low, high } => sd >= 0.0 && low <= mean && mean <= high,
            Spread::LogNormal { median, log_sd } => median > 0.0 && (0.0..=2.0).contains(&log_sd),
        };
        if fine {
            return Ok(());
        }
        Err(KeyError::new(
            "spread",
            format!("{self:?}"),
            "low <= mean <= high, sd >= 0, median > 0, log-sd 0 to 2",
        ))
    }
}
