//! Contenders against each other and against the plan.

use std::collections::BTreeMap;

use rayon::prelude::*;

use super::{Contender, GatherError, StudyFacts, fault, figures, find};
use crate::statistics::{
    Estimate, Scores, StatisticsError, holm, paired_difference, probability_of_improvement, share_of_gap,
};
use crate::summary::{Family, Headroom, Metric, PairedDifference};

/// Every contender but plans (what they have ahead is in [`headroom`]) against each opponent, and tables
/// against their teacher.
pub(super) fn paired(
    facts: &StudyFacts,
    contenders: &[Contender],
) -> Result<Vec<PairedDifference>, GatherError> {
    let pairs = pairs(facts, contenders);
    let jobs: Vec<(Metric, &Contender, &Contender)> = figures::COMPARED
        .iter()
        .flat_map(|metric| pairs.iter().map(|(policy, against)| (*metric, *policy, *against)))
        .collect();
    let compared = jobs
        .par_iter()
        .map(|(metric, policy, against)| {
            difference(*metric, policy, against, facts.study.level).map_err(fault(&policy.id, *metric))
        })
        .collect::<Result<Vec<_>, _>>()?;
    let (mut list, p_values): (Vec<_>, Vec<f64>) = compared.into_iter().unzip();
    for (difference, p) in list.iter_mut().zip(holm(&p_values)) {
        difference.corrected_p = Some(p);
    }
    Ok(list)
}

fn pairs<'a>(facts: &'a StudyFacts, contenders: &'a [Contender]) -> Vec<(&'a Contender, &'a Contender)> {
    let judged = || contenders.iter().filter(|c| !c.outcomes.is_empty() && c.family != Family::Plan);
    let mut opponents = vec![&facts.roles.hand_rule];
    for id in std::iter::once(&facts.roles.tuned_rule).chain(&facts.also_against) {
        if !opponents.contains(&id) {
            opponents.push(id);
        }
    }
    let mut list: Vec<(&Contender, &Contender)> = Vec::new();
    for against in opponents.iter().filter_map(|id| judged().find(|c| c.id == **id)) {
        list.extend(judged().filter(|policy| policy.id != against.id).map(|policy| (policy, against)));
    }
    let teacher = facts.table.as_ref().filter(|sheet| !opponents.contains(&&sheet.teacher));
    if let Some(teacher) = teacher.and_then(|sheet| judged().find(|c| c.id == sheet.teacher)) {
        let tables = judged().filter(|c| c.family == Family::Table && c.id != teacher.id);
        list.extend(tables.map(|table| (table, teacher)));
    }
    list
}

/// The difference with its uncorrected p-value. A return has no natural zero, so no percent of it is given.
fn difference(
    metric: Metric,
    policy: &Contender,
    against: &Contender,
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
        policy: policy.id.clone(),
        against: against.id.clone(),
        metric,
        mean: e.mean,
        low: e.low,
        high: e.high,
        n_seeds: e.n_seeds,
        n_courses: e.n_courses,
        percent: (metric != Metric::Return && percent.is_finite()).then_some(percent),
        corrected_p: None,
        improvement: Some(improvement),
    };
    Ok((difference, found.p_value))
}

/// Course time of one contender less that of another, s.
///
/// # Errors
/// [`GatherError::Statistics`].
pub fn time_difference(policy: &Contender, against: &Contender, level: f64) -> Result<Estimate, GatherError> {
    let courses = policy.outcomes.first().map_or(0, Vec::len);
    let difference = paired_difference(&times(policy, courses)?, &times(against, courses)?, level);
    Ok(difference.map_err(fault(&policy.id, Metric::CourseTime))?.estimate)
}

/// The plan with its courses, if one was driven.
pub(super) fn plan<'a>(facts: &StudyFacts, contenders: &'a [Contender]) -> Option<(&'a Contender, usize)> {
    let plan = find(contenders, facts.roles.plan.as_deref()?)?;
    Some((plan, plan.outcomes.first()?.len()))
}

/// Course times on the first courses.
pub(super) fn times(contender: &Contender, courses: usize) -> Result<Scores, GatherError> {
    let rows: Vec<_> =
        contender.outcomes.iter().map(|row| row.iter().take(courses).copied().collect()).collect();
    figures::scores(Metric::CourseTime, &rows).map_err(fault(&contender.id, Metric::CourseTime))
}

/// Share of the gap per contender id, %; empty without a plan or when the plan is not clearly ahead of the
/// tuned rule.
pub(super) fn gaps<'a>(
    facts: &StudyFacts,
    contenders: &'a [Contender],
) -> Result<BTreeMap<&'a str, Estimate>, GatherError> {
    let mut gaps = BTreeMap::new();
    let zero = find(contenders, &facts.roles.tuned_rule);
    let (Some((plan, courses)), Some(zero)) = (plan(facts, contenders), zero) else { return Ok(gaps) };
    let (to, from) = (times(plan, courses)?, times(zero, courses)?);
    for contender in contenders.iter().filter(|contender| !contender.outcomes.is_empty()) {
        match share_of_gap(&times(contender, courses)?, &from, &to, facts.study.level) {
            Ok(share) => {
                gaps.insert(contender.id.as_str(), in_percent(share));
            }
            Err(StatisticsError::NoGap) => {}
            Err(source) => return Err(fault(&contender.id, Metric::GapShare)(source)),
        }
    }
    Ok(gaps)
}

fn in_percent(share: Estimate) -> Estimate {
    Estimate { mean: 100.0 * share.mean, low: 100.0 * share.low, high: 100.0 * share.high, ..share }
}

/// Distance to the plan of every contender that is none.
pub(super) fn headroom(
    facts: &StudyFacts,
    contenders: &[Contender],
    gaps: &BTreeMap<&str, Estimate>,
) -> Result<Vec<Headroom>, GatherError> {
    let Some((plan, courses)) = plan(facts, contenders) else { return Ok(Vec::new()) };
    let best = times(plan, courses)?;
    let mut list = Vec::new();
    for contender in contenders.iter().filter(|c| c.id != plan.id && !c.outcomes.is_empty()) {
        let behind = paired_difference(&times(contender, courses)?, &best, facts.study.level)
            .map_err(fault(&contender.id, Metric::CourseTime))?
            .estimate;
        list.push(Headroom {
            policy: contender.id.clone(),
            behind_s: behind,
            behind_percent: 100.0 * behind.mean / best.mean(),
            gap_percent: gaps.get(contender.id.as_str()).copied(),
        });
    }
    Ok(list)
}
