//! Paired differences as intervals about zero, and distances to the plan as bars.

use super::super::scale::Scale;
use super::super::svg::{Anchor, Frame, Svg};
use super::super::tables::table;
use super::super::text::{
    count, fixed, in_sentence, level_percent, number, percent, plural, shorten, signed, signed_percent,
    start_sentence,
};
use super::{Figure, class, marker, with_interval};
use crate::summary::{Family, Metric, PairedDifference, Summary};

const WIDTH: f64 = 350.0;
const ROW: f64 = 36.0;

/// All paired differences in one figure against one policy.
pub(in super::super) fn differences(summary: &Summary, against: &str, metric: Metric) -> Option<Figure> {
    let rows: Vec<&PairedDifference> =
        summary.paired.iter().filter(|d| d.against == against && d.metric == metric).collect();
    let first = rows.first()?;
    let title = format!("{} against {}", start_sentence(metric.label()), in_sentence(summary.label(against)));
    let caption = format!(
        "Paired difference on the same {}, with {} % intervals over training seeds and courses; left is \
         {}. A filled mark lies clear of zero, a hollow one does not.",
        plural(first.n_courses, "course"),
        level_percent(summary.study.level),
        if metric.more_is_better() { "worse" } else { "better" },
    );
    Some(Figure {
        drawings: vec![draw_differences(summary, &rows, &title)],
        table: difference_table(summary, &rows),
        title,
        caption,
        wide: false,
    })
}

fn draw_differences(summary: &Summary, rows: &[&PairedDifference], title: &str) -> String {
    let metric = rows.first().map_or(Metric::CourseTime, |d| d.metric);
    let height = 10.0 + ROW * rows.len() as f64 + 40.0;
    let ends = rows.iter().flat_map(|d| [d.low, d.high]).chain([0.0]);
    let frame = Frame {
        x: Scale::over(ends, 0.06, 12.0, WIDTH - 12.0),
        y: Scale::linear(0.0, 1.0, 0.0, 1.0),
        left: 12.0,
        right: WIDTH - 12.0,
        top: 8.0,
        bottom: height - 36.0,
    };
    let mut svg =
        Svg::new(WIDTH, height, &format!("{title}: intervals of {}", plural(rows.len(), "comparison")));
    svg.x_axis(&frame, 5, &format!("difference in {}", metric.label()), metric.unit());
    svg.line((frame.x.at(0.0), frame.top), (frame.x.at(0.0), frame.bottom), "zero");
    for (index, d) in rows.iter().enumerate() {
        let y = 20.0 + ROW * index as f64;
        let family = summary.policy(&d.policy).map_or(Family::Rule, |policy| policy.family);
        let clear = d.low > 0.0 || d.high < 0.0;
        svg.text((14.0, y), Anchor::Start, "row halo", &shorten(summary.label(&d.policy), 26));
        let of_mean = d.percent.map(|p| format!("{} %", signed_percent(p)));
        let figure = of_mean.unwrap_or_else(|| signed(d.mean));
        svg.text(
            (WIDTH - 14.0, y),
            Anchor::End,
            "figure halo",
            &format!("{figure}, n = {}×{}", d.n_seeds, d.n_courses),
        );
        let kind = class(family);
        svg.interval(frame.x.at(d.low), frame.x.at(d.high), y + 12.0, &format!("whisker {kind}"));
        let hollow = if clear { "" } else { " hollow" };
        svg.marker(marker(family), (frame.x.at(d.mean), y + 12.0), 5.0, &format!("mark {kind}{hollow}"));
    }
    svg.finish()
}

fn difference_table(summary: &Summary, rows: &[&PairedDifference]) -> String {
    let head = [
        "policy",
        "difference",
        "interval",
        "of the mean",
        "corrected p",
        "better on a course",
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
    table("The same figures", &head, body)
}

fn p_value(p: f64) -> String {
    if p < 0.0001 { "< 0.0001".to_owned() } else { format!("{p:.4}") }
}

/// Distance of every policy to the clairvoyant plan.
pub(in super::super) fn headroom(summary: &Summary) -> Option<Figure> {
    let first = summary.headroom.first()?;
    let title = "Headroom: distance to the clairvoyant plan".to_owned();
    let zero = in_sentence(summary.label(&summary.roles.tuned_rule));
    let caption = format!(
        "Mean course time beyond that of the plan, with {} % intervals, on {}. The plan knows the course \
         ahead, so no causal policy is expected to close the whole gap. Share of the gap: {zero} has 0 %, \
         the plan 100 %.",
        level_percent(summary.study.level),
        plural(first.behind_s.n_courses, "course"),
    );
    let head = ["policy", "behind the plan, s", "behind the plan, %", "share of the gap, %", "seeds"];
    let body = summary.headroom.iter().map(|h| {
        vec![
            summary.label(&h.policy).to_owned(),
            with_interval(&h.behind_s),
            percent(h.behind_percent),
            h.gap_percent.map_or_else(|| "–".to_owned(), |gap| with_interval(&gap)),
            count(h.behind_s.n_seeds as u64),
        ]
    });
    Some(Figure {
        drawings: vec![draw_headroom(summary)],
        table: table("The same figures", &head, body),
        title,
        caption,
        wide: false,
    })
}

fn draw_headroom(summary: &Summary) -> String {
    let rows = &summary.headroom;
    let height = 10.0 + ROW * rows.len() as f64 + 40.0;
    let ends = rows.iter().flat_map(|h| [h.behind_s.low, h.behind_s.high]).chain([0.0]);
    let frame = Frame {
        x: Scale::over(ends, 0.04, 12.0, WIDTH - 12.0),
        y: Scale::linear(0.0, 1.0, 0.0, 1.0),
        left: 12.0,
        right: WIDTH - 12.0,
        top: 8.0,
        bottom: height - 36.0,
    };
    let mut svg =
        Svg::new(WIDTH, height, "Bars: course time of each policy beyond that of the clairvoyant plan");
    svg.x_axis(&frame, 5, "behind the plan", "s");
    let zero = frame.x.at(0.0);
    svg.line((zero, frame.top), (zero, frame.bottom), "zero");
    for (index, h) in rows.iter().enumerate() {
        let y = 20.0 + ROW * index as f64;
        let family = summary.policy(&h.policy).map_or(Family::Rule, |policy| policy.family);
        svg.text((14.0, y), Anchor::Start, "row halo", &shorten(summary.label(&h.policy), 23));
        let gap = h.gap_percent.map_or_else(String::new, |gap| format!(", gap {} %", fixed(gap.mean, 0)));
        let figure = format!(
            "{} %{gap}, n = {}×{}",
            signed_percent(h.behind_percent),
            h.behind_s.n_seeds,
            h.behind_s.n_courses
        );
        svg.text((WIDTH - 14.0, y), Anchor::End, "figure halo", &figure);
        let end = frame.x.at(h.behind_s.mean);
        svg.rect((zero.min(end), y + 6.0), ((end - zero).abs(), 11.0), &format!("bar {}", class(family)));
        svg.interval(frame.x.at(h.behind_s.low), frame.x.at(h.behind_s.high), y + 11.5, "whisker ink");
    }
    svg.finish()
}
