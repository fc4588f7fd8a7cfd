//! The verdict in plain sentences, computed from the paired differences. Plain text; the page escapes it.

use super::text::{count, in_sentence, level_percent, number, percent, start_sentence};
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
            "{}: training seeds without a usable policy, left out of every figure: {}.",
            policy.label,
            policy.failed_seeds.iter().map(u64::to_string).collect::<Vec<_>>().join(", ")
        )
    }));
    lines
}

fn sentence(summary: &Summary, against: &str) -> String {
    let subject = &summary.roles.subject;
    let (name, other) = (in_sentence(summary.label(subject)), in_sentence(summary.label(against)));
    let Some(time) = summary.difference(subject, against, Metric::CourseTime) else {
        return format!("This study holds no comparison of course time between {name} and {other}.");
    };
    let courses = count(time.n_courses as u64);
    let level = level_percent(summary.study.level);
    let damage = damage_clause(summary, against);
    let seconds = |value: f64| format!("{} s", number(value));
    let range = |low: f64, high: f64| match time.percent.filter(|_| time.mean.abs() > 0.0) {
        Some(of_mean) => {
            let scale = (of_mean / time.mean).abs();
            format!("{} to {} %", percent(low * scale), percent(high * scale))
        }
        None => format!("{} to {}", seconds(low), seconds(high)),
    };
    let size = time.percent.map_or_else(|| seconds(time.mean.abs()), |p| format!("{} %", percent(p.abs())));
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
        "On {courses} unseen courses {name} is {word} than {other} by {size} of its course time ({level} % interval {}){damage}.",
        range(low, high)
    )
}

/// ", with 83 % of its gearbox damage per km (70 to 96 %)".
fn damage_clause(summary: &Summary, against: &str) -> String {
    let Some(damage) = summary.difference(&summary.roles.subject, against, Metric::Damage) else {
        return String::new();
    };
    let Some(of_mean) = damage.percent.filter(|_| damage.mean.abs() > 0.0) else {
        return String::new();
    };
    let share = |value: f64| percent((100.0 + value * of_mean / damage.mean).max(0.0));
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
    let subject = in_sentence(summary.label(&summary.roles.subject));
    let gap = headroom.gap_percent.map_or_else(String::new, |gap| {
        format!(
            "; of the gap that {} leaves to the plan, {subject} closes {} % ({} to {} %)",
            in_sentence(summary.label(&summary.roles.tuned_rule)),
            percent(gap.mean),
            percent(gap.low),
            percent(gap.high)
        )
    });
    let behind = headroom.behind_percent;
    Some(format!(
        "{}, which knows the course ahead, needs {} % {} time than {subject}{gap}.",
        start_sentence(&in_sentence(summary.label(plan))),
        percent(100.0 * (behind / (100.0 + behind)).abs()),
        if behind < 0.0 { "more" } else { "less" },
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
        "{} finishes {} % of its episodes, {} finishes {} %.{caution}",
        start_sentence(&in_sentence(summary.label(&summary.roles.subject))),
        percent(own),
        in_sentence(summary.label(&summary.roles.hand_rule)),
        percent(other)
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
