//! Two-way percentile bootstrap: training seeds and courses are drawn independently, with replacement.
//! Both arms of a pair see the same drawn courses; their seeds are drawn apart. A check of the Student intervals, not
//! used in studies: with few training seeds it is too narrow.

use lowgear_env::{Seed, Stream};
use rand::{Rng, RngExt};

use super::{Estimate, Scores, StatisticsError, check_level, check_pairing};

/// How to resample. There is no default generator: the seed is part of the request.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Resampling {
    /// Level of the interval, in (0, 1).
    pub level: f64,
    /// Number of resamples, at least 100.
    pub resamples: u32,
    /// Seed of the generator ([`Stream::Bootstrap`]).
    pub seed: Seed,
}

/// Mean of `a - b`, paired by course. Shapes `a [n_seeds][n_courses]`, `b [n_seeds or 1][n_courses]`.
///
/// # Errors
/// If the arms differ in courses or the request is out of range.
pub fn bootstrap_difference(
    a: &Scores,
    b: &Scores,
    request: &Resampling,
) -> Result<Estimate, StatisticsError> {
    check_pairing(a, b)?;
    percentile(a, b, request, |draw| draw.a.mean(a, &draw.courses) - draw.b.mean(b, &draw.courses))
}

/// How often each training seed of an arm was drawn.
struct Arm {
    counts: Vec<f64>,
}

impl Arm {
    fn mean(&self, scores: &Scores, courses: &[f64]) -> f64 {
        let total: f64 = scores
            .rows()
            .zip(&self.counts)
            .filter(|(_, count)| **count > 0.0)
            .map(|(row, count)| count * dot(row, courses))
            .sum();
        total / scores.cells().len() as f64
    }
}

/// One resample: how often each seed of each arm and each course was drawn.
struct Draw {
    a: Arm,
    b: Arm,
    courses: Vec<f64>,
}

impl Draw {
    fn identity(a: usize, b: usize, courses: usize) -> Draw {
        Draw { a: Arm { counts: vec![1.0; a] }, b: Arm { counts: vec![1.0; b] }, courses: vec![1.0; courses] }
    }

    fn again(&mut self, rng: &mut impl Rng) {
        for counts in [&mut self.a.counts, &mut self.b.counts, &mut self.courses] {
            counts.fill(0.0);
            for _ in 0..counts.len() {
                let index = rng.random_range(0..counts.len());
                counts[index] += 1.0;
            }
        }
    }
}

/// Point and percentile interval of `statistic`.
fn percentile(
    a: &Scores,
    b: &Scores,
    request: &Resampling,
    statistic: impl Fn(&Draw) -> f64,
) -> Result<Estimate, StatisticsError> {
    check_level(request.level)?;
    if request.resamples < 100 {
        return Err(StatisticsError::Resamples(request.resamples));
    }
    let mut draw = Draw::identity(a.seeds(), b.seeds(), a.courses());
    let mean = statistic(&draw);
    let mut rng = request.seed.stream(Stream::Bootstrap, 0);
    let mut values = Vec::with_capacity(request.resamples as usize);
    for _ in 0..request.resamples {
        draw.again(&mut rng);
        values.push(statistic(&draw));
    }
    values.sort_by(f64::total_cmp);
    let tail = 0.5 * (1.0 - request.level);
    let (low, high) = (quantile(&values, tail), quantile(&values, 1.0 - tail));
    Ok(Estimate { mean, low, high, n_seeds: a.seeds(), n_courses: a.courses() })
}

/// Of sorted values, linear between ranks; symmetric, so that mirrored values give mirrored quantiles.
fn quantile(sorted: &[f64], share: f64) -> f64 {
    let place = share * (sorted.len() - 1) as f64;
    let below = place.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (place - below as f64) * (sorted[above] - sorted[below])
}

fn dot(values: &[f64], weights: &[f64]) -> f64 {
    values.iter().zip(weights).map(|(value, weight)| value * weight).sum()
}
