//! Figures of one point, from the summary of its study.

use super::{DifferenceToRule, PolicyFigures, RuleFigures};
use crate::PolicyId;
use crate::statistics::Estimate;
use crate::summary::{Family, Metric, PolicyRecord, Summary};

/// The tuned rule that others are compared with.
#[must_use]
pub fn rule_of(summary: &Summary) -> Option<RuleFigures> {
    let rule = summary.policy(&summary.roles.tuned_rule)?;
    let figure = |metric: Metric| rule.metrics.get(&metric).copied();
    Some(RuleFigures {
        label: rule.record.label.clone(),
        time_s: figure(Metric::CourseTime)?,
        damage_per_km: figure(Metric::Damage)?,
        return_s: figure(Metric::Return)?,
        hand_difference: change(
            summary,
            (&summary.roles.tuned_rule, &summary.roles.hand_rule),
            Metric::CourseTime,
        ),
        search_ticks: rule.record.search_ticks,
    })
}

/// How far the tuned rule is behind the plan.
#[must_use]
pub fn headroom_of(summary: &Summary) -> Option<DifferenceToRule> {
    let behind = summary.headroom.iter().find(|h| h.policy == summary.roles.tuned_rule)?;
    let plan = behind.behind_s.mean / behind.behind_percent;
    let percent = scaled(&behind.behind_s, 1.0 / plan);
    Some(DifferenceToRule { absolute: behind.behind_s, percent: plan.is_finite().then_some(percent) })
}

/// All policies but the rule compared with and those below the hand-written one.
#[must_use]
pub fn figures_of(summary: &Summary) -> Vec<PolicyFigures> {
    let rule = &summary.roles.tuned_rule;
    let tuned = [PolicyId::TunedSpeedRule, PolicyId::TunedLoadRule];
    let wanted = |policy: &PolicyRecord| {
        let listed = policy.family != Family::Rule || policy.id == summary.roles.hand_rule;
        policy.id != *rule && (listed || tuned.contains(&policy.id))
    };
    let policies = summary.policies.iter().filter(|evaluated| wanted(&evaluated.record));
    policies
        .filter_map(|evaluated| {
            let less = |metric| change(summary, (&evaluated.record.id, rule), metric);
            let hand = (evaluated.record.id.as_str(), summary.roles.hand_rule.as_str());
            Some(PolicyFigures {
                record: evaluated.record.clone(),
                time_s: *evaluated.metrics.get(&Metric::CourseTime)?,
                damage_per_km: *evaluated.metrics.get(&Metric::Damage)?,
                time_difference: less(Metric::CourseTime),
                damage_difference: less(Metric::Damage),
                return_difference: less(Metric::Return),
                hand_difference: change(summary, hand, Metric::CourseTime),
                gap_percent: evaluated.metrics.get(&Metric::GapShare).copied(),
            })
        })
        .collect()
}

/// The paired difference of a policy to a rule.
fn change(summary: &Summary, (policy, rule): (&str, &str), metric: Metric) -> Option<DifferenceToRule> {
    let d = summary.difference(policy, rule, metric)?;
    let absolute =
        Estimate { mean: d.mean, low: d.low, high: d.high, n_seeds: d.n_seeds, n_courses: d.n_courses };
    let base = summary.policy(rule)?.metrics.get(&metric)?.mean;
    // A policy that drives as the rule does differs by rounding alone.
    let rounding = absolute.mean.abs() <= 1e-9 * base.abs();
    let absolute = if rounding { Estimate { mean: 0.0, low: 0.0, high: 0.0, ..absolute } } else { absolute };
    let percent = (metric != Metric::Return && base > 0.0).then(|| scaled(&absolute, 100.0 / base));
    Some(DifferenceToRule { absolute, percent })
}

fn scaled(estimate: &Estimate, factor: f64) -> Estimate {
    Estimate {
        mean: factor * estimate.mean,
        low: factor * estimate.low,
        high: factor * estimate.high,
        ..*estimate
    }
}
