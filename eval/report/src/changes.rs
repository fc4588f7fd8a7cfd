//! The page of one study against an earlier one: what was configured differently, and what became better or worse.

use maud::{Markup, html};

use super::document::{begin, items, navigation, scripted_document, section};
use super::policies::{main_policies, names};
use super::tables::table;
use super::text::{fixed, level_percent, number, signed, signed_percent, start_sentence, typeset};
use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::{Metric, PolicySummary, Summary};

/// How a figure has changed.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
enum Change {
    Better,
    Worse,
    None,
}

impl Change {
    fn words(self) -> &'static str {
        match self {
            Change::Better => "better",
            Change::Worse => "worse",
            Change::None => "no change shown",
        }
    }
}

/// A key that differs between two resolved studies.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct ChangedKey {
    /// Its name, with those of its tables.
    pub key: String,
    /// Its value in the earlier study, in short.
    pub before: String,
    /// Its value now.
    pub now: String,
}

/// The whole page.
#[must_use]
pub fn changes_page(new: &Summary, old: &Summary, configuration: &[ChangedKey]) -> String {
    let title = format!("Study {} against an earlier one", new.study.name);
    let sections = [("changes", "Figures"), ("configuration", "Configuration")];
    let body = html! {
        (begin("#changes", "To the figures"))
        header { "\n"
            h1 { (typeset(&title)) } "\n"
            p.kicker { (typeset(&new.vehicle.name)) } "\n"
            (navigation(&sections))
        } "\n"
        main { "\n"
            p.verdict { (typeset(&headline(new, old))) } "\n"
            (section("changes", "Figures", &figures(new, old)))
            (section("configuration", "Configuration", &listed(configuration)))
        } "\n"
    };
    scripted_document(&title, &body)
}

fn listed(configuration: &[ChangedKey]) -> Markup {
    let rows =
        configuration.iter().map(|ChangedKey { key, before, now }| [key, before, now].map(String::clone));
    html! {
        @if configuration.is_empty() {
            p { "No key of the resolved studies differs." } "\n"
        } @else {
            (table("Keys of the resolved studies that differ", &["key", "before", "now"], rows))
        }
    }
}

/// "Course time: better for the tuned rule; worse for the lookup table. Damage: no change shown."
fn headline(new: &Summary, old: &Summary) -> String {
    let of = |metric: Metric| {
        let changed = |wanted: Change, word: &str| {
            let found = main_policies(new).into_iter().filter(|id| {
                let figure = |summary: &Summary| summary.policy(id)?.metrics.get(&metric).copied();
                let both = figure(new).zip(figure(old)).map(|(now, before)| difference(&now, &before));
                both.is_some_and(|(_, low, high)| change(metric, low, high) == wanted)
            });
            let labels: Vec<&str> = found.map(|id| new.label(id)).collect();
            (!labels.is_empty()).then(|| format!("{word} for {}", names(labels)))
        };
        let clauses = [changed(Change::Better, "better"), changed(Change::Worse, "worse")];
        let clauses: Vec<String> = clauses.into_iter().flatten().collect();
        let found = if clauses.is_empty() { Change::None.words().to_owned() } else { clauses.join("; ") };
        format!("{}: {found}.", start_sentence(metric.label()))
    };
    format!("{} {}", of(Metric::CourseTime), of(Metric::Damage))
}

fn figures(new: &Summary, old: &Summary) -> Markup {
    let mut notes = vec![format!(
        "Old and new means with {} % intervals. The difference treats the two studies as independent, so it is wider than a \
         paired one; a change is shown where its interval excludes zero, uncorrected.",
        level_percent(new.study.level)
    )];
    if new.study.task_version != old.study.task_version {
        notes.push(format!(
            "The studies have task versions {} and {}: their figures must not be compared.",
            old.study.task_version, new.study.task_version
        ));
    }
    if new.vehicle.name != old.vehicle.name {
        notes.push(format!("The vehicles differ: {} before, {} now.", old.vehicle.name, new.vehicle.name));
    }
    let main = main_policies(new);
    let both: Vec<(&PolicySummary, &PolicySummary)> =
        new.policies.iter().filter_map(|policy| Some((policy, old.policy(&policy.record.id)?))).collect();
    let of = |wanted: bool, metric: Metric| {
        let rows = both.iter().filter(|(policy, _)| main.contains(&policy.record.id.as_str()) == wanted);
        rows.filter_map(|(new, old)| row(new, old, metric)).collect::<Vec<_>>()
    };
    let head = ["policy", "before", "now", "difference", "relative, %", "change"];
    let name = |metric: Metric| format!("{}, {}", metric.label(), metric.unit());
    let metrics = [Metric::CourseTime, Metric::Damage, Metric::Finished];
    html! {
        @for note in &notes { p.note { (typeset(note)) } "\n" }
        @for metric in metrics { (table(&format!("The main policies: {}", name(metric)), &head, of(true, metric))) }
        details.further { summary { "All other policies" } "\n"
            @for metric in metrics { (table(&format!("Other policies: {}", name(metric)), &head, of(false, metric))) }
        } "\n"
        (unmatched(new, old))
    }
}

/// Policies of one study alone.
fn unmatched(new: &Summary, old: &Summary) -> Markup {
    let only = |a: &Summary, b: &Summary, word: &str| {
        let names: Vec<&str> = a
            .policies
            .iter()
            .filter(|policy| b.policy(&policy.record.id).is_none())
            .map(|policy| policy.record.label.as_str())
            .collect();
        (!names.is_empty()).then(|| format!("{word}: {}.", names.join("; ")))
    };
    let lines: Vec<String> =
        [only(new, old, "Only in this study"), only(old, new, "Only in the earlier study")]
            .into_iter()
            .flatten()
            .collect();
    html! { @if !lines.is_empty() { ul.remarks { "\n" (items(lines)) } "\n" } }
}

fn row(new: &PolicySummary, old: &PolicySummary, metric: Metric) -> Option<Vec<String>> {
    let (now, before) = (new.metrics.get(&metric)?, old.metrics.get(&metric)?);
    let (mean, low, high) = difference(now, before);
    let shown = |e: &Estimate| format!("{}\n({} to {})", number(e.mean), number(e.low), number(e.high));
    let relative =
        if before.mean.abs() > 0.0 { signed_percent(100.0 * mean / before.mean) } else { "–".to_owned() };
    Some(vec![
        new.record.label.clone(),
        shown(before),
        shown(now),
        format!("{}\n({} to {})", signed(mean), number(low), number(high)),
        relative,
        change(metric, low, high).words().to_owned(),
    ])
}

/// Difference of independent means: the squares of the half widths add up, on each side.
fn difference(now: &Estimate, before: &Estimate) -> (f64, f64, f64) {
    let mean = now.mean - before.mean;
    let down = (now.mean - now.low).hypot(before.high - before.mean);
    let up = (now.high - now.mean).hypot(before.mean - before.low);
    (mean, mean - down, mean + up)
}

fn change(metric: Metric, low: f64, high: f64) -> Change {
    let (fell, rose) = (high < 0.0, low > 0.0);
    match (fell, rose, metric.more_is_better()) {
        (true, _, true) | (_, true, false) => Change::Worse,
        (true, _, false) | (_, true, true) => Change::Better,
        _ => Change::None,
    }
}

/// How many main policies became better, worse or neither in course time, in one line for the terminal.
#[must_use]
pub fn changes_in_short(new: &Summary, old: &Summary) -> String {
    let mut lines = Vec::new();
    for id in main_policies(new) {
        let time = |summary: &Summary| summary.policy(id)?.metrics.get(&Metric::CourseTime).copied();
        let (Some(now), Some(before)) = (time(new), time(old)) else { continue };
        let (mean, low, high) = difference(&now, &before);
        lines.push(format!(
            "{}: {} s -> {} s, {} s, {}\n",
            new.label(id),
            fixed(before.mean, 1),
            fixed(now.mean, 1),
            signed(mean),
            change(Metric::CourseTime, low, high).words()
        ));
    }
    lines.concat()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::example::summary;

    fn time<'a>(summary: &'a mut Summary, id: &str) -> &'a mut Estimate {
        let policy = summary.policies.iter_mut().find(|policy| policy.record.id == *id).unwrap();
        policy.metrics.get_mut(&Metric::CourseTime).unwrap()
    }

    #[test]
    fn a_change_is_shown_where_its_interval_excludes_zero() {
        let (mut new, mut old) = (summary(), summary());
        let set = |e: &mut Estimate, mean: f64| (e.mean, e.low, e.high) = (mean, mean - 3.0, mean + 3.0);
        for (id, before, now) in
            [("hand-rule", 140.0, 144.0), ("table", 140.0, 135.0), ("tuned-speed", 140.0, 145.0)]
        {
            set(time(&mut old, id), before);
            set(time(&mut new, id), now);
        }
        // Half widths of 3 and 3 make one of 4.24: 4 s are no change, 5 s are one.
        let text = changes_in_short(&new, &old);
        assert!(text.contains("Hand-written rule: 140.0 s -> 144.0 s, +4.00 s, no change shown\n"), "{text}");
        assert!(text.contains("Learned table: 140.0 s -> 135.0 s, −5.00 s, better\n"), "{text}");
        assert!(text.contains("Tuned motor-speed rule: 140.0 s -> 145.0 s, +5.00 s, worse\n"), "{text}");
        assert_eq!(change(Metric::Finished, 0.1, 2.0), Change::Better);
        let text = headline(&new, &old);
        assert!(
            text.starts_with(
                "Course time: better for the learned table; worse for the tuned motor-speed rule. "
            ),
            "{text}"
        );
        assert!(text.ends_with(": no change shown."), "{text}");
    }

    #[test]
    fn the_page_says_what_differs_and_what_must_not_be_compared() {
        let (mut new, old) = (summary(), summary());
        new.study.task_version += 1;
        new.policies.retain(|policy| policy.record.id != *"dqn");
        let page = changes_page(
            &new,
            &old,
            &[ChangedKey { key: "study.test-courses".into(), before: "100".into(), now: "200".into() }],
        );
        for words in [
            "must not be compared",
            "Only in the earlier study: Neural DQN.",
            ">study.test-courses</",
            ">100</td><td>200<",
        ] {
            assert!(page.contains(words), "{words}");
        }
        assert!(changes_page(&old, &old, &[]).contains("No key of the resolved studies differs."));
    }
}
