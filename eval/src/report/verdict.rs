//! The verdict in plain sentences, computed from the paired differences. Plain text; the page escapes it.

use super::text::{count, number};
use crate::summary::{Metric, PairedDifference, Summary};

/// One sentence: the subject against the hand-written rule, in time and in damage.
pub(super) fn verdict(summary: &Summary) -> String {
    sentence(summary, &summary.roles.hand_rule)
}

/// What else must be known beside the verdict, in order of weight.
pub(super) fn remarks(summary: &Summary) -> Vec<String> {
    let roles = &summary.roles;
    let mut lines = Vec::new();
    if summary.study.quick {
        lines.push(
            "This was a quick trial: too few courses and training seeds to conclude anything. Run the full \
             study before believing a figure."
                .to_owned(),
        );
    }
    if roles.tuned_rule != roles.hand_rule {
        lines.push(sentence(summary, &roles.tuned_rule));
    }
    lines.extend(gap_line(summary));
    lines.extend(finished_line(summary));
    lines.extend(seed_line(summary));
    lines.extend(summary.policies.iter().filter(|policy| !policy.failed_seeds.is_empty()).map(|policy| {
        format!(
            "{}: {} of its training seeds gave no usable policy and are left out of every figure.",
            policy.label,
            policy.failed_seeds.len()
        )
    }));
    lines
}

fn sentence(summary: &Summary, against: &str) -> String {
    let subject = &summary.roles.subject;
    let (name, other) = (summary.label(subject), summary.label(against));
    let Some(time) = summary.difference(subject, against, Metric::CourseTime) else {
        return format!("This study holds no comparison of course time between {name} and {other}.");
    };
    let courses = count(time.n_courses as u64);
    let level = number(100.0 * summary.study.level);
    let damage = damage_clause(summary, against);
    let seconds = |value: f64| format!("{} s", number(value));
    let range = |low: f64, high: f64| match time.percent.filter(|_| time.mean.abs() > 0.0) {
        Some(percent) => {
            let scale = (percent / time.mean).abs();
            format!("{} to {} %", number(low * scale), number(high * scale))
        }
        None => format!("{} to {}", seconds(low), seconds(high)),
    };
    let size = time.percent.map_or_else(|| seconds(time.mean.abs()), |p| format!("{} %", number(p.abs())));
    let (word, low, high) = if time.high < 0.0 {
        ("faster", -time.high, -time.low)
    } else if time.low > 0.0 {
        ("slower", time.low, time.high)
    } else {
        return format!(
            "On {courses} unseen courses there is no clear difference in course time between {name} and {other} \
             ({level} % interval of the difference {}; above zero is slower){damage}.",
            range(time.low, time.high)
        );
    };
    format!(
        "On {courses} unseen courses {name} is {size} {word} than {other} ({level} % interval {}){damage}.",
        range(low, high)
    )
}

/// ", with 83 % of its gearbox damage per km (70 to 96 %)".
fn damage_clause(summary: &Summary, against: &str) -> String {
    let Some(damage) = summary.difference(&summary.roles.subject, against, Metric::Damage) else {
        return String::new();
    };
    let Some(percent) = damage.percent.filter(|_| damage.mean.abs() > 0.0) else {
        return String::new();
    };
    let share = |value: f64| number((100.0 + value * percent / damage.mean).max(0.0));
    let unclear = if clear(damage) { "" } else { ", so not clearly more or less" };
    format!(
        ", with {} % of its gearbox damage per km ({} to {} %{unclear})",
        share(damage.mean),
        share(damage.low),
        share(damage.high)
    )
}

fn clear(difference: &PairedDifference) -> bool {
    difference.high < 0.0 || difference.low > 0.0
}

fn gap_line(summary: &Summary) -> Option<String> {
    let plan = summary.roles.plan.as_deref()?;
    let headroom = summary.headroom.iter().find(|h| h.policy == summary.roles.subject)?;
    let gap = headroom.gap_percent.map_or_else(String::new, |gap| {
        format!(
            ", which closes {} % of the gap that {} leaves ({} to {} %)",
            number(gap.mean),
            summary.label(&summary.roles.tuned_rule),
            number(gap.low),
            number(gap.high)
        )
    });
    Some(format!(
        "It needs {} % more time than {}, which knows the course ahead{gap}.",
        number(headroom.behind_percent),
        summary.label(plan)
    ))
}

fn finished_line(summary: &Summary) -> Option<String> {
    let share = |id: &str| Some(summary.policy(id)?.metrics.get(&Metric::Finished)?.mean);
    let (own, other) = (share(&summary.roles.subject)?, share(&summary.roles.hand_rule)?);
    let caution = if (own - other).abs() > 1.0 {
        " An unfinished course counts with the full time limit, so these shares weigh on the times above."
    } else {
        ""
    };
    Some(format!(
        "It finishes {} % of its episodes, {} finishes {} %.{caution}",
        number(own),
        summary.label(&summary.roles.hand_rule),
        number(other)
    ))
}

fn seed_line(summary: &Summary) -> Option<String> {
    let subject = summary.policy(&summary.roles.subject)?;
    (subject.training_seeds == 1).then(|| {
        format!(
            "{} rests on a single training seed: the intervals know nothing of how another seed would have turned out.",
            subject.label
        )
    })
}
