//! One score per episode for each figure.
//!
//! A figure per distance is a ratio of totals, R = (sum of y) / (sum of x), over the episodes of a policy.
//! Its score of an episode is the ratio's first-order expansion R + (y - R x) / (mean of x): the scores
//! average to R, and their spread is that of R (Cochran 1977, "Sampling Techniques", chapter 6), so means
//! and paired differences take them like any other score.

use lowgear_env::{Cause, Outcome};

use crate::statistics::{Estimate, Scores, StatisticsError};
use crate::summary::Metric;

/// The figures that are means of scores.
pub(super) const MEANS: [Metric; 11] = [
    Metric::Finished,
    Metric::CourseTime,
    Metric::Return,
    Metric::Energy,
    Metric::Stall,
    Metric::PeakWinding,
    Metric::Shifts,
    Metric::Reversals,
    Metric::FailedUpshifts,
    Metric::MissedEngagements,
    Metric::Damage,
];

/// The figures that evaluated policies are compared in.
pub(super) const COMPARED: [Metric; 3] = [Metric::CourseTime, Metric::Return, Metric::Damage];

/// A shorter distance counts as this, m: it is where progress begins to be measured, and keeps the figures of
/// a policy that never moves finite.
const SHORTEST_M: f64 = 0.01;

/// The figure of one episode: as it is, or the amount over the episode when it is one per distance.
fn amount(metric: Metric, outcome: &Outcome) -> f64 {
    match metric {
        Metric::Finished => {
            if outcome.cause == Cause::Finished {
                100.0
            } else {
                0.0
            }
        }
        Metric::CourseTime | Metric::IqmTime | Metric::CvarTime | Metric::GapShare => outcome.time_s,
        Metric::Return => outcome.reward.total_s(),
        Metric::Energy => outcome.energy_j,
        Metric::Stall => outcome.stall_s,
        Metric::PeakWinding => outcome.peak_winding_c,
        Metric::Shifts => f64::from(outcome.shifts),
        Metric::Reversals => f64::from(outcome.reversals),
        Metric::FailedUpshifts => f64::from(outcome.failed_upshifts),
        Metric::MissedEngagements => f64::from(outcome.missed_engagements),
        Metric::Damage => outcome.damage,
    }
}

/// The distance that a figure is given for, m.
fn per_distance_m(metric: Metric) -> Option<f64> {
    match metric {
        Metric::Energy => Some(1.0),
        Metric::Shifts | Metric::Reversals | Metric::FailedUpshifts | Metric::MissedEngagements => {
            Some(100.0)
        }
        Metric::Damage => Some(1000.0),
        Metric::Finished
        | Metric::CourseTime
        | Metric::IqmTime
        | Metric::CvarTime
        | Metric::GapShare
        | Metric::Return
        | Metric::Stall
        | Metric::PeakWinding => None,
    }
}

fn distance_m(outcome: &Outcome) -> f64 {
    outcome.distance_m.max(SHORTEST_M)
}

/// Scores whose mean is the figure. Shape `[n_seeds][n_courses]`, as the outcomes.
///
/// # Errors
/// [`StatisticsError`] where the outcomes make no table of scores.
pub fn scores(metric: Metric, outcomes: &[Vec<Outcome>]) -> Result<Scores, StatisticsError> {
    let Some(unit_m) = per_distance_m(metric) else {
        return each(outcomes, |outcome| amount(metric, outcome));
    };
    let all = || outcomes.iter().flatten();
    let episodes = all().count().max(1) as f64;
    let mean_m = all().map(distance_m).sum::<f64>() / episodes;
    let ratio = all().map(|outcome| amount(metric, outcome)).sum::<f64>() / episodes / mean_m;
    each(outcomes, |outcome| {
        unit_m * (ratio + (amount(metric, outcome) - ratio * distance_m(outcome)) / mean_m)
    })
}

/// Scores to rank policies by on each course, small is better: the episode's own figure.
pub(super) fn ranking(metric: Metric, outcomes: &[Vec<Outcome>]) -> Result<Scores, StatisticsError> {
    let sign = if metric.more_is_better() { -1.0 } else { 1.0 };
    each(outcomes, |outcome| {
        let over = per_distance_m(metric).map_or(1.0, |unit_m| distance_m(outcome) / unit_m);
        sign * amount(metric, outcome) / over
    })
}

fn each(outcomes: &[Vec<Outcome>], figure: impl Fn(&Outcome) -> f64) -> Result<Scores, StatisticsError> {
    let rows: Vec<Vec<f64>> = outcomes.iter().map(|row| row.iter().map(&figure).collect()).collect();
    Scores::new(&rows)
}

/// The interval cut to what the figure can be: shares to 0 to 100 %, course times to 0 to the time limit, counts and
/// amounts to 0 and more.
pub(super) fn within_range(metric: Metric, estimate: Estimate, time_limit_s: f64) -> Estimate {
    let (least, most) = match metric {
        Metric::Finished => (0.0, 100.0),
        Metric::Return | Metric::GapShare | Metric::PeakWinding | Metric::Energy => {
            (f64::NEG_INFINITY, f64::INFINITY)
        }
        // The last tick of an episode may end a little after the limit.
        Metric::CourseTime | Metric::IqmTime | Metric::CvarTime => (0.0, time_limit_s.max(estimate.mean)),
        Metric::Stall
        | Metric::Shifts
        | Metric::Reversals
        | Metric::FailedUpshifts
        | Metric::MissedEngagements
        | Metric::Damage => (0.0, f64::INFINITY),
    };
    Estimate { low: estimate.low.max(least), high: estimate.high.min(most), ..estimate }
}
