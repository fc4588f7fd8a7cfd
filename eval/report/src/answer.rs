//! The first screen: what to do now. The recommendation, the way from the hand-written rule to the plan, thresholds to type
//! in or a file to flash, what breaks it, and what comes next.

use maud::{Markup, html};

use super::charts::{lead_lost, steps_to_plan};
use super::policies::{Significance, significance};
use super::recommendation::{Action, action, found, headline};
use super::text::{count, fixed, number, typeset};
use lowgear_eval::PolicyId;
use lowgear_eval::figures::Pictures;
use lowgear_eval::summary::{Metric, ShiftThreshold, Summary, TunedRule};

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
                    li { a href="#cautions" { b { "Cautions" } } " Simulation only. Lift wheels first." }
                } "\n"
            } "\n"
            div.panel { "\n"
                h3 { (action(summary).words()) } "\n"
                @if matches!(action(summary), Action::FlashTable | Action::FlashNetwork) {
                    // The recommended file first: the thresholds are what remains for who does not flash it.
                    (file_line(summary))
                    (threshold_table(summary, "Or tuned thresholds: motor speed at nominal voltage, rpm"))
                } @else {
                    (threshold_table(summary, "Motor speed at nominal voltage, rpm"))
                    (file_line(summary))
                }
            } "\n"
        } "\n"
    }
}

fn rule<'a>(summary: &'a Summary, id: &str) -> Option<&'a TunedRule> {
    summary.tuned.iter().find(|rule| rule.policy == *id)
}

/// Motor speeds of the hand-written rule and of the tuned one, and its waits in each gear.
fn threshold_table(summary: &Summary, caption: &str) -> Markup {
    let roles = &summary.roles;
    let Some(new) = rule(summary, &roles.tuned_rule).filter(|rule| !rule.thresholds.is_empty()) else {
        return Markup::default();
    };
    let old = rule(summary, &roles.hand_rule);
    let per_volt = new.thresholds.iter().any(|threshold| threshold.rpm_per_v.is_some());
    let waits = new.thresholds.iter().any(|threshold| threshold.wait_s.is_some());
    let before = |new: &ShiftThreshold| {
        let found = old.and_then(|old| old.thresholds.iter().find(|t| (t.from, t.to) == (new.from, new.to)));
        found.map_or_else(|| "–".to_owned(), |t| count(t.motor_rpm.round() as u64))
    };
    html! {
        div.scroll tabindex="0" role="region" aria-label="Table: thresholds to type in" {
            table {
                caption { (caption) }
                thead { tr {
                    th scope="col" { "shift" } th scope="col" { "old" } th scope="col" { "new" }
                    @if waits { th scope="col" { "not before, s" } }
                    @if per_volt { th scope="col" { "new, rpm/V" } }
                } }
                tbody {
                    @for t in &new.thresholds {
                        tr {
                            th scope="row" { (t.from) " → " (t.to) @if t.from < t.to { " from" } @else { " below" } }
                            td { (before(t)) }
                            td { b { (count(t.motor_rpm.round() as u64)) } }
                            @if waits { td { (t.wait_s.map_or_else(|| "–".to_owned(), |wait| fixed(wait, 2))) } }
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
    let table = summary.table.as_ref().map(|s| (summary.roles.subject.clone(), &s.header, s.bytes, s.seed));
    let network = || summary.network.as_ref().map(|s| (PolicyId::Network, &s.header, s.bytes, s.seed));
    let file = if action(summary) == Action::FlashNetwork { network() } else { table };
    let Some((policy, header, bytes, seed)) = file else { return Markup::default() };
    let own = summary.policy(&policy);
    let own_seed = own.and_then(|policy| policy.seeds.iter().find(|of| of.seed == seed));
    let fared = own_seed.map_or_else(String::new, |of| {
        let e = &of.against_tuned_s;
        format!(" ({} to {} s)", number(e.low), number(e.high))
    });
    html! {
        p {
            a href=(header) { (header) } ", " (count(bytes as u64)) " bytes, seed " (seed) (typeset(&fared)) "."
        } "\n"
    }
}

fn facts(summary: &Summary) -> Vec<(&'static str, String)> {
    let mut lines = Vec::new();
    let lead = found(summary).table.is_some_and(|(_, difference)| difference.mean < 0.0);
    // Perturbed conditions are driven by the table.
    let lost = if action(summary) == Action::FlashNetwork { Vec::new() } else { lead_lost(summary) };
    if lead && !lost.is_empty() {
        lines.push(("Lead lost at", format!("{}.", lost.join("; "))));
    }
    lines.extend(damage(summary).map(|line| ("Gearbox damage", line)));
    lines
}

/// How gearbox damage compares: the ratio, its interval in words, and whether it is significant after correction.
struct Wear {
    ratio: f64,
    interval: String,
    proven: bool,
}

fn wear(summary: &Summary, policy: &str, against: &str) -> Option<Wear> {
    let d = summary.difference(policy, against, Metric::Damage)?;
    let ratio = d.ratio.map(|e| (e.mean, format!("{} to {}", fixed(e.low, 2), fixed(e.high, 2))));
    // A policy without any damage has no ratio with an interval on the logarithmic scale.
    let (ratio, interval) = ratio.or_else(|| Some((1.0 + d.percent? / 100.0, "no interval".to_owned())))?;
    let proven = significance(d, summary.study.level) == Significance::Corrected;
    Some(Wear { ratio, interval, proven })
}

/// Gearbox damage of what is recommended: of the tuned rule and, where a table or network is recommended, of that, which
/// may be faster at the cost of the gears. The intervals against the old rule stand in the table below.
fn damage(summary: &Summary) -> Option<String> {
    let roles = &summary.roles;
    let mut shown = vec![("tuned", wear(summary, &roles.tuned_rule, &roles.hand_rule)?)];
    let mut higher = None;
    let flashed = match action(summary) {
        Action::FlashTable => Some(("table", roles.subject.clone())),
        Action::FlashNetwork => Some(("network", PolicyId::Network)),
        Action::TypeIn | Action::Keep => None,
    };
    if let Some((name, policy)) = &flashed {
        shown.extend(wear(summary, policy, &roles.hand_rule).map(|wear| (*name, wear)));
        higher = wear(summary, policy, &roles.tuned_rule).filter(|wear| wear.ratio > 1.0);
    }
    let unproven = |wear: &Wear| if wear.proven { "" } else { " (unproven)" };
    let parts = shown.iter().map(|(name, wear)| format!("{name} {}{}", fixed(wear.ratio, 2), unproven(wear)));
    let mut text = format!("times the old: {}", parts.collect::<Vec<_>>().join(", "));
    if let Some((wear, (name, _))) = higher.as_ref().zip(flashed.as_ref()) {
        let doubt = if wear.proven { "" } else { ", unproven" };
        text += &format!("; {name} higher than tuned, {} ({}{doubt})", fixed(wear.ratio, 2), wear.interval);
    }
    let safe = |wear: &Wear| wear.ratio < 1.0 && (wear.proven || higher.is_some());
    if !shown.iter().all(|(_, wear)| safe(wear)) {
        text += "; watch the gears";
    }
    Some(text + ".")
}

/// Links into the run folder, in the order of use.
fn next_steps(summary: &Summary, pictures: &Pictures) -> Markup {
    html! {
        li { b { "Next" } " "
            @if pictures.card.is_some() { a href="rule-card.html" { "rule card" } " · " }
            @if summary.table.is_some() {
                a href="firmware/README.txt" { "first run" } " · "
                a href="firmware/table.csv" { "table" } " · "
            }
            a href="episodes.csv" { "episodes" }
        } "\n"
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::example::{pictures, summary};
    use crate::recommendation::tests::{pair, set};

    /// A ratio of damage with an interval from 0.8 to 1.25 times it.
    fn set_damage(summary: &mut Summary, policy: &str, against: &str, ratio: f64, p: f64) {
        let d = pair(summary, policy, against, Metric::Damage);
        let e = d.ratio.as_mut().unwrap();
        (e.mean, e.low, e.high, d.corrected_p) = (ratio, 0.8 * ratio, 1.25 * ratio, Some(p));
    }

    /// A study that recommends the table, whose damage is `of_tuned` times the tuned rule's, at this corrected p.
    fn table_recommended(of_tuned: f64, p: f64) -> Summary {
        let mut summary = summary();
        set(&mut summary, "tuned-speed", "hand-rule", -18.0, 1e-9);
        set(&mut summary, "table", "tuned-speed", -1.0, 0.01);
        set_damage(&mut summary, "tuned-speed", "hand-rule", 0.39, 1e-4);
        set_damage(&mut summary, "table", "hand-rule", 0.39 * of_tuned, 1e-4);
        set_damage(&mut summary, "table", "tuned-speed", of_tuned, p);
        summary
    }

    #[test]
    fn damage_of_the_recommended_table_stands_next_to_that_of_the_tuned_rule() {
        for (of_tuned, p, words) in [
            (0.9, 0.5, "tuned 0.39, table 0.35."),
            (1.28, 0.8, "tuned 0.39, table 0.50; table higher than tuned, 1.28 (1.02 to 1.60, unproven)."),
            (1.5, 1e-3, "tuned 0.39, table 0.58; table higher than tuned, 1.50 (1.20 to 1.88)."),
            (
                3.0,
                1e-3,
                "tuned 0.39, table 1.17; table higher than tuned, 3.00 (2.40 to 3.75); watch the gears.",
            ),
        ] {
            assert_eq!(damage(&table_recommended(of_tuned, p)).unwrap(), format!("times the old: {words}"));
        }
        let mut unproven = table_recommended(1.5, 1e-3);
        set(&mut unproven, "table", "tuned-speed", -1.0, 0.5);
        let not_recommended = damage(&unproven).unwrap();
        assert_eq!(
            not_recommended, "times the old: tuned 0.39.",
            "no word of a table that is not recommended"
        );
        set_damage(&mut unproven, "tuned-speed", "hand-rule", 0.8, 0.3);
        let text = damage(&unproven).unwrap();
        assert_eq!(text, "times the old: tuned 0.80 (unproven); watch the gears.");
    }

    /// Words of a page outside its figures and tables, which have names that differ from study to study.
    fn words(page: &str) -> usize {
        let mut text = page.to_owned();
        for (start, end) in [("<figure", "</figure>"), ("<table", "</table>")] {
            while let Some(from) = text.find(start) {
                let to = from + text[from..].find(end).unwrap() + end.len();
                text.replace_range(from..to, " ");
            }
        }
        let pieces = text
            .split('<')
            .flat_map(|piece| piece.split_once('>').map_or(piece, |(_, text)| text).split_whitespace());
        pieces.filter(|word| word.chars().any(char::is_alphanumeric)).count()
    }

    #[test]
    fn the_first_screen_has_at_most_sixty_words() {
        let (mut summary, pictures) = (table_recommended(1.28, 0.8), pictures());
        set_damage(&mut summary, "table", "hand-rule", 0.54, 0.3);
        let text = answer(&summary, &pictures).into_string();
        assert!(text.contains("higher than tuned") && text.contains("Lead lost at"), "{text}");
        assert!((40..=60).contains(&words(&text)), "{} words: {text}", words(&text));
    }

    #[test]
    fn old_and_new_thresholds_stand_in_one_row_and_the_file_is_linked() {
        let (summary, pictures) = (summary(), pictures());
        let text = answer(&summary, &pictures).into_string();
        assert!(text.contains("<td>6326</td><td><b>5537</b></td>"), "{text}");
        assert!(text.contains("href=\"firmware/lowgear.h\"") && text.contains("1944 bytes, seed 2"));
    }
}
