//! The comparison as a table for the terminal.

use std::fmt::Write as _;

use crate::summary::{Metric, PolicySummary, Summary};

/// Widths of the columns; with two spaces between them a line has 100 letters.
const WIDTHS: [usize; 8] = [26, 5, 22, 7, 8, 5, 7, 6];
const HEAD: [[&str; 8]; 2] = [
    ["", "done", "course time", "vs hand", "vs tuned", "gap", "damage", "shifts"],
    ["policy", "%", "s (interval)", "%", "%", "%", "per km", "/100 m"],
];
/// What a figure that is not known reads.
const NONE: &str = "-";

/// Every policy in a line: share of finished episodes, course time, its difference to the hand-written and
/// to the tuned rule, share of the gap between that rule and the plan, damage, shifts. At most 100 letters wide; ends with a line break.
#[must_use]
pub fn terminal_table(summary: &Summary) -> String {
    let mut out = String::new();
    for head in HEAD {
        line(&mut out, &head.map(str::to_owned));
    }
    for policy in &summary.policies {
        let figure = |metric: Metric| policy.metrics.get(&metric);
        let or_none = |text: Option<String>| text.unwrap_or_else(|| NONE.to_owned());
        let time = figure(Metric::CourseTime);
        line(
            &mut out,
            &[
                shorten(&policy.record.label, WIDTHS[0]),
                or_none(figure(Metric::Finished).map(|e| format!("{:.1}", e.mean))),
                or_none(time.map(|e| format!("{:.1} ({:.1} to {:.1})", e.mean, e.low, e.high))),
                against(summary, policy, &summary.roles.hand_rule),
                against(summary, policy, &summary.roles.tuned_rule),
                or_none(figure(Metric::GapShare).map(|e| format!("{:.0}", e.mean))),
                or_none(figure(Metric::Damage).map(|e| format!("{:.2e}", e.mean))),
                or_none(figure(Metric::Shifts).map(|e| format!("{:.1}", e.mean))),
            ],
        );
    }
    let _ = writeln!(
        out,
        "{} courses; intervals at {} %. vs: difference in course time on the same courses, * when its\n\
         interval excludes zero. gap: share of the way from the tuned rule to the plan.\n\
         An unfinished course counts with the full time limit.",
        summary.test_suite.courses,
        (1000.0 * summary.study.level).round() / 10.0,
    );
    if summary.study.quick {
        out.push_str("A quick run: too few courses and training seeds to conclude anything.\n");
    }
    out
}

fn against(summary: &Summary, policy: &PolicySummary, other: &str) -> String {
    let found = summary.difference(&policy.record.id, other, Metric::CourseTime);
    let Some((difference, percent)) = found.and_then(|d| Some((d, d.percent?))) else {
        return NONE.to_owned();
    };
    let clear = difference.low > 0.0 || difference.high < 0.0;
    format!("{percent:+.1}{}", if clear { "*" } else { " " })
}

/// The first cell to the left, the others to the right of their columns.
fn line(out: &mut String, cells: &[String; 8]) {
    let [name_width, widths @ ..] = WIDTHS;
    let [name, rest @ ..] = cells;
    let _ = write!(out, "{name:<name_width$}");
    for (cell, width) in rest.iter().zip(widths) {
        let _ = write!(out, "  {cell:>width$}");
    }
    out.push('\n');
}

fn shorten(label: &str, letters: usize) -> String {
    if label.chars().count() <= letters {
        return label.to_owned();
    }
    label.chars().take(letters.saturating_sub(1)).chain(['…']).collect()
}
