//! Which evaluated policies matter most to the reader: shared by the verdict and the charts.

use super::text::in_sentence;
use lowgear_eval::summary::{Family, Metric, PolicySummary, Summary};

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

/// Whether its shift map is shown at once: the rules compared with, the best learned policy and the policy under test.
pub(super) fn is_shown_first(summary: &Summary, label: &str) -> bool {
    let roles = &summary.roles;
    let learned = best_learned(summary).map(|policy| policy.record.id.as_str());
    [roles.subject.as_str(), &roles.hand_rule, &roles.tuned_rule]
        .into_iter()
        .chain(further_opponents(summary))
        .chain(learned)
        .any(|id| summary.label(id) == label)
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
