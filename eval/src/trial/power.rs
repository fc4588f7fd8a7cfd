//! How many pairs of laps a claim takes.

use super::sequential::critical_t;
use crate::statistics::student_quantile;
use lowgear_env::{Seed, Stream};
use rand::Rng;
use rand_distr::{Distribution, StandardNormal};
use rayon::prelude::*;

/// Pairs after which a trial is given up.
pub const MOST_PAIRS: usize = 400;
/// Trials that are simulated.
const TRIALS: u64 = 2000;

/// Pairs of the usual paired t test, one-sided at `error`, that find an `effect` (mean difference over standard
/// deviation) with probability `power`; `None` beyond [`MOST_PAIRS`].
#[must_use]
pub fn fixed_pairs(effect: f64, error: f64, power: f64) -> Option<usize> {
    (2..=MOST_PAIRS).find(|&pairs| fixed_power(pairs, effect, error) >= power)
}

/// Probability that the paired t test of so many pairs, one-sided at `error`, finds an `effect`.
#[must_use]
pub fn fixed_power(pairs: usize, effect: f64, error: f64) -> f64 {
    let dof = pairs as f64 - 1.0;
    above_noncentral_t(student_quantile(1.0 - error, dof), dof, effect * (pairs as f64).sqrt())
}

/// Probability that a noncentral t with `dof` degrees of freedom lies above `t`: the normal tail beyond t u less the
/// noncentrality, averaged over the distribution of u = sd / true sd. Simpson's rule over u.
fn above_noncentral_t(t: f64, dof: f64, noncentrality: f64) -> f64 {
    // u is chi / sqrt(dof); its standard deviation is about 1 / sqrt(2 dof).
    let spread = 1.0 / (2.0 * dof).sqrt();
    let (low, high) = ((1.0 - 9.0 * spread).max(1e-9), 1.0 + 9.0 * spread);
    let steps = 2000;
    let step = (high - low) / f64::from(steps);
    let (mut weighted, mut total) = (0.0, 0.0);
    for k in 0..=steps {
        let u = low + step * f64::from(k);
        let simpson = if k == 0 || k == steps { 1.0 } else { 2.0 + 2.0 * f64::from(k % 2) };
        let density = simpson * ((dof - 1.0) * u.ln() - 0.5 * dof * (u * u - 1.0)).exp();
        weighted += density * above_normal(t * u - noncentrality);
        total += density;
    }
    weighted / total
}

/// Probability that a standard normal lies above `z`, by the series of its integral (Marsaglia 2004, "Evaluating the
/// normal distribution", J. Stat. Softw. 11).
fn above_normal(z: f64) -> f64 {
    if z.abs() > 7.0 {
        return if z > 0.0 { 0.0 } else { 1.0 };
    }
    let (mut sum, mut term, mut odd) = (z, z, 1.0);
    while term.abs() > 1e-17 * sum.abs() {
        odd += 2.0;
        term *= z * z / odd;
        sum += term;
    }
    0.5 - sum * (-0.5 * z * z).exp() / std::f64::consts::TAU.sqrt()
}

/// How many pairs trials took that were looked at after every pair.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct SequentialPairs {
    /// Mean, trials without a verdict counted with [`MOST_PAIRS`].
    pub mean: f64,
    /// Half of the trials had their verdict by then; `None` beyond [`MOST_PAIRS`].
    pub median: Option<usize>,
    /// Four fifths had.
    pub eighty_percent: Option<usize>,
}

/// Simulates trials with this `effect` that stop as soon as the bound, one-sided at `error`, excludes 0.
#[must_use]
pub fn sequential_pairs(effect: f64, error: f64, seed: Seed) -> SequentialPairs {
    let critical = critical_values(error);
    let mut pairs: Vec<usize> = (0..TRIALS)
        .into_par_iter()
        .map(|trial| {
            let mut rng = seed.stream(Stream::Trial, trial);
            let mut watch = StoppingTime::new(&critical);
            (1..=MOST_PAIRS)
                .find(|_| watch.take(effect + normal(&mut rng)) == Some(true))
                .unwrap_or(usize::MAX)
        })
        .collect();
    pairs.sort_unstable();
    let at = |share: f64| {
        let found = pairs[((share * TRIALS as f64).ceil() as usize).clamp(1, TRIALS as usize) - 1];
        (found <= MOST_PAIRS).then_some(found)
    };
    let mean = pairs.iter().map(|&n| n.min(MOST_PAIRS) as f64).sum::<f64>() / TRIALS as f64;
    SequentialPairs { mean, median: at(0.5), eighty_percent: at(0.8) }
}

fn normal(rng: &mut impl Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// [`critical_t`] for every number of pairs up to [`MOST_PAIRS`], infinite where there is none.
#[must_use]
pub fn critical_values(error: f64) -> Vec<f64> {
    (0..=MOST_PAIRS).into_par_iter().map(|n| critical_t(n, error).unwrap_or(f64::INFINITY)).collect()
}

/// A trial that is looked at after every pair.
#[derive(Clone, Debug)]
pub struct StoppingTime<'a> {
    critical: &'a [f64],
    pairs: usize,
    mean: f64,
    squares: f64,
}

impl<'a> StoppingTime<'a> {
    /// With the values of [`critical_values`].
    #[must_use]
    pub const fn new(critical: &'a [f64]) -> StoppingTime<'a> {
        StoppingTime { critical, pairs: 0, mean: 0.0, squares: 0.0 }
    }

    /// Takes a difference; whether the interval now lies above 0 (`true`) or below (`false`), if it excludes 0.
    pub fn take(&mut self, difference: f64) -> Option<bool> {
        // Running mean and sum of squares (Welford 1962).
        self.pairs += 1;
        let n = self.pairs as f64;
        let before = difference - self.mean;
        self.mean += before / n;
        self.squares += before * (difference - self.mean);
        let standard_error = (self.squares / (n - 1.0) / n).sqrt();
        let factor = self.critical.get(self.pairs).copied().unwrap_or(f64::INFINITY);
        // Not so for one pair or for pairs all alike: infinity times nothing compares as false.
        let excluded = standard_error > 0.0 && self.mean.abs() > factor * standard_error;
        excluded.then_some(self.mean > 0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_usual_test_takes_the_pairs_of_the_textbook() {
        // Cohen 1988, table 2.3.1 and the usual tables of paired t tests: effect 0.5, two-sided 5 %, power 80 %: 34.
        assert_eq!(fixed_pairs(0.5, 0.025, 0.8), Some(34));
        assert_eq!(fixed_pairs(0.8, 0.025, 0.8), Some(15));
        assert_eq!(fixed_pairs(0.01, 0.025, 0.8), None);
        assert!((fixed_power(20, 0.0, 0.05) - 0.05).abs() < 1e-6, "without an effect the power is the error");
    }

    #[test]
    fn the_same_seed_gives_the_same_number_of_pairs_and_a_larger_effect_needs_fewer() {
        let few = sequential_pairs(1.5, 0.025, Seed(1));
        assert_eq!(few, sequential_pairs(1.5, 0.025, Seed(1)));
        let more = sequential_pairs(0.6, 0.025, Seed(1));
        assert!(few.median < more.median && few.mean < more.mean, "{few:?} {more:?}");
        assert_eq!(sequential_pairs(0.0, 0.025, Seed(1)).median, None);
    }

    #[test]
    fn the_stopping_time_is_the_first_interval_that_excludes_zero() {
        use crate::trial::sequential::confidence_sequence;
        let critical = critical_values(0.025);
        for trial in 0..20 {
            let mut rng = Seed(8).stream(Stream::Trial, trial);
            let differences: Vec<f64> = (0..60).map(|_| 0.7 + normal(&mut rng)).collect();
            let steps = confidence_sequence(&differences, 0.95);
            let first = steps.iter().find(|s| s.interval.is_some_and(|[low, high]| low > 0.0 || high < 0.0));
            let mut watch = StoppingTime::new(&critical);
            let found = differences.iter().position(|d| watch.take(*d).is_some()).map(|at| at + 1);
            assert_eq!(found, first.map(|s| s.pairs));
        }
    }
}
