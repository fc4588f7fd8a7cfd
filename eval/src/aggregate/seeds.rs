//! Every training seed by itself, and how the course times of an evaluated policy are spread.

use lowgear_env::Cause;

use super::compare::{plan, times};
use super::{AggregateError, EvaluatedPolicy, StudyMetadata, fault, figures, find};
use crate::statistics::{Scores, mean_interval, paired_difference};
use crate::summary::{Family, Metric, ProfilePoint, SeedFigures};

/// Course times over the plan's at which profiles are given.
const RATIOS: [f64; 12] = [0.95, 1.0, 1.025, 1.05, 1.075, 1.1, 1.15, 1.2, 1.3, 1.5, 2.0, 3.0];

/// One entry per judged training seed of what is trained.
pub(super) fn seeds(
    metadata: &StudyMetadata,
    evaluated_policies: &[EvaluatedPolicy],
    evaluated: &EvaluatedPolicy,
) -> Result<Vec<SeedFigures>, AggregateError> {
    let Some(tuned) = find(evaluated_policies, &metadata.roles.tuned_rule) else { return Ok(Vec::new()) };
    if !matches!(evaluated.record.family, Family::Learned | Family::Table) {
        return Ok(Vec::new());
    }
    let with = fault(&evaluated.record.id, Metric::CourseTime);
    let (level, courses) = (metadata.study.level, metadata.test_suite.courses);
    let rule = times(tuned, courses)?;
    evaluated
        .judged_seeds()
        .zip(&evaluated.outcomes)
        .map(|(seed, row)| {
            let row = std::slice::from_ref(row);
            let own = figures::scores(Metric::CourseTime, row).map_err(&with)?;
            let damage =
                figures::scores(Metric::Damage, row).map_err(fault(&evaluated.record.id, Metric::Damage))?;
            Ok(SeedFigures {
                seed,
                time_s: figures::within_range(
                    Metric::CourseTime,
                    mean_interval(&own, level).map_err(&with)?,
                    metadata.time_limit_s,
                ),
                against_tuned_s: paired_difference(&own, &rule, level).map_err(&with)?.estimate,
                damage_per_km: damage.mean(),
            })
        })
        .collect()
}

/// Share of episodes that finish within each of [`RATIOS`] of the plan's time on the same course.
pub(super) fn profile(
    metadata: &StudyMetadata,
    evaluated_policies: &[EvaluatedPolicy],
    evaluated: &EvaluatedPolicy,
) -> Result<Vec<ProfilePoint>, AggregateError> {
    let Some((plan, courses)) = plan(metadata, evaluated_policies) else { return Ok(Vec::new()) };
    if evaluated.outcomes.is_empty() {
        return Ok(Vec::new());
    }
    let with = fault(&evaluated.record.id, Metric::CourseTime);
    let within = |ratio: f64| {
        let rows: Vec<Vec<f64>> = evaluated
            .outcomes
            .iter()
            .map(|row| {
                let pairs = row.iter().zip(&plan.outcomes[0]).take(courses);
                let done =
                    pairs.map(|(o, best)| o.cause == Cause::Finished && o.time_s <= ratio * best.time_s);
                done.map(|done| if done { 100.0 } else { 0.0 }).collect()
            })
            .collect();
        let scores = Scores::new(&rows).map_err(&with)?;
        let percent = mean_interval(&scores, metadata.study.level).map_err(&with)?;
        Ok(ProfilePoint {
            ratio,
            percent: figures::within_range(Metric::Finished, percent, metadata.time_limit_s),
        })
    };
    RATIOS.into_iter().map(within).collect()
}
