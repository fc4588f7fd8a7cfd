//! Two-way percentile bootstrap: training seeds and courses are drawn independently, with replacement.
//! Both arms of a pair see the same drawn courses; their seeds are drawn apart.

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
    percentile(a, Some(b), request, |draw| {
        Some(draw.a.mean(a, &draw.courses) - draw.b.mean(b, &draw.courses))
    })
}

/// Mean of the worst `share` of all seed-course pairs (conditional value at risk of a cost: large is bad).
/// Shape `[n_seeds][n_courses]`; a pair on the cut counts in part.
///
/// # Errors
/// If `share` is outside (0, 1] or the request is out of range.
pub fn tail_mean(scores: &Scores, share: f64, request: &Resampling) -> Result<Estimate, StatisticsError> {
    if !(share > 0.0 && share <= 1.0) {
        return Err(StatisticsError::Resampling { resamples: request.resamples, share });
    }
    let mut worst_first: Vec<usize> = (0..scores.cells().len()).collect();
    worst_first.sort_by(|x, y| scores.cells()[*y].total_cmp(&scores.cells()[*x]));
    percentile(scores, None, request, |draw| {
        let wanted = share * scores.cells().len() as f64;
        let (mut weight, mut total) = (0.0, 0.0);
        for &cell in &worst_first {
            let count = draw.a.counts[cell / scores.courses()] * draw.courses[cell % scores.courses()];
            let taken = count.min(wanted - weight);
            total += taken * scores.cells()[cell];
            weight += taken;
            if weight >= wanted {
                break;
            }
        }
        Some(total / wanted)
    })
}

/// Probability that the first arm scores lower than the second on a course, ties counted half; over all
/// pairs of training seeds. Negate both arms where more is better. Shapes as in [`bootstrap_difference`].
///
/// # Errors
/// If the arms differ in courses or the request is out of range.
pub fn probability_of_improvement(
    a: &Scores,
    b: &Scores,
    request: &Resampling,
) -> Result<Estimate, StatisticsError> {
    check_pairing(a, b)?;
    let pairs: Vec<Vec<f64>> = a
        .rows()
        .flat_map(|row| b.rows().map(move |other| row.iter().zip(other).map(|(x, y)| wins(*x, *y)).collect()))
        .collect();
    percentile(a, Some(b), request, |draw| {
        let mut total = 0.0;
        for (index, row) in pairs.iter().enumerate() {
            let weight = draw.a.counts[index / b.seeds()] * draw.b.counts[index % b.seeds()];
            if weight > 0.0 {
                total += weight * dot(row, &draw.courses);
            }
        }
        Some(total / (a.seeds() * b.seeds() * a.courses()) as f64)
    })
}

/// Share of the way from the `zero` policy to the `plan` that `scores` goes, as a fraction:
/// (zero - score) / (zero - plan) in means, all on the same courses. `zero` and `plan` are single rows.
///
/// # Errors
/// If the arms differ in courses, the request is out of range, or the gap is not positive, be it in the
/// scores as given or in more than 1 % of the resamples.
pub fn share_of_gap(
    scores: &Scores,
    zero: &Scores,
    plan: &Scores,
    request: &Resampling,
) -> Result<Estimate, StatisticsError> {
    check_pairing(scores, zero)?;
    check_pairing(scores, plan)?;
    let (zero, plan) = (zero.course_means(), plan.course_means());
    percentile(scores, None, request, |draw| {
        let from = dot(&zero, &draw.courses) / draw.courses.len() as f64;
        let to = dot(&plan, &draw.courses) / draw.courses.len() as f64;
        (from > to).then(|| (from - draw.a.mean(scores, &draw.courses)) / (from - to))
    })
}

/// Interquartile mean over all seed-course pairs. Shape `[n_seeds][n_courses]`.
///
/// # Errors
/// If the request is out of range.
pub fn iqm_interval(scores: &Scores, request: &Resampling) -> Result<Estimate, StatisticsError> {
    let cells = scores.cells();
    let mut smallest_first: Vec<usize> = (0..cells.len()).collect();
    smallest_first.sort_by(|x, y| cells[*x].total_cmp(&cells[*y]));
    let (low, high) = (0.25 * cells.len() as f64, 0.75 * cells.len() as f64);
    percentile(scores, None, request, |draw| {
        let (mut rank, mut total) = (0.0, 0.0);
        for &cell in &smallest_first {
            let count = draw.a.counts[cell / scores.courses()] * draw.courses[cell % scores.courses()];
            let share = (rank + count).min(high) - f64::max(rank, low);
            total += share.max(0.0) * cells[cell];
            rank += count;
            if rank >= high {
                break;
            }
        }
        Some(total / (high - low))
    })
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

/// Point and percentile interval of `statistic` (`None`: undefined on this resample).
fn percentile(
    a: &Scores,
    b: Option<&Scores>,
    request: &Resampling,
    mut statistic: impl FnMut(&Draw) -> Option<f64>,
) -> Result<Estimate, StatisticsError> {
    check_level(request.level)?;
    if request.resamples < 100 {
        return Err(StatisticsError::Resampling { resamples: request.resamples, share: 1.0 });
    }
    let mut draw = Draw::identity(a.seeds(), b.map_or(1, Scores::seeds), a.courses());
    let mean = statistic(&draw).ok_or(StatisticsError::NoGap)?;
    let mut rng = request.seed.stream(Stream::Bootstrap, 0);
    let mut values = Vec::with_capacity(request.resamples as usize);
    for _ in 0..request.resamples {
        draw.again(&mut rng);
        values.extend(statistic(&draw));
    }
    if values.len() * 100 < request.resamples as usize * 99 {
        return Err(StatisticsError::NoGap);
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

fn wins(x: f64, y: f64) -> f64 {
    if x < y {
        1.0
    } else if x > y {
        0.0
    } else {
        0.5
    }
}

fn dot(values: &[f64], weights: &[f64]) -> f64 {
    values.iter().zip(weights).map(|(value, weight)| value * weight).sum()
}
