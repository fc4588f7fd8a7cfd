//! The first screen: what to do now. One recommendation from differences that are significant after correction, the way
//! from the hand-written rule to the plan, thresholds to type in or a file to flash, what breaks it, and what comes next.

use maud::{Markup, html};

use super::charts::{lead_lost, steps_to_plan};
use super::policies::{Significance, significance};
use super::text::{count, fixed, in_sentence, number, percent, signed_percent, start_sentence, typeset};
use lowgear_eval::figures::Pictures;
use lowgear_eval::summary::{Metric, PairedDifference, ShiftThreshold, Summary, TunedRule};

/// What a difference in course time says about a change.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Gain {
    /// Significantly faster.
    Yes,
    /// Not significant either way.
    Unproven,
    /// Significantly slower.
    No,
}

fn gain(difference: &PairedDifference, level: f64) -> Gain {
    match significance(difference, level) {
        Significance::Corrected if difference.mean < 0.0 => Gain::Yes,
        Significance::Corrected => Gain::No,
        Significance::None | Significance::Uncorrected => Gain::Unproven,
    }
}

/// The size of a difference, "18.1 %".
fn size(difference: &PairedDifference) -> String {
    difference.percent.map_or_else(
        || format!("{} s", number(difference.mean.abs())),
        |of_mean| format!("{} %", percent(of_mean.abs())),
    )
}

/// The same with its sign, "−0.8 %".
fn signed_size(difference: &PairedDifference) -> String {
    difference.percent.map_or_else(
        || format!("{} s", number(difference.mean)),
        |of_mean| format!("{} %", signed_percent(of_mean)),
    )
}

/// Whether tuning pays, and whether the table pays on top of it.
struct Found<'a> {
    tuning: Option<(Gain, &'a PairedDifference)>,
    table: Option<(Gain, &'a PairedDifference)>,
}

fn found(summary: &Summary) -> Found<'_> {
    let (roles, level) = (&summary.roles, summary.study.level);
    let compare = |policy: &str, against: &str| {
        let difference = summary.difference(policy, against, Metric::CourseTime)?;
        Some((gain(difference, level), difference))
    };
    Found {
        tuning: compare(&roles.tuned_rule, &roles.hand_rule),
        table: compare(&roles.subject, &roles.tuned_rule),
    }
}

/// "Tune: yes, 18.1 % faster. Table: no proven gain (−0.8 %)."
pub(super) fn headline(summary: &Summary) -> String {
    let found = found(summary);
    let tuning = match found.tuning {
        Some((Gain::Yes, d)) => format!("Tune: yes, {} faster.", size(d)),
        Some((Gain::No, d)) => format!("Tune: no, {} slower.", size(d)),
        Some((Gain::Unproven, d)) => format!("Tune: no proven gain ({}).", signed_size(d)),
        None => "Tuning was not compared.".to_owned(),
    };
    let table = match found.table {
        Some((Gain::Yes, d)) => format!("Table: yes, {} more.", size(d)),
        Some((Gain::No, d)) => format!("Table: no, {} slower.", size(d)),
        Some((Gain::Unproven, d)) => format!("Table: no proven gain ({}).", signed_size(d)),
        None => "No table was compared.".to_owned(),
    };
    let quick = if summary.study.quick { "Quick run, conclude nothing. " } else { "" };
    format!("{quick}{tuning} {table}")
}

/// What to do, in one line.
fn action(summary: &Summary) -> &'static str {
    let found = found(summary);
    let is = |part: &Option<(Gain, &PairedDifference)>, gain| part.is_some_and(|(found, _)| found == gain);
    if is(&found.table, Gain::Yes) && summary.table.is_some() {
        "Flash the table"
    } else if is(&found.tuning, Gain::Yes) {
        "Type in these thresholds"
    } else {
        "Keep the hand-written rule"
    }
}

/// The section's body.
pub(super) fn answer(summary: &Summary, pictures: &Pictures) -> Markup {
    html! {
        p.verdict { (typeset(&headline(summary))) } "\n"
        div.first { "\n"
            div { "\n"
                @if let Some(drawing) = steps_to_plan(summary) {
                    figure { "\n"
                        figcaption { h3 { "From the hand-written rule to the plan" } }
                        div.drawings { (drawing) }
                    } "\n"
                }
                ul.facts { "\n"
                    @for (name, line) in facts(summary) { li { b { (name) } " " (typeset(&line)) } "\n" }
                    (next_steps(summary, pictures))
                    li {
                        b { "Caution" } " Simulation only. Wheels off the ground first. "
                        a href="#cautions" { "All cautions" }
                    } "\n"
                } "\n"
            } "\n"
            div.panel { "\n"
                h3 { (action(summary)) } "\n"
                (threshold_table(summary))
                (file_line(summary))
            } "\n"
        } "\n"
    }
}

fn rule<'a>(summary: &'a Summary, id: &str) -> Option<&'a TunedRule> {
    summary.tuned.iter().find(|rule| rule.policy == *id)
}

/// Motor speeds of the hand-written rule and of the tuned one.
fn threshold_table(summary: &Summary) -> Markup {
    let roles = &summary.roles;
    let Some(new) = rule(summary, &roles.tuned_rule).filter(|rule| !rule.thresholds.is_empty()) else {
        return Markup::default();
    };
    let old = rule(summary, &roles.hand_rule);
    let per_volt = new.thresholds.iter().any(|threshold| threshold.rpm_per_v.is_some());
    let before = |new: &ShiftThreshold| {
        let found = old.and_then(|old| old.thresholds.iter().find(|t| (t.from, t.to) == (new.from, new.to)));
        found.map_or_else(|| "–".to_owned(), |t| count(t.motor_rpm.round() as u64))
    };
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table: thresholds to type in" {
            table {
                caption { "Motor speed at nominal voltage, rpm" }
                thead { tr {
                    th scope="col" { "shift" } th scope="col" { "old" } th scope="col" { "new" }
                    @if per_volt { th scope="col" { "new, rpm/V" } }
                } }
                tbody {
                    @for t in &new.thresholds {
                        tr {
                            th scope="row" { (t.from) " → " (t.to) @if t.from < t.to { " from" } @else { " below" } }
                            td { (before(t)) }
                            td { b { (count(t.motor_rpm.round() as u64)) } }
                            @if per_volt { td { (t.rpm_per_v.map_or_else(|| "–".to_owned(), |v| fixed(v, 0))) } }
                        }
                    }
                }
            }
        } "\n"
    }
}

/// The file to flash, with its bytes and seed and how that seed fared.
fn file_line(summary: &Summary) -> Markup {
    let Some(sheet) = &summary.table else { return Markup::default() };
    let own = summary.policy(&summary.roles.subject);
    let seed = own.and_then(|policy| policy.seeds.iter().find(|seed| seed.seed == sheet.seed));
    let fared = seed.map_or_else(String::new, |seed| {
        let e = &seed.against_tuned_s;
        format!(" ({} to {} s to the tuned rule)", number(e.low), number(e.high))
    });
    html! {
        p {
            "File: " a href=(sheet.header) { (sheet.header) } ", "
            (count(sheet.bytes as u64)) " bytes, seed " (sheet.seed) (typeset(&fared)) "."
        } "\n"
    }
}

fn facts(summary: &Summary) -> Vec<(&'static str, String)> {
    let mut lines = Vec::new();
    let lead = found(summary).table.is_some_and(|(_, difference)| difference.mean < 0.0);
    let lost = lead_lost(summary);
    if lead && !lost.is_empty() {
        lines.push(("Table's lead lost at", format!("{}.", lost.join("; "))));
    }
    lines.extend(damage(summary).map(|line| ("Gearbox damage", line)));
    lines
}

/// How tuning changes gearbox damage: a proven change, or that there is none.
fn damage(summary: &Summary) -> Option<String> {
    let roles = &summary.roles;
    let d = summary.difference(&roles.tuned_rule, &roles.hand_rule, Metric::Damage)?;
    let times = d.ratio.map_or_else(
        || format!("{} %", signed_percent(d.percent.unwrap_or_default())),
        |e| format!("{} times ({} to {})", fixed(e.mean, 2), fixed(e.low, 2), fixed(e.high, 2)),
    );
    let name = start_sentence(&in_sentence(summary.label(&roles.tuned_rule)));
    Some(match significance(d, summary.study.level) {
        Significance::Corrected => format!("{name}: {times}."),
        Significance::None | Significance::Uncorrected => {
            format!("{name}: no proven change, {times}; watch the gears.")
        }
    })
}

/// Links into the run folder, in the order of use.
fn next_steps(summary: &Summary, pictures: &Pictures) -> Markup {
    html! {
        li { b { "Next" } " "
            @if pictures.card.is_some() { a href="rule-card.html" { "print the rule card" } " · " }
            @if summary.table.is_some() {
                a href="firmware/README.txt" { "build and first run" } " · "
                a href="firmware/table.csv" { "table" } " · "
            }
            a href="episodes.csv" { "every episode" }
        } "\n"
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::example::{pictures, summary};

    fn set(summary: &mut Summary, policy: &str, against: &str, mean: f64, p: f64) {
        let found = summary.paired.iter_mut();
        let mut found = found.filter(|d| d.metric == Metric::CourseTime && d.policy == *policy);
        let d = found.find(|d| d.against == *against).unwrap();
        (d.mean, d.low, d.high, d.percent, d.corrected_p) =
            (mean, mean - 1.0, mean + 1.0, Some(mean), Some(p));
    }

    #[test]
    fn the_recommendation_follows_the_corrected_figures() {
        let mut summary = summary();
        for (tuning, table, words, action_words) in [
            (
                (-18.0, 1e-9),
                (-0.8, 0.2),
                "Tune: yes, 18.0 % faster. Table: no proven gain (−0.8 %).",
                "Type in these thresholds",
            ),
            (
                (-18.0, 1e-9),
                (-2.0, 0.01),
                "Tune: yes, 18.0 % faster. Table: yes, 2.0 % more.",
                "Flash the table",
            ),
            (
                (-5.0, 0.2),
                (3.0, 0.01),
                "Tune: no proven gain (−5.0 %). Table: no, 3.0 % slower.",
                "Keep the hand-written rule",
            ),
        ] {
            set(&mut summary, "tuned-speed", "hand-rule", tuning.0, tuning.1);
            set(&mut summary, "table", "tuned-speed", table.0, table.1);
            assert_eq!(headline(&summary), words);
            assert_eq!(action(&summary), action_words);
        }
    }

    #[test]
    fn old_and_new_thresholds_stand_in_one_row_and_the_file_is_linked() {
        let (summary, pictures) = (summary(), pictures());
        let text = answer(&summary, &pictures).into_string();
        assert!(text.contains("<td>6326</td><td><b>5537</b></td>"), "{text}");
        assert!(text.contains("href=\"firmware/lowgear.h\"") && text.contains("1944 bytes, seed 2"));
    }
}
