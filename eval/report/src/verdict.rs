//! The verdict in plain sentences, computed from the paired differences. Plain text; the page escapes it.

use super::charts::{distinct, kept_start};
use super::policies::{
    Significance, best_learned, further_opponents, is_identical_to, mean_time, names, significance,
};
use super::text::{count, fixed, in_sentence, level_percent, number, percent, start_sentence};
use lowgear_env::Cause;
use lowgear_eval::PolicyId;
use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::{Family, Metric, PairedDifference, PolicySummary, RobustnessMap, Summary};

/// One sentence: the policy under test against the hand-written rule, in time and in damage.
pub(super) fn verdict(summary: &Summary) -> String {
    sentence(summary, &summary.roles.hand_rule)
}

/// What else must be known next to the verdict, in order of weight.
pub(super) fn remarks(summary: &Summary) -> Vec<String> {
    let roles = &summary.roles;
    let mut lines = Vec::new();
    if summary.study.quick {
        lines.push(
            "This was a quick run: too few courses and training seeds to conclude anything. Run the full \
             study before drawing conclusions."
                .to_owned(),
        );
    }
    if roles.tuned_rule != roles.hand_rule {
        lines.push(sentence(summary, &roles.tuned_rule));
    }
    lines.extend(further_opponents(summary).into_iter().filter_map(|against| against_line(summary, against)));
    lines.extend(teacher_line(summary));
    lines.extend(network_line(summary));
    lines.extend(gap_line(summary));
    lines.extend(identical_lines(summary));
    lines.extend(kept_start(summary).into_iter().map(|line| format!("{line}.")));
    lines.extend(budget_line(summary));
    lines.extend(finished_line(summary));
    lines.extend(robustness_line(summary));
    lines.extend(summary.fitted.iter().map(|fitted| fitted.sentence(summary)));
    lines.extend(seed_line(summary));
    lines.extend(summary.policies.iter().filter(|policy| !policy.record.failed_seeds.is_empty()).map(
        |policy| {
            format!(
                "{}: training seeds without a usable policy, left out of every figure: {}.",
                policy.record.label,
                policy.record.failed_seeds.iter().map(u64::to_string).collect::<Vec<_>>().join(", ")
            )
        },
    ));
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
    if significance(time, summary.study.level) != Significance::Corrected {
        return format!(
            "On {courses} unseen courses there is no significant difference in course time between {name} and {other} \
             ({level} % interval of the difference {}; above zero is slower){damage}.",
            range(time.low, time.high)
        );
    }
    let (word, low, high) =
        if time.mean < 0.0 { ("faster", -time.high, -time.low) } else { ("slower", time.low, time.high) };
    format!(
        "On {courses} unseen courses {name} is {word} than {other} by {size} of its course time ({level} % interval {}){damage}.",
        range(low, high)
    )
}

/// ", with 0.42 times its gearbox damage per km (0.28 to 0.62)": a ratio with an interval on the logarithmic scale,
/// which is nowhere cut at zero.
fn damage_clause(summary: &Summary, against: &str) -> String {
    let Some(damage) = summary.difference(&summary.roles.subject, against, Metric::Damage) else {
        return String::new();
    };
    let Some(ratio) = damage.ratio else { return String::new() };
    let times =
        format!("{} times, {} to {}", fixed(ratio.mean, 2), fixed(ratio.low, 2), fixed(ratio.high, 2));
    if significance(damage, summary.study.level) == Significance::Corrected {
        let word = if ratio.mean < 1.0 { "less" } else { "more" };
        format!(", with {word} gearbox damage per km ({times})")
    } else {
        format!(", with no significant difference in gearbox damage per km ({times})")
    }
}

/// The policy under test and the best learned policy against a further rule.
fn against_line(summary: &Summary, against: &str) -> Option<String> {
    let subject = summary.roles.subject.as_str();
    let learned =
        best_learned(summary).filter(|policy| policy.record.id != subject && policy.record.id != against);
    let clause = |id: &str, what: &str| {
        let found =
            difference_in_words(summary.difference(id, against, Metric::CourseTime)?, summary.study.level);
        Some(format!("{}{what}: {found}", in_sentence(summary.label(id))))
    };
    let clauses: Vec<String> = [
        clause(subject, ""),
        learned.and_then(|policy| {
            clause(&policy.record.id, " (lowest mean course time of the learned policies)")
        }),
    ]
    .into_iter()
    .flatten()
    .collect();
    (!clauses.is_empty()).then(|| {
        format!(
            "Course time relative to {}. {}.",
            in_sentence(summary.label(against)),
            start_sentence(&clauses.join("; "))
        )
    })
}

/// "faster by 2.2 % (95 % interval 0.4 to 4.1 %)".
fn difference_in_words(time: &PairedDifference, level: f64) -> String {
    if time.low == 0.0 && time.high == 0.0 {
        return "the same on every course".to_owned();
    }
    let (word, sign) = match significance(time, level) {
        Significance::Corrected if time.mean < 0.0 => ("faster by", -1.0),
        Significance::Corrected => ("slower by", 1.0),
        Significance::None | Significance::Uncorrected => ("no significant difference,", 1.0),
    };
    let scale = time.percent.filter(|_| time.mean.abs() > 0.0).map(|of_mean| of_mean / time.mean);
    let show = |value: f64| scale.map_or_else(|| number(sign * value), |scale| percent(sign * value * scale));
    let unit = if scale.is_some() { "%" } else { "s" };
    let (low, high) = if sign < 0.0 { (time.high, time.low) } else { (time.low, time.high) };
    format!(
        "{word} {} {unit} ({} % interval {} to {} {unit})",
        show(time.mean),
        level_percent(level),
        show(low),
        show(high)
    )
}

/// How much of its teacher's advantage the table keeps.
fn teacher_line(summary: &Summary) -> Option<String> {
    let roles = &summary.roles;
    let teacher = summary.table.as_ref()?.teacher.as_str();
    let (own, taught) = (mean_time(summary, &roles.subject)?, mean_time(summary, teacher)?);
    if roles.subject == teacher {
        return None;
    }
    let mut opponents = vec![roles.hand_rule.as_str()];
    if roles.tuned_rule != roles.hand_rule {
        opponents.push(&roles.tuned_rule);
    }
    let shares: Vec<String> = opponents
        .into_iter()
        .filter_map(|against| {
            let (from, name) = (mean_time(summary, against)?, in_sentence(summary.label(against)));
            let unclear = summary
                .difference(teacher, against, Metric::CourseTime)
                .is_some_and(|d| significance(d, summary.study.level) != Significance::Corrected);
            Some(if from <= taught || unclear {
                format!("no measurable advantage over {name}, where the teacher has no significant advantage")
            } else {
                format!("{} % over {name}", percent(100.0 * (from - own) / (from - taught)))
            })
        })
        .collect();
    if shares.is_empty() {
        return None;
    }
    let less = summary.difference(&roles.subject, teacher, Metric::CourseTime);
    let less = less.map_or_else(String::new, |d| {
        format!(" Against the teacher itself: {}.", difference_in_words(d, summary.study.level))
    });
    Some(format!(
        "Of the advantage in mean course time of its teacher, {}, {} keeps {}.{less}",
        in_sentence(summary.label(teacher)),
        in_sentence(summary.label(&roles.subject)),
        shares.join(" and ")
    ))
}

/// What the table loses against the network that firmware can run in its place.
fn network_line(summary: &Summary) -> Option<String> {
    let sheet = summary.network.as_ref()?;
    let time = summary.difference(&summary.roles.subject, &PolicyId::Network, Metric::CourseTime)?;
    Some(format!(
        "{} against the network that firmware can run in its place ({} units, {} bytes): {}.",
        start_sentence(&in_sentence(summary.label(&summary.roles.subject))),
        sheet.sizes,
        count(sheet.bytes as u64),
        difference_in_words(time, summary.study.level)
    ))
}

/// Learned policies that are identical to the rule they started from.
fn identical_lines(summary: &Summary) -> Vec<String> {
    let alike = |rule: &str| -> Vec<&PolicySummary> {
        let same = |policy: &&PolicySummary| {
            is_identical_to(summary, policy).is_some_and(|found| found.record.id == rule)
        };
        summary.policies.iter().filter(same).collect()
    };
    let tuned = std::iter::once(summary.roles.tuned_rule.as_str());
    let rules = tuned.chain(further_opponents(summary)).map(|rule| (rule, alike(rule)));
    rules
        .filter(|(_, policies)| !policies.is_empty())
        .map(|(rule, policies)| {
            let who = names(policies.iter().map(|policy| policy.record.label.as_str()));
            let each = if policies.len() > 1 { ", each of them" } else { "" };
            format!(
                "{}{each}: validation found nothing better than the rule it started from, so it is identical to that rule \
                 ({}).",
                start_sentence(&who),
                in_sentence(summary.label(rule))
            )
        })
        .collect()
}

fn gap_line(summary: &Summary) -> Option<String> {
    let plan = summary.roles.plan.as_deref()?;
    let headroom = summary.headroom.iter().find(|h| h.policy == summary.roles.subject)?;
    let subject = in_sentence(summary.label(&summary.roles.subject));
    let gap = headroom.gap_percent.map_or_else(String::new, |gap| {
        if gap.mean < 0.0 {
            let rule = in_sentence(summary.label(&summary.roles.tuned_rule));
            return format!("; {subject} is further from it than {rule}");
        }
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
        start_sentence(&in_sentence(summary.label(plan).split(',').next().unwrap_or(plan))),
        percent(100.0 * (behind / (100.0 + behind)).abs()),
        if behind < 0.0 { "more" } else { "less" },
    ))
}

/// The smallest and the largest search of the learned policies, and that of the tuned rule.
fn budget_line(summary: &Summary) -> Option<String> {
    let learned = || summary.policies.iter().filter(|policy| policy.record.family == Family::Learned);
    let least = learned().min_by_key(|policy| policy.record.search_ticks)?;
    let rule = summary.policy(&summary.roles.tuned_rule)?;
    let (few, many) = (least.record.search_ticks, rule.record.search_ticks);
    (few > 0 && many >= 2 * few)
        .then(|| {
            format!(
                "Search budgets are unequal: {} had {} ticks, {} % of the {} of {}.",
                in_sentence(&least.record.label),
                count(few),
                number(100.0 * few as f64 / many as f64),
                count(many),
                in_sentence(&rule.record.label)
            )
        })
        .map(|line| start_sentence(&line))
}

/// ": 12 overheated, 3 out of time".
fn unfinished(summary: &Summary, id: &str) -> String {
    let Some(outcomes) = summary.outcomes.iter().find(|outcomes| outcomes.policy == *id) else {
        return String::new();
    };
    let all: usize = outcomes.causes.iter().map(|c| c.episodes).sum();
    let rest: Vec<String> = outcomes
        .causes
        .iter()
        .filter(|c| c.cause != Cause::Finished && c.episodes > 0)
        .map(|c| format!("{} of {all} {}", c.episodes, c.cause.words()))
        .collect();
    if rest.is_empty() { String::new() } else { format!(" ({})", rest.join(", ")) }
}

fn finished_line(summary: &Summary) -> Option<String> {
    let share = |id: &str| Some(summary.policy(id)?.metrics.get(&Metric::Finished)?.mean);
    let (own, other) = (share(&summary.roles.subject)?, share(&summary.roles.hand_rule)?);
    let caution = if (own - other).abs() > 1.0 {
        " An unfinished course counts with the full time limit, so these shares affect the times above."
    } else {
        ""
    };
    Some(format!(
        "{} finishes {} % of its episodes{}, {} finishes {} %{}.{caution}",
        start_sentence(&in_sentence(summary.label(&summary.roles.subject))),
        percent(own),
        unfinished(summary, &summary.roles.subject),
        in_sentence(summary.label(&summary.roles.hand_rule)),
        percent(other),
        unfinished(summary, &summary.roles.hand_rule)
    ))
}

/// How the policy under test fares where vehicle and sensors are not as the vehicle file says.
fn robustness_line(summary: &Summary) -> Option<String> {
    let map = summary.robustness.first()?;
    // A property that neither policy reads makes copies of one condition, not further conditions.
    let maps: Vec<RobustnessMap> = summary.robustness.iter().map(distinct).collect();
    let differences: Vec<&Estimate> =
        maps.iter().flat_map(|map| &map.cells).map(|cell| &cell.time_s).collect();
    let count = |holds: fn(&Estimate) -> bool| differences.iter().filter(|e| holds(e)).count();
    let clearly = |n: usize| match n {
        0 => "none with an interval that excludes zero".to_owned(),
        n => format!("{n} with an interval that excludes zero"),
    };
    Some(format!(
        "In {} different perturbed conditions (mass, battery, sensors, wear) {} is faster than {} in {}, {}, and not \
         faster in {}, {}; uncorrected.",
        differences.len(),
        in_sentence(summary.label(&map.policy)),
        in_sentence(summary.label(&map.against)),
        count(|e| e.mean < 0.0),
        clearly(count(|e| e.high < 0.0)),
        count(|e| e.mean >= 0.0),
        clearly(count(|e| e.low > 0.0)),
    ))
}

fn seed_line(summary: &Summary) -> Option<String> {
    let subject = summary.policy(&summary.roles.subject)?;
    (subject.training_seeds == 1).then(|| {
        format!(
            "{} has a single training seed: the intervals do not include the variance between seeds.",
            subject.record.label
        )
    })
}
