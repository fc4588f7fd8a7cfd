//! Evaluated policies against each other and against the plan.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::{AggregateError, EvaluatedPolicy, StudyMetadata, fault, figures, find};
use crate::PolicyId;
use crate::statistics::{
    Estimate, Scores, StatisticsError, holm, paired_difference, probability_of_improvement, share_of_gap,
};
use crate::summary::{Family, Headroom, Metric, PairedDifference};

/// Every evaluated policy but plans (what they have ahead is in [`headroom`]) against each opponent, and tables
/// against their teacher.
pub(super) fn paired(
    metadata: &StudyMetadata,
    evaluated_policies: &[EvaluatedPolicy],
) -> Result<Vec<PairedDifference>, AggregateError> {
    let pairs = pairs(metadata, evaluated_policies);
    let jobs: Vec<(Metric, &EvaluatedPolicy, &EvaluatedPolicy)> = figures::COMPARED
        .iter()
        .flat_map(|metric| pairs.iter().map(|(policy, against)| (*metric, *policy, *against)))
        .collect();
    let compared = jobs
        .par_iter()
        .map(|(metric, policy, against)| {
            difference(*metric, policy, against, metadata.study.level)
                .map_err(fault(&policy.record.id, *metric))
        })
        .collect::<Result<Vec<_>, _>>()?;
    let (mut list, p_values): (Vec<_>, Vec<f64>) = compared.into_iter().unzip();
    for (difference, p) in list.iter_mut().zip(holm(&p_values)) {
        difference.corrected_p = Some(p);
    }
    Ok(list)
}

fn pairs<'a>(
    metadata: &'a StudyMetadata,
    evaluated_policies: &'a [EvaluatedPolicy],
) -> Vec<(&'a EvaluatedPolicy, &'a EvaluatedPolicy)> {
    let judged =
        || evaluated_policies.iter().filter(|c| !c.outcomes.is_empty() && c.record.family != Family::Plan);
    let mut opponents = vec![&metadata.roles.hand_rule];
    for id in std::iter::once(&metadata.roles.tuned_rule).chain(&metadata.also_against) {
        if !opponents.contains(&id) {
            opponents.push(id);
        }
    }
    let mut list: Vec<(&EvaluatedPolicy, &EvaluatedPolicy)> = Vec::new();
    for against in opponents.iter().filter_map(|id| judged().find(|c| c.record.id == **id)) {
        list.extend(
            judged().filter(|policy| policy.record.id != against.record.id).map(|policy| (policy, against)),
        );
    }
    let teacher = metadata.table.as_ref().filter(|sheet| !opponents.contains(&&sheet.teacher));
    if let Some(teacher) = teacher.and_then(|sheet| judged().find(|c| c.record.id == sheet.teacher)) {
        let tables =
            judged().filter(|c| c.record.family == Family::Table && c.record.id != teacher.record.id);
        list.extend(tables.map(|table| (table, teacher)));
    }
    let find = |id: PolicyId| judged().find(|c| c.record.id == id);
    list.extend(find(PolicyId::Table).zip(find(PolicyId::Network)));
    list
}

/// The difference with its uncorrected p-value. A return has no natural zero, so no percent of it is given.
fn difference(
    metric: Metric,
    policy: &EvaluatedPolicy,
    against: &EvaluatedPolicy,
    level: f64,
) -> Result<(PairedDifference, f64), StatisticsError> {
    let a = figures::scores(metric, &policy.outcomes)?;
    let b = figures::scores(metric, &against.outcomes)?;
    let found = paired_difference(&a, &b, level)?;
    let improvement = probability_of_improvement(
        &figures::ranking(metric, &policy.outcomes)?,
        &figures::ranking(metric, &against.outcomes)?,
        level,
    )?;
    let e = found.estimate;
    let base = b.mean();
    let percent = 100.0 * e.mean / base;
    let difference = PairedDifference {
        policy: policy.record.id.clone(),
        against: against.record.id.clone(),
        metric,
        mean: e.mean,
        low: e.low,
        high: e.high,
        n_seeds: e.n_seeds,
        n_courses: e.n_courses,
        percent: (metric != Metric::Return && percent.is_finite()).then_some(percent),
        ratio: if metric == Metric::Damage { ratio(&a, &b, level)? } else { None },
        corrected_p: None,
        improvement: Some(improvement),
    };
    Ok((difference, found.p_value))
}

/// Ratio of two means with an interval on the logarithmic scale: the logarithm's first-order expansion is the
/// difference of the scores relative to their means. `None` where a mean is not above zero.
pub(crate) fn ratio(a: &Scores, b: &Scores, level: f64) -> Result<Option<Estimate>, StatisticsError> {
    let (own, other) = (a.mean(), b.mean());
    if own <= 0.0 || other <= 0.0 {
        return Ok(None);
    }
    let log = (own / other).ln();
    let e = paired_difference(&a.scaled(1.0 / own), &b.scaled(1.0 / other), level)?.estimate;
    let found = Estimate { mean: own / other, low: (log + e.low).exp(), high: (log + e.high).exp(), ..e };
    Ok(found.high.is_finite().then_some(found))
}

/// Course time of one evaluated policy less that of another, s.
///
/// # Errors
/// [`AggregateError::Statistics`].
pub fn time_difference(
    policy: &EvaluatedPolicy,
    against: &EvaluatedPolicy,
    level: f64,
) -> Result<Estimate, AggregateError> {
    let courses = policy.outcomes.first().map_or(0, Vec::len);
    let difference = paired_difference(&times(policy, courses)?, &times(against, courses)?, level);
    Ok(difference.map_err(fault(&policy.record.id, Metric::CourseTime))?.estimate)
}

/// The plan with its courses, if one was driven.
pub(super) fn plan<'a>(
    metadata: &StudyMetadata,
    evaluated_policies: &'a [EvaluatedPolicy],
) -> Option<(&'a EvaluatedPolicy, usize)> {
    let plan = find(evaluated_policies, metadata.roles.plan.as_deref()?)?;
    Some((plan, plan.outcomes.first()?.len()))
}

/// Course times on the first courses.
pub(super) fn times(evaluated: &EvaluatedPolicy, courses: usize) -> Result<Scores, AggregateError> {
    let rows: Vec<_> =
        evaluated.outcomes.iter().map(|row| row.iter().take(courses).copied().collect()).collect();
    figures::scores(Metric::CourseTime, &rows).map_err(fault(&evaluated.record.id, Metric::CourseTime))
}

/// Share of the gap per evaluated policy id, %; empty without a plan or when the plan is not clearly ahead of the
/// tuned rule.
pub(super) fn gap_shares<'a>(
    metadata: &StudyMetadata,
    evaluated_policies: &'a [EvaluatedPolicy],
) -> Result<BTreeMap<&'a str, Estimate>, AggregateError> {
    let mut gap_shares = BTreeMap::new();
    let zero = find(evaluated_policies, &metadata.roles.tuned_rule);
    let (Some((plan, courses)), Some(zero)) = (plan(metadata, evaluated_policies), zero) else {
        return Ok(gap_shares);
    };
    let (to, from) = (times(plan, courses)?, times(zero, courses)?);
    for evaluated in evaluated_policies.iter().filter(|evaluated| !evaluated.outcomes.is_empty()) {
        match share_of_gap(&times(evaluated, courses)?, &from, &to, metadata.study.level) {
            Ok(share) => {
                gap_shares.insert(evaluated.record.id.as_str(), in_percent(share));
            }
            Err(StatisticsError::NoGap) => {}
            Err(source) => return Err(fault(&evaluated.record.id, Metric::GapShare)(source)),
        }
    }
    Ok(gap_shares)
}

fn in_percent(share: Estimate) -> Estimate {
    Estimate { mean: 100.0 * share.mean, low: 100.0 * share.low, high: 100.0 * share.high, ..share }
}

/// Distance to the plan of every evaluated policy that is none.
pub(super) fn headroom(
    metadata: &StudyMetadata,
    evaluated_policies: &[EvaluatedPolicy],
    gap_shares: &BTreeMap<&str, Estimate>,
) -> Result<Vec<Headroom>, AggregateError> {
    let Some((plan, courses)) = plan(metadata, evaluated_policies) else { return Ok(Vec::new()) };
    let best = times(plan, courses)?;
    let mut list = Vec::new();
    for evaluated in
        evaluated_policies.iter().filter(|c| c.record.id != plan.record.id && !c.outcomes.is_empty())
    {
        let behind = paired_difference(&times(evaluated, courses)?, &best, metadata.study.level)
            .map_err(fault(&evaluated.record.id, Metric::CourseTime))?
            .estimate;
        list.push(Headroom {
            policy: evaluated.record.id.clone(),
            behind_s: behind,
            behind_percent: 100.0 * behind.mean / best.mean(),
            gap_percent: gap_shares.get(evaluated.record.id.as_str()).copied(),
        });
    }
    Ok(list)
}
