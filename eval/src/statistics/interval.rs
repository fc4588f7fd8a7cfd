//! Two-way Student intervals for means and paired differences of means.
//!
//! Model: score = mean + seed effect + course effect + rest, seeds and courses both drawn at random. The
//! variance of the mean is estimated as (variance of the seed means) / seeds + (variance of the course
//! means) / courses. The rest is counted twice by this, so the interval is on the safe side by
//! (variance of the rest) / (seeds x courses). Degrees of freedom by Satterthwaite (1946, "An approximate
//! distribution of estimates of variance components", Biometrics Bulletin 2).

use super::student::{student_cdf, student_quantile};
use super::{Estimate, Scores, StatisticsError, check_level, check_pairing, sum};

/// Relative difference below which two means are equal.
const ROUNDING: f64 = 1e-12;

/// A paired difference: its estimate, and the two-sided p-value of "no difference".
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Difference {
    /// First arm minus second arm. `n_seeds` is that of the first arm.
    pub estimate: Estimate,
    /// Two-sided, for this comparison alone; see [`super::holm`].
    pub p_value: f64,
}

/// Mean over seeds and courses with its interval. Shape `[n_seeds][n_courses]`.
///
/// # Errors
/// If `level` is outside (0, 1) or there are fewer than two courses.
pub fn mean_interval(scores: &Scores, level: f64) -> Result<Estimate, StatisticsError> {
    let parts = [spread(&scores.course_means()), spread(&scores.seed_means())];
    Ok(two_way(scores.mean(), &parts, level, scores)?.estimate)
}

/// Mean of `a - b`, paired by course, with its interval. Shapes `a [n_seeds][n_courses]`,
/// `b [n_seeds or 1][n_courses]`; the training seeds of the two arms are independent of each other.
///
/// An arm of a single row adds no seed variation: right for a rule, blind for a learner trained once.
///
/// # Errors
/// If the arms differ in courses, `level` is outside (0, 1), or there are fewer than two courses.
pub fn paired_difference(a: &Scores, b: &Scores, level: f64) -> Result<Difference, StatisticsError> {
    check_pairing(a, b)?;
    let apart = |a_c: f64, b_c: f64| {
        let difference = a_c - b_c;
        // Means of equal scores over other numbers of seeds are equal but for rounding.
        if difference.abs() > ROUNDING * a_c.abs().max(b_c.abs()) { difference } else { 0.0 }
    };
    let per_course: Vec<f64> =
        a.course_means().into_iter().zip(b.course_means()).map(|(a_c, b_c)| apart(a_c, b_c)).collect();
    let parts = [spread(&per_course), spread(&a.seed_means()), spread(&b.seed_means())];
    let mean = sum(&per_course) / per_course.len() as f64;
    two_way(mean, &parts, level, a)
}

/// One source of variation: variance of the mean it causes, and its degrees of freedom.
#[derive(Clone, Copy)]
pub(super) struct VarianceEstimate {
    pub(super) variance: f64,
    pub(super) dof: f64,
}

/// Of the mean of `values`; nothing when there is only one.
fn spread(values: &[f64]) -> VarianceEstimate {
    let n = values.len() as f64;
    if values.len() < 2 {
        return VarianceEstimate { variance: 0.0, dof: 1.0 };
    }
    let mean = sum(values) / n;
    let squares: f64 = values.iter().map(|value| (value - mean).powi(2)).sum();
    VarianceEstimate { variance: squares / (n - 1.0) / n, dof: n - 1.0 }
}

/// The interval about a figure whose variance stems from all of `parts`.
pub(super) fn two_way(
    mean: f64,
    parts: &[VarianceEstimate],
    level: f64,
    scores: &Scores,
) -> Result<Difference, StatisticsError> {
    check_level(level)?;
    if scores.courses() < 2 {
        return Err(StatisticsError::TooFewCourses { got: scores.courses() });
    }
    let variance: f64 = parts.iter().map(|part| part.variance).sum();
    let weight: f64 = parts.iter().map(|part| part.variance * part.variance / part.dof).sum();
    let estimate = |half: f64| Estimate {
        mean,
        low: mean - half,
        high: mean + half,
        n_seeds: scores.seeds(),
        n_courses: scores.courses(),
    };
    if variance <= 0.0 || weight <= 0.0 {
        let p_value = if mean.abs() > 0.0 { 0.0 } else { 1.0 };
        return Ok(Difference { estimate: estimate(0.0), p_value });
    }
    let dof = variance * variance / weight;
    let half = student_quantile(0.5 + 0.5 * level, dof) * variance.sqrt();
    let p_value = 2.0 * student_cdf(-mean.abs() / variance.sqrt(), dof);
    Ok(Difference { estimate: estimate(half), p_value })
}
