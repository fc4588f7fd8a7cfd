//! Paired differences as intervals about zero.

use maud::Markup;

use super::rows::{Axis, Row, draw, off_scale};
use super::{ALL, DATA, Figure, Layout, marker, with_interval};
use crate::policies::{Significance, is_central, is_main, look, significance};
use crate::tables::table;
use crate::text::{
    count, fixed, in_sentence, level_percent, number, percent, plural, signed, signed_percent, start_sentence,
};
use lowgear_eval::PolicyId;
use lowgear_eval::summary::{Family, Metric, PairedDifference, Summary};

/// All paired differences in one figure against one policy: the main policies, the others in the fold.
pub(in super::super) fn differences(summary: &Summary, against: &str, metric: Metric) -> Option<Figure> {
    let all: Vec<&PairedDifference> =
        summary.paired.iter().filter(|d| d.against == against && d.metric == metric).collect();
    let first = all.first()?;
    let shown: Vec<&PairedDifference> = all.iter().copied().filter(|d| is_main(summary, &d.policy)).collect();
    let title = title(summary, &shown, against, metric);
    let picture = |list: &[&PairedDifference]| {
        let rows: Vec<Row> = list.iter().map(|d| row(summary, d)).collect();
        let label = format!("{title}: intervals of {}", plural(rows.len(), "comparison"));
        let title = format!("difference in {}", metric.label());
        let axis = Axis { label: &label, title: (&title, metric.unit()), zero: 0.0, bars: false };
        let off: Vec<String> = off_scale(&rows, 0.0).into_iter().map(str::to_owned).collect();
        (draw(&rows, &axis), off)
    };
    let (whole, off) = picture(&all);
    let arrows = if off.is_empty() {
        String::new()
    } else {
        format!(" Off the scale with all policies: {}.", off.join("; "))
    };
    let caption = format!(
        "Paired difference on the same courses, n = {}; {} % intervals; left is {}.{arrows}",
        first.n_courses,
        level_percent(summary.study.level),
        if metric.more_is_better() { "worse" } else { "better" },
    );
    Some(Figure {
        drawings: if shown.is_empty() { vec![whole.clone()] } else { vec![picture(&shown).0] },
        fold: if shown.len() < all.len() { ALL } else { DATA },
        further: if shown.len() < all.len() { vec![whole] } else { Vec::new() },
        table: difference_table(summary, &all),
        title,
        caption,
        layout: Layout::Half,
    })
}

/// The finding: the main policies against this one, and how sure.
fn title(summary: &Summary, shown: &[&PairedDifference], against: &str, metric: Metric) -> String {
    let clauses: Vec<String> = shown
        .iter()
        .map(|d| {
            let size = d.percent.map_or_else(
                || format!("{} {}", signed(d.mean), metric.unit()),
                |p| format!("{} %", signed_percent(p)),
            );
            let sure = if significance(d, summary.study.level) == Significance::Corrected {
                ""
            } else {
                " (not proven)"
            };
            format!("{} {size}{sure}", in_sentence(summary.label(&d.policy)))
        })
        .collect();
    let found = if clauses.is_empty() { String::new() } else { format!(": {}", clauses.join(", ")) };
    format!("{} against {}{found}", start_sentence(metric.label()), in_sentence(summary.label(against)))
}

fn row(summary: &Summary, d: &PairedDifference) -> Row {
    let family = summary.policy(&d.policy).map_or(Family::Rule, |policy| policy.record.family);
    let figure = d.percent.map_or_else(|| signed(d.mean), |p| format!("{} %", signed_percent(p)));
    let p = d.corrected_p.map_or_else(String::new, |p| format!("; corrected p {}", p_value(p)));
    let better = d
        .improvement
        .map_or_else(String::new, |e| format!("; better on {} % of courses", percent(100.0 * e.mean)));
    Row {
        name: summary.label(&d.policy).to_owned(),
        look: look(summary, &d.policy),
        marker: marker(family),
        interval: (d.mean, d.low, d.high),
        significance: significance(d, summary.study.level),
        tip: format!(
            "{} {} ({} to {}), {figure}{p}{better}",
            signed(d.mean),
            d.metric.unit(),
            number(d.low),
            number(d.high)
        ),
        figure,
        central: is_central(summary, &d.policy),
    }
}

/// How likely each policy is to beat the tuned rule on a course.
pub(in super::super) fn improvement(summary: &Summary) -> Option<Figure> {
    let against = summary.roles.tuned_rule.as_str();
    let all: Vec<&PairedDifference> = summary
        .paired
        .iter()
        .filter(|d| d.against == against && d.metric == Metric::CourseTime && d.improvement.is_some())
        .collect();
    let shown = all.iter().filter(|d| !PolicyId::LADDER.contains(&d.policy));
    let first = all.first()?;
    let rows: Vec<Row> = shown
        .filter_map(|d| {
            let e = d.improvement?;
            let share = |value: f64| 100.0 * value;
            let sure =
                if e.low > 0.5 || e.high < 0.5 { Significance::Uncorrected } else { Significance::None };
            Some(Row {
                interval: (share(e.mean), share(e.low), share(e.high)),
                significance: sure,
                figure: format!("{} %", fixed(share(e.mean), 1)),
                tip: format!(
                    "{} % ({} to {})",
                    fixed(share(e.mean), 1),
                    fixed(share(e.low), 1),
                    fixed(share(e.high), 1)
                ),
                central: true,
                ..row(summary, d)
            })
        })
        .collect();
    let rule = in_sentence(summary.label(against));
    let title = format!("How often each policy beats {rule}");
    let axis = Axis { label: &title, title: ("courses with less time", "%"), zero: 50.0, bars: false };
    Some(Figure {
        drawings: vec![draw(&rows, &axis)],
        further: Vec::new(),
        fold: DATA,
        caption: format!(
            "Probability of improvement: share of courses (n = {}) on which a policy takes less time than {rule}, ties counted \
             half, with {} % intervals; 50 % is no difference. With a dot: the interval excludes 50 %, uncorrected.",
            first.n_courses,
            level_percent(summary.study.level)
        ),
        table: difference_table(summary, &all),
        title,
        layout: Layout::Half,
    })
}

fn difference_table(summary: &Summary, rows: &[&PairedDifference]) -> Markup {
    let head = [
        "policy",
        "difference",
        "interval",
        "relative to the mean, %",
        "corrected p",
        "probability of improvement",
        "seeds",
        "courses",
    ];
    let body = rows.iter().map(|d| {
        vec![
            summary.label(&d.policy).to_owned(),
            format!("{} {}", signed(d.mean), d.metric.unit()),
            format!("{} to {}", number(d.low), number(d.high)),
            d.percent.map_or_else(|| "–".to_owned(), signed_percent),
            d.corrected_p.map_or_else(|| "–".to_owned(), p_value),
            d.improvement.map_or_else(
                || "–".to_owned(),
                |e| format!("{} ({} to {})", fixed(e.mean, 3), fixed(e.low, 3), fixed(e.high, 3)),
            ),
            count(d.n_seeds as u64),
            count(d.n_courses as u64),
        ]
    });
    let against = rows.first().map_or("", |d| summary.label(&d.against));
    let metric = rows.first().map_or("", |d| d.metric.label());
    let ratio = rows.iter().find_map(|d| d.ratio).map(|_| ratio_table(summary, rows));
    maud::html! { (table(&format!("Paired differences in {metric} against {}", in_sentence(against)), &head, body)) @if let Some(ratio) = ratio { (ratio) } }
}

/// Ratios with intervals on the logarithmic scale.
fn ratio_table(summary: &Summary, rows: &[&PairedDifference]) -> Markup {
    let body =
        rows.iter().filter_map(|d| Some(vec![summary.label(&d.policy).to_owned(), with_interval(&d.ratio?)]));
    let against = rows.first().map_or("", |d| summary.label(&d.against));
    table(
        &format!(
            "Damage as a multiple of that of {}, interval on the logarithmic scale",
            in_sentence(against)
        ),
        &["policy", "times"],
        body,
    )
}

/// Two significant digits; a value that is smaller than any reader needs is given as a limit.
fn p_value(p: f64) -> String {
    if p < 0.001 { "< 0.001".to_owned() } else { format!("{p:.3}") }
}
