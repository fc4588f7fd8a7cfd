//! How a parameter varies from episode to episode.

use super::{Check, KeyError, in_range};
use rand::Rng;
use rand_distr::{Distribution, LogNormal, Normal, Uniform};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A distribution of a parameter.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", rename_all_fields = "kebab-case", deny_unknown_fields)]
pub enum ParameterDistribution {
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

/// Most standard deviations of a truncated normal over its width; beyond, its tries would rarely meet it.
const WIDEST: f64 = 10.0;

impl ParameterDistribution {
    /// Draws a value.
    pub fn draw(&self, rng: &mut impl Rng) -> f64 {
        match *self {
            ParameterDistribution::Fixed(value) => value,
            ParameterDistribution::Uniform { low, high } => {
                Uniform::new_inclusive(low, high).map_or(low, |uniform| uniform.sample(rng))
            }
            ParameterDistribution::Normal { mean, sd, low, high } => {
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
            ParameterDistribution::LogNormal { median, log_sd } => {
                LogNormal::new(median.ln(), log_sd).map_or(median, |log_normal| log_normal.sample(rng))
            }
        }
    }

    /// The value that stands for the distribution when nothing is drawn: mean or median.
    #[must_use]
    pub fn centre(&self) -> f64 {
        match *self {
            ParameterDistribution::Fixed(value) => value,
            ParameterDistribution::Uniform { low, high } => 0.5 * (low + high),
            ParameterDistribution::Normal { mean, .. } => mean,
            ParameterDistribution::LogNormal { median, .. } => median,
        }
    }

    /// Checks the shape and that the values drawn lie from `low` to `high`; of a log-normal, which has no end,
    /// all but one in 370 (three standard deviations of the logarithm).
    ///
    /// # Errors
    /// [`KeyError`] for `key`.
    pub fn check_within(&self, key: &str, low: f64, high: f64, unit: &str) -> Result<(), KeyError> {
        self.check().map_err(|e| KeyError::new(key, e.got, e.allowed))?;
        let (least, most) = match *self {
            ParameterDistribution::Fixed(value) => (value, value),
            ParameterDistribution::Uniform { low, high }
            | ParameterDistribution::Normal { low, high, .. } => (low, high),
            ParameterDistribution::LogNormal { median, log_sd } => {
                let reach = (3.0 * log_sd).exp();
                (median / reach, median * reach)
            }
        };
        in_range(key, least, low, high, unit)?;
        in_range(key, most, low, high, unit)
    }
}

impl Check for ParameterDistribution {
    fn check(&self) -> Result<(), KeyError> {
        let fine = match *self {
            ParameterDistribution::Fixed(value) => value.is_finite(),
            ParameterDistribution::Uniform { low, high } => low <= high,
            ParameterDistribution::Normal { mean, sd, low, high } => {
                low <= mean && mean <= high && (0.0..=WIDEST * (high - low)).contains(&sd)
            }
            ParameterDistribution::LogNormal { median, log_sd } => {
                median > 0.0 && (0.0..=2.0).contains(&log_sd)
            }
        };
        if fine {
            return Ok(());
        }
        Err(KeyError::new(
            "spread",
            format!("{self:?}"),
            "low <= mean <= high, sd 0 to 10 (high - low), median > 0, log-sd 0 to 2",
        ))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::{Seed, Stream};

    const DRAWS: u32 = 200_000;

    /// Mean, standard deviation, least and most of many draws.
    fn moments(spread: ParameterDistribution) -> (f64, f64, f64, f64) {
        let mut rng = Seed(11).stream(Stream::Vehicle, 0);
        let drawn: Vec<f64> = (0..DRAWS).map(|_| spread.draw(&mut rng)).collect();
        let n = f64::from(DRAWS);
        let mean = drawn.iter().sum::<f64>() / n;
        let sd = (drawn.iter().map(|x| (x - mean).powi(2)).sum::<f64>() / n).sqrt();
        let (least, most) =
            drawn.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(l, m), &x| (l.min(x), m.max(x)));
        (mean, sd, least, most)
    }

    /// Mean and standard deviation of a density from `low` to `high`, summed over narrow strips.
    fn integrated(density: impl Fn(f64) -> f64, low: f64, high: f64) -> (f64, f64) {
        let strips = 20_000;
        let place = |i: i32| low + (high - low) * (f64::from(i) + 0.5) / f64::from(strips);
        let moment =
            |f: &dyn Fn(f64) -> f64| (0..strips).map(|i| f(place(i)) * density(place(i))).sum::<f64>();
        let total = moment(&|_| 1.0);
        let mean = moment(&|x| x) / total;
        (mean, (moment(&|x| (x - mean).powi(2)) / total).sqrt())
    }

    /// Five standard errors of a mean of this many draws; of a standard deviation with room for a long tail.
    #[track_caller]
    fn agree((mean, sd, ..): (f64, f64, f64, f64), expected: (f64, f64)) {
        let error = 5.0 * expected.1 / f64::from(DRAWS).sqrt();
        assert!((mean - expected.0).abs() < error, "mean {mean}, expected {}", expected.0);
        assert!((sd - expected.1).abs() < 2.0 * error, "sd {sd}, expected {}", expected.1);
    }

    #[test]
    fn a_fixed_value_does_not_vary() {
        let (_, sd, least, most) = moments(ParameterDistribution::Fixed(3.25));
        assert_eq!((least, most), (3.25, 3.25));
        assert!(sd < 1e-9);
    }

    #[test]
    fn a_uniform_one_has_its_mean_and_spread_and_keeps_its_limits() {
        let found = moments(ParameterDistribution::Uniform { low: -1.0, high: 3.0 });
        agree(found, (1.0, 4.0 / 12.0_f64.sqrt()));
        assert!(found.2 >= -1.0 && found.2 < -0.99 && found.3 <= 3.0 && found.3 > 2.99, "{found:?}");
    }

    #[test]
    fn a_normal_one_is_cut_off_and_not_piled_up_at_its_limits() {
        let (low, high) = (0.9, 1.3);
        let found = moments(ParameterDistribution::Normal { mean: 1.0, sd: 0.1, low, high });
        let bell = |x: f64| (-0.5 * ((x - 1.0) / 0.1).powi(2)).exp();
        agree(found, integrated(bell, low, high));
        assert!(found.2 > low && found.3 < high, "none lies on a limit: {found:?}");
    }

    #[test]
    fn a_log_normal_one_has_its_median_and_the_spread_of_its_logarithm() {
        let (median, log_sd) = (1.2_f64, 0.25_f64);
        let mean = median * (0.5 * log_sd * log_sd).exp();
        let found = moments(ParameterDistribution::LogNormal { median, log_sd });
        agree(found, (mean, mean * ((log_sd * log_sd).exp() - 1.0).sqrt()));
        let mut rng = Seed(12).stream(Stream::Vehicle, 0);
        let spread = ParameterDistribution::LogNormal { median, log_sd };
        let below = (0..DRAWS).filter(|_| spread.draw(&mut rng) < median).count() as f64 / f64::from(DRAWS);
        assert!((below - 0.5).abs() < 5.0 * 0.5 / f64::from(DRAWS).sqrt(), "{below}");
    }

    #[test]
    fn shapes_and_reach_are_checked() {
        for (spread, fine) in [
            (ParameterDistribution::Fixed(1.0), true),
            (ParameterDistribution::Fixed(f64::NAN), false),
            (ParameterDistribution::Fixed(6.0), false),
            (ParameterDistribution::Uniform { low: 1.2, high: 0.8 }, false),
            (ParameterDistribution::Uniform { low: 0.1, high: 1.0 }, false),
            (ParameterDistribution::Normal { mean: 1.0, sd: 0.1, low: 0.8, high: 1.2 }, true),
            (ParameterDistribution::Normal { mean: 1.0, sd: f64::NAN, low: 0.8, high: 1.2 }, false),
            (ParameterDistribution::Normal { mean: 1.0, sd: f64::INFINITY, low: 0.8, high: 1.2 }, false),
            (ParameterDistribution::Normal { mean: 1.0, sd: 1e308, low: 0.8, high: 1.2 }, false),
            (ParameterDistribution::Normal { mean: 1.0, sd: 0.0, low: 1.0, high: 1.0 }, true),
            (ParameterDistribution::Normal { mean: 1.3, sd: 0.1, low: 0.8, high: 1.2 }, false),
            (ParameterDistribution::LogNormal { median: 1.0, log_sd: 0.3 }, true),
            (ParameterDistribution::LogNormal { median: 1.0, log_sd: 0.6 }, false),
            (ParameterDistribution::LogNormal { median: -1.0, log_sd: 0.1 }, false),
        ] {
            let result = spread.check_within("mass-factor", 0.2, 5.0, "");
            assert_eq!(result.is_ok(), fine, "{spread:?}: {result:?}");
            assert!(result.err().is_none_or(|e| e.key == "mass-factor"));
        }
    }
}
