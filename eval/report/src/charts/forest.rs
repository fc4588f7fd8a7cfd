//! Paired differences as intervals about zero.

use maud::Markup;

use super::{Figure, Layout, class, marker, off_scale_mark, with_interval};
use crate::policies::is_central;
use crate::scale::{Scale, focus};
use crate::svg::{Anchor, Frame, Svg};
use crate::tables::table;
use crate::text::{
    count, in_sentence, level_percent, number, plural, shorten, signed, signed_percent, start_sentence,
};
use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::{Family, Metric, PairedDifference, Summary};

const WIDTH: f64 = 350.0;
const ROW: f64 = 34.0;

/// All paired differences in one figure against one policy.
pub(in super::super) fn differences(summary: &Summary, against: &str, metric: Metric) -> Option<Figure> {
    let rows: Vec<&PairedDifference> =
        summary.paired.iter().filter(|d| d.against == against && d.metric == metric).collect();
    let first = rows.first()?;
    let title =
        format!("{} relative to {}", start_sentence(metric.label()), in_sentence(summary.label(against)));
    let scale = scale(summary, &rows);
    let off: Vec<&str> =
        rows.iter().filter(|d| !scale.holds(d.mean)).map(|d| summary.label(&d.policy)).collect();
    let arrows = if off.is_empty() {
        String::new()
    } else {
        format!(" Off the scale, drawn as an arrow with the figure: {}.", off.join(", "))
    };
    let caption = format!(
        "Paired difference on the same {}, with {} % intervals over training seeds and courses; left is \
         {}. A filled mark excludes zero, a hollow one does not; n is seeds × courses.{arrows}",
        plural(first.n_courses, "course"),
        level_percent(summary.study.level),
        if metric.more_is_better() { "worse" } else { "better" },
    );
    Some(Figure {
        drawings: vec![draw(summary, &rows, scale, &title)],
        table: difference_table(summary, &rows),
        title,
        caption,
        layout: Layout::Half,
    })
}

fn scale(summary: &Summary, rows: &[&PairedDifference]) -> Scale {
    let ends = |central: bool| {
        let rows = rows.iter().filter(move |d| is_central(summary, &d.policy) == central);
        rows.map(|d| (d.low, d.high)).collect::<Vec<_>>()
    };
    let (low, high) = focus(&[ends(true), vec![(0.0, 0.0)]].concat(), &ends(false));
    Scale::over([low, high], 0.05, 12.0, WIDTH - 12.0)
}

fn draw(summary: &Summary, rows: &[&PairedDifference], x: Scale, title: &str) -> Markup {
    let metric = rows.first().map_or(Metric::CourseTime, |d| d.metric);
    let height = 10.0 + ROW * rows.len() as f64 + 40.0;
    let frame = Frame {
        x,
        y: Scale::linear(0.0, 1.0, 0.0, 1.0),
        left: 12.0,
        right: WIDTH - 12.0,
        top: 8.0,
        bottom: height - 36.0,
    };
    let mut svg =
        Svg::new(WIDTH, height, &format!("{title}: intervals of {}", plural(rows.len(), "comparison")));
    svg.x_axis(&frame, 6, &format!("difference in {}", metric.label()), metric.unit());
    svg.line((x.at(0.0), frame.top), (x.at(0.0), frame.bottom), "zero");
    for (index, d) in rows.iter().enumerate() {
        let y = 18.0 + ROW * index as f64;
        let family = summary.policy(&d.policy).map_or(Family::Rule, |policy| policy.record.family);
        svg.rect((11.0, y - 10.0), (WIDTH - 22.0, 13.5), "paper");
        svg.text((14.0, y), Anchor::Start, "row", &shorten(summary.label(&d.policy), 32));
        let of_mean = d.percent.map(|p| format!("{} %", signed_percent(p)));
        let figure = of_mean.unwrap_or_else(|| signed(d.mean));
        let figure = format!("{figure}, n = {}×{}", d.n_seeds, d.n_courses);
        svg.text((WIDTH - 14.0, y), Anchor::End, "figure", &figure);
        let kind = class(family);
        if x.holds(d.mean) {
            svg.interval(&x, (d.low, d.high), y + 12.0, &format!("whisker {kind}"));
            let hollow = if d.low > 0.0 || d.high < 0.0 { "" } else { " hollow" };
            svg.marker(marker(family), (x.at(d.mean), y + 12.0), 5.0, &format!("mark {kind}{hollow}"));
        } else {
            let words = off_scale_words(d);
            off_scale_mark(&mut svg, &frame, d.mean, y + 12.0, kind, &words);
        }
    }
    svg.finish()
}

/// "+367.6 s (336.0 to 399.0)"; the unit of other figures stands at the axis.
fn off_scale_words(d: &PairedDifference) -> String {
    if d.metric.unit() == "s" {
        return format!("{} s ({} to {})", signed(d.mean), number(d.low), number(d.high));
    }
    let estimate =
        Estimate { mean: d.mean, low: d.low, high: d.high, n_seeds: d.n_seeds, n_courses: d.n_courses };
    format!("{}{}", if d.mean > 0.0 { "+" } else { "" }, with_interval(&estimate))
}

fn difference_table(summary: &Summary, rows: &[&PairedDifference]) -> Markup {
    let head = [
        "policy",
        "difference",
        "interval",
        "relative to the mean",
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
            d.percent.map_or_else(|| "–".to_owned(), |p| format!("{} %", signed_percent(p))),
            d.corrected_p.map_or_else(|| "–".to_owned(), p_value),
            d.improvement.map_or_else(|| "–".to_owned(), |e| with_interval(&e)),
            count(d.n_seeds as u64),
            count(d.n_courses as u64),
        ]
    });
    table("Paired differences", &head, body)
}

fn p_value(p: f64) -> String {
    if p < 0.0001 { "< 0.0001".to_owned() } else { format!("{p:.4}") }
}
