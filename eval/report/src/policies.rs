//! Which evaluated policies matter most to the reader: shared by the verdict and the charts.

use super::text::in_sentence;
use lowgear_eval::summary::{Family, Metric, PairedDifference, PolicySummary, Summary};

/// The policies that every part of the page shows: hand-written rule, tuned rule, policy under test, plan.
pub(super) fn main_policies(summary: &Summary) -> Vec<&str> {
    let roles = &summary.roles;
    let mut ids: Vec<&str> = Vec::new();
    let plan = roles.plan.as_deref();
    for id in [&*roles.hand_rule, &*roles.tuned_rule, &*roles.subject].into_iter().chain(plan) {
        if !ids.contains(&id) {
            ids.push(id);
        }
    }
    ids
}

/// Whether it is one of [`main_policies`].
pub(super) fn is_main(summary: &Summary, id: &str) -> bool {
    main_policies(summary).contains(&id)
}

/// Class that carries the look of a policy, the same in every chart.
pub(super) fn look(summary: &Summary, id: &str) -> &'static str {
    if summary.roles.tuned_rule == id && summary.roles.hand_rule != id {
        return "tuned";
    }
    look_of_family(summary.policy(id).map_or(Family::Rule, |policy| policy.record.family))
}

/// The same for a policy that plays no part in the verdict.
pub(super) fn look_of_family(family: Family) -> &'static str {
    match family {
        Family::Rule => "rule",
        Family::Learned => "learned",
        Family::Table => "table",
        Family::Plan => "plan",
    }
}

/// How sure a difference is.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Significance {
    /// Its interval includes zero.
    None,
    /// Its interval excludes zero, but it is not significant after correction for all comparisons.
    Uncorrected,
    /// Significant after correction.
    Corrected,
}

/// How sure a paired difference is, at the level of the study.
pub(super) fn significance(difference: &PairedDifference, level: f64) -> Significance {
    if difference.corrected_p.is_some_and(|p| p < 1.0 - level) {
        Significance::Corrected
    } else if difference.low > 0.0 || difference.high < 0.0 {
        Significance::Uncorrected
    } else {
        Significance::None
    }
}

/// Policies beyond the hand-written and the tuned rule of the verdict that the whole field is compared with.
pub(super) fn further_opponents(summary: &Summary) -> Vec<&str> {
    let roles = &summary.roles;
    let rows = |id: &str| {
        summary.paired.iter().filter(|d| d.against == id && d.metric == Metric::CourseTime).count()
    };
    let mut found: Vec<&str> = Vec::new();
    for d in &summary.paired {
        let id = d.against.as_str();
        if roles.hand_rule != id && roles.tuned_rule != id && !found.contains(&id) && rows(id) > 1 {
            found.push(id);
        }
    }
    found
}

/// Mean course time, s.
pub(super) fn mean_time(summary: &Summary, id: &str) -> Option<f64> {
    Some(summary.policy(id)?.metrics.get(&Metric::CourseTime)?.mean)
}

/// The learned policy with the lowest mean course time.
pub(super) fn best_learned(summary: &Summary) -> Option<&PolicySummary> {
    let learned = summary.policies.iter().filter(|policy| policy.record.family == Family::Learned);
    learned
        .filter_map(|policy| Some((policy, policy.metrics.get(&Metric::CourseTime)?.mean)))
        .min_by(|a, b| a.1.total_cmp(&b.1))
        .map(|(policy, _)| policy)
}

/// Whether the axes of the charts must hold this evaluated policy; others may lie off the scale.
pub(super) fn is_central(summary: &Summary, id: &str) -> bool {
    let roles = &summary.roles;
    roles.subject == id
        || roles.tuned_rule == id
        || roles.plan.as_deref() == Some(id)
        || further_opponents(summary).contains(&id)
        || best_learned(summary).is_some_and(|policy| policy.record.id == id)
}

/// The rule that this learned policy drives as: the one with the same mean in every figure.
pub(super) fn is_identical_to<'a>(summary: &'a Summary, policy: &PolicySummary) -> Option<&'a PolicySummary> {
    if policy.record.family != Family::Learned || policy.metrics.is_empty() {
        return None;
    }
    let further = further_opponents(summary);
    let tuned = summary.policies.iter().filter(|rule| rule.record.family == Family::Rule);
    tuned
        .filter(|rule| {
            rule.record.id == summary.roles.tuned_rule || further.contains(&rule.record.id.as_str())
        })
        .find(|rule| same_means(policy, rule))
}

fn same_means(a: &PolicySummary, b: &PolicySummary) -> bool {
    // The tail takes another number of episodes when there are more seeds, and the gap follows from the times.
    let derived = [Metric::IqmTime, Metric::CvarTime, Metric::GapShare];
    a.metrics.keys().eq(b.metrics.keys())
        && a.metrics.iter().filter(|(metric, _)| !derived.contains(metric)).all(|(metric, own)| {
            b.metrics.get(metric).is_some_and(|other| {
                (own.mean - other.mean).abs() <= 1e-9 * own.mean.abs().max(other.mean.abs())
            })
        })
}

/// "the first gear only, the ladder and the neural DQN".
pub(super) fn names<'a>(labels: impl IntoIterator<Item = &'a str>) -> String {
    let mut names: Vec<String> = labels.into_iter().map(in_sentence).collect();
    match names.pop() {
        Some(last) if names.is_empty() => last,
        Some(last) => format!("{} and {last}", names.join(", ")),
        None => String::new(),
    }
}
