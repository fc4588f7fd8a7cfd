//! An interval for the mean paired difference that holds at all numbers of pairs together (a confidence sequence).
//!
//! Model: the differences are independent and normal with unknown mean and unknown standard deviation. For a candidate
//! mean m the statistic t = sqrt(n) (mean - m) / sd is, at m the true mean, free of the standard deviation, and so is
//! the ratio of its likelihood under a mean above m to that under m. Averaged over a half-normal prior of the effect
//! (mean minus m, in standard deviations) this ratio is a non-negative martingale of mean 1, so by Ville's inequality
//! it ever reaches 1/a with probability at most a. The bound of the interval is the m at which it reaches 1/a now: the
//! usual interval of Student's t with a larger factor. (Lai 1976, "On confidence sequences", Ann. Statist. 4; the
//! Student form: Wang, Ramdas 2024, "Anytime-valid t-tests and confidence sequences for Gaussian means with unknown
//! variance", Sequential Analysis 43.)
//!
//! Why not a betting test (Waudby-Smith, Ramdas 2024, J. R. Stat. Soc. B 86): it needs a bound of every difference in
//! advance, and its power falls with that bound. A lap with a stall is no longer within any bound that would leave
//! power for gains of a few per cent.
//!
//! What remains of the assumption: laps of equal policies in random order have differences that are symmetric about 0
//! whatever their distribution. `coverage.rs` measures the error with long tails, occasional very slow laps and a
//! falling battery.

use crate::statistics::student_cdf;

/// Variance of the prior of the effect: gains of about the scatter of one pair are where it decides fastest.
const PRIOR_VARIANCE: f64 = 1.0;

/// Natural logarithm of the likelihood ratio of "the mean lies above" to "the mean lies here", for Student's statistic
/// `t` of `pairs` >= 2 differences.
///
/// With n pairs, prior variance g, q = 1 + n g and r = t^2 / (n - 1): the two-sided mixture is
/// q^(-1/2) ((1 + r) / (1 + r / q))^(n/2); the half above has twice the share of the posterior above 0, which is
/// Student's distribution function with n degrees of freedom.
#[must_use]
pub fn log_likelihood_ratio(t: f64, pairs: usize) -> f64 {
    let n = pairs as f64;
    let q = 1.0 + n * PRIOR_VARIANCE;
    let r = t * t / (n - 1.0);
    let both = -0.5 * q.ln() + 0.5 * n * (r.ln_1p() - (r / q).ln_1p());
    // n mean / sqrt((n + 1/g) (sum of squares about the posterior mean)), in units of the standard deviation.
    let rest = (n - 1.0) * (1.0 + r / q) * (n + 1.0 / PRIOR_VARIANCE);
    let posterior_t = t * n / rest.sqrt();
    both + (2.0 * student_cdf(posterior_t, n)).ln()
}

/// The `t` at which the likelihood ratio of `pairs` differences reaches 1 / `error`; `None` where no `t` does, because
/// the pairs are too few.
#[must_use]
pub fn critical_t(pairs: usize, error: f64) -> Option<f64> {
    if pairs < 2 {
        return None;
    }
    let reached = |t: f64| log_likelihood_ratio(t, pairs) >= -error.ln();
    let mut high = 1.0;
    while !reached(high) {
        high *= 2.0;
        if high > 1e6 {
            return None;
        }
    }
    let mut low = 0.0;
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if reached(middle) { high = middle } else { low = middle }
    }
    Some(high)
}

/// The interval after some pairs.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Step {
    /// Pairs so far.
    pub pairs: usize,
    /// Mean of the differences.
    pub mean: f64,
    /// Their standard deviation; 0 for one pair.
    pub sd: f64,
    /// The interval; `None` while the pairs are too few for one, or all alike.
    pub interval: Option<[f64; 2]>,
    /// Likelihood ratios, as natural logarithms, for a mean above 0 and for one below.
    pub log_ratios: [f64; 2],
}

/// The interval after each of the pairs. `level` is the probability that all of them hold the true mean together.
#[must_use]
pub fn confidence_sequence(differences: &[f64], level: f64) -> Vec<Step> {
    (1..=differences.len()).map(|pairs| step(&differences[..pairs], level)).collect()
}

fn step(differences: &[f64], level: f64) -> Step {
    let pairs = differences.len();
    let n = pairs as f64;
    let mean = differences.iter().sum::<f64>() / n;
    let squares: f64 = differences.iter().map(|d| (d - mean).powi(2)).sum();
    let sd = if pairs > 1 { (squares / (n - 1.0)).sqrt() } else { 0.0 };
    if sd <= 0.0 {
        return Step { pairs, mean, sd, interval: None, log_ratios: [0.0; 2] };
    }
    let standard_error = sd / n.sqrt();
    let t = mean / standard_error;
    let interval = critical_t(pairs, 0.5 * (1.0 - level)).map(|factor| {
        let half = factor * standard_error;
        [mean - half, mean + half]
    });
    let log_ratios = [log_likelihood_ratio(t, pairs), log_likelihood_ratio(-t, pairs)];
    Step { pairs, mean, sd, interval, log_ratios }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The mixture by numerical integration over effect and standard deviation, both with their prior densities.
    fn integrated(differences: &[f64]) -> f64 {
        let n = differences.len() as f64;
        let (step_e, step_s) = (0.01, 0.005);
        let (mut above, mut here) = (0.0, 0.0);
        for k in 0..2000 {
            // d sd / sd is uniform in the logarithm.
            let sd = (-5.0 + step_s * f64::from(k)).exp();
            let log_likelihood = |mean: f64| {
                differences.iter().map(|d| -0.5 * ((d - mean) / sd).powi(2)).sum::<f64>() - n * sd.ln()
            };
            here += log_likelihood(0.0).exp() * step_s;
            for e in 0..900 {
                let effect = step_e * (f64::from(e) + 0.5);
                let prior = 2.0 * (-0.5 * effect * effect).exp() / std::f64::consts::TAU.sqrt();
                above += prior * log_likelihood(effect * sd).exp() * step_s * step_e;
            }
        }
        above / here
    }

    #[test]
    fn the_likelihood_ratio_is_the_integral_over_its_priors() {
        for differences in [&[0.5, 1.2, -0.3, 0.9][..], &[-0.4, 0.1, -0.8], &[1.0, 1.1, 0.9, 1.3, 0.7]] {
            let last = confidence_sequence(differences, 0.95).pop().unwrap();
            let (ours, theirs) = (last.log_ratios[0].exp(), integrated(differences));
            assert!((ours - theirs).abs() < 2e-3 * theirs, "{differences:?}: {ours} against {theirs}");
        }
    }

    #[test]
    fn the_interval_ends_where_the_ratio_reaches_its_limit_and_needs_enough_pairs() {
        for pairs in [6, 10, 40] {
            let t = critical_t(pairs, 0.025).unwrap();
            assert!((log_likelihood_ratio(t, pairs) - 40f64.ln()).abs() < 1e-9);
            assert!(log_likelihood_ratio(0.99 * t, pairs) < 40f64.ln(), "it increases with t");
        }
        assert_eq!(critical_t(1, 0.025), None);
        assert_eq!(critical_t(3, 0.025), None);
        let alike = confidence_sequence(&[1.0, 1.0, 1.0], 0.95);
        assert!(alike.iter().all(|step| step.interval.is_none()), "no scatter, no interval");
    }

    #[test]
    fn the_interval_moves_with_its_differences_and_scales_with_them() {
        let base = [0.1, -0.4, 0.3, 0.8, -0.2, 0.5, 0.0];
        let of = |values: &[f64]| confidence_sequence(values, 0.95).pop().unwrap().interval.unwrap();
        let [low, high] = of(&base);
        let [moved_low, moved_high] = of(&base.map(|d| 3.0 * d + 2.0));
        assert!(
            (moved_low - (3.0 * low + 2.0)).abs() < 1e-9 && (moved_high - (3.0 * high + 2.0)).abs() < 1e-9
        );
    }
}
