//! Distances to the clairvoyant plan as bars.

use maud::Markup;

use super::{Figure, Layout, class, off_scale_mark, with_interval};
use crate::policies::is_central;
use crate::scale::{Scale, focus};
use crate::svg::{Anchor, Frame, Svg};
use crate::tables::table;
use crate::text::{count, fixed, in_sentence, level_percent, percent, plural, shorten, signed_percent};
use lowgear_eval::summary::{Family, Summary};

const WIDTH: f64 = 350.0;
const ROW: f64 = 34.0;
/// Room for the figure of a bar off the scale.
const BREAK: f64 = 175.0;

/// Distance of every policy to the clairvoyant plan.
pub(in super::super) fn headroom(summary: &Summary) -> Option<Figure> {
    let first = summary.headroom.first()?;
    let scale = scale(summary);
    let off: Vec<&str> = summary
        .headroom
        .iter()
        .filter(|h| !scale.holds(h.behind_s.mean))
        .map(|h| summary.label(&h.policy))
        .collect();
    let broken = if off.is_empty() {
        String::new()
    } else {
        format!(" Broken bars with an arrow are off the scale: {}.", off.join(", "))
    };
    let caption = format!(
        "Mean course time beyond that of the executed plan, with {} % intervals; n = {}. The plan knows the \
         course ahead, so no policy that does not is expected to close the whole gap. Share of the gap: {} has \
         0 %, the plan 100 %.{broken}",
        level_percent(summary.study.level),
        plural(first.behind_s.n_courses, "course"),
        in_sentence(summary.label(&summary.roles.tuned_rule)),
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
        title: "Headroom: distance to the clairvoyant plan".to_owned(),
        caption,
        drawings: vec![draw(summary, scale)],
        table: table("Distance to the clairvoyant plan", &head, body),
        layout: Layout::Half,
    })
}

fn scale(summary: &Summary) -> Scale {
    let ends = |central: bool| {
        let rows = summary.headroom.iter().filter(move |h| is_central(summary, &h.policy) == central);
        rows.map(|h| (h.behind_s.low, h.behind_s.high)).collect::<Vec<_>>()
    };
    let (low, high) = focus(&[ends(true), vec![(0.0, 0.0)]].concat(), &ends(false));
    Scale::over([low, high], 0.04, 12.0, WIDTH - 12.0)
}

fn draw(summary: &Summary, x: Scale) -> Markup {
    let rows = &summary.headroom;
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
        Svg::new(WIDTH, height, "Bars: course time of each policy beyond that of the clairvoyant plan");
    svg.x_axis(&frame, 6, "behind the plan", "s");
    let zero = x.at(0.0);
    svg.line((zero, frame.top), (zero, frame.bottom), "zero");
    for (index, h) in rows.iter().enumerate() {
        let y = 18.0 + ROW * index as f64;
        let kind = class(summary.policy(&h.policy).map_or(Family::Rule, |policy| policy.record.family));
        svg.rect((11.0, y - 10.0), (WIDTH - 22.0, 13.5), "paper");
        svg.text((14.0, y), Anchor::Start, "row", &shorten(summary.label(&h.policy), 32));
        let gap = h.gap_percent.map_or_else(String::new, |gap| format!(", gap {} %", fixed(gap.mean, 0)));
        let figure = format!("{} %{gap}", signed_percent(h.behind_percent));
        svg.text((WIDTH - 14.0, y), Anchor::End, "figure", &figure);
        let behind = &h.behind_s;
        let end = x.at(behind.mean);
        if x.holds(behind.mean) {
            svg.rect((zero.min(end), y + 6.0), ((end - zero).abs(), 11.0), &format!("bar {kind}"));
            svg.interval(&x, (behind.low, behind.high), y + 11.5, "whisker ink");
        } else {
            // The bar, two strokes where it breaks off, then the figure and the arrow.
            let outwards = if behind.mean > 0.0 { 1.0 } else { -1.0 };
            let edge = end - BREAK * outwards;
            svg.rect((zero.min(edge), y + 6.0), ((edge - zero).abs(), 11.0), &format!("bar {kind}"));
            for x in [edge, edge + 4.0 * outwards] {
                svg.line((x - 3.0, y + 19.0), (x + 3.0, y + 4.0), "whisker ink");
            }
            let words = format!(
                "{} s ({} to {})",
                fixed(behind.mean, 1),
                fixed(behind.low, 1),
                fixed(behind.high, 1)
            );
            off_scale_mark(&mut svg, &frame, behind.mean, y + 11.5, kind, &words);
        }
    }
    svg.finish()
}
