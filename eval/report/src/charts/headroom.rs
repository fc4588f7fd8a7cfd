//! Distances to the clairvoyant plan as bars.

use maud::Markup;

use super::rows::{Axis, Row, draw, off_scale};
use super::{DATA, Figure, Layout, marker, with_interval};
use crate::policies::{Significance, is_central, is_main, look};
use crate::tables::table;
use crate::text::{count, fixed, in_sentence, level_percent, percent, plural};
use lowgear_eval::summary::{Family, Headroom, Summary};

const AXIS: &str = "mean course time beyond the plan's";

fn row(summary: &Summary, h: &Headroom) -> Row {
    let family = summary.policy(&h.policy).map_or(Family::Rule, |policy| policy.record.family);
    Row {
        name: summary.label(&h.policy).to_owned(),
        look: look(summary, &h.policy),
        marker: marker(family),
        interval: (h.behind_s.mean, h.behind_s.low, h.behind_s.high),
        significance: Significance::None,
        figure: format!("+{} s", fixed(h.behind_s.mean, 1)),
        tip: format!(
            "{} s behind the plan, {} % of its time{}",
            with_interval(&h.behind_s),
            percent(h.behind_percent),
            share_in_words(h)
        ),
        central: is_central(summary, &h.policy),
    }
}

/// Of a gap nothing is closed below 0 %: then the policy is further from the plan than the tuned rule.
fn share_in_words(h: &Headroom) -> String {
    h.gap_percent.map_or_else(String::new, |gap| {
        if gap.mean < 0.0 {
            "; further from the plan than the tuned rule".to_owned()
        } else {
            format!("; closes {} % of the gap", fixed(gap.mean, 0))
        }
    })
}

/// The way from the hand-written rule to the plan, for the first screen: the main policies alone.
pub(in super::super) fn steps_to_plan(summary: &Summary) -> Option<Markup> {
    let rows: Vec<Row> = summary
        .headroom
        .iter()
        .filter(|h| is_main(summary, &h.policy))
        .map(|h| Row { central: true, ..row(summary, h) })
        .chain(plan_row(summary))
        .collect();
    let label =
        "Mean course time beyond that of the clairvoyant plan, from the hand-written rule to the plan";
    (rows.len() > 2).then(|| draw(&rows, &Axis { label, title: (AXIS, "s"), zero: 0.0, bars: true }))
}

fn plan_row(summary: &Summary) -> Option<Row> {
    let id = summary.roles.plan.as_deref()?;
    Some(Row {
        name: summary.label(id).to_owned(),
        look: "plan",
        marker: marker(Family::Plan),
        interval: (0.0, 0.0, 0.0),
        significance: Significance::None,
        figure: "0 s".to_owned(),
        tip: "knows the course ahead; 0 s by definition".to_owned(),
        central: true,
    })
}

/// Distance of every policy to the clairvoyant plan.
pub(in super::super) fn headroom(summary: &Summary) -> Option<Figure> {
    let first = summary.headroom.first()?;
    let rows: Vec<Row> = summary.headroom.iter().map(|h| row(summary, h)).collect();
    let off = off_scale(&rows, 0.0);
    let broken = if off.is_empty() {
        String::new()
    } else {
        format!(" Bars with an arrow are off the scale: {}.", off.join("; "))
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
        let gap = h.gap_percent.map_or_else(
            || "–".to_owned(),
            |gap| if gap.mean < 0.0 { "none".to_owned() } else { with_interval(&gap) },
        );
        vec![
            summary.label(&h.policy).to_owned(),
            with_interval(&h.behind_s),
            percent(h.behind_percent),
            gap,
            count(h.behind_s.n_seeds as u64),
        ]
    });
    let label = "Course time of each policy beyond that of the clairvoyant plan";
    Some(Figure {
        title: "Distance of every policy to the clairvoyant plan".to_owned(),
        caption,
        drawings: vec![draw(&rows, &Axis { label, title: (AXIS, "s"), zero: 0.0, bars: true })],
        further: Vec::new(),
        fold: DATA,
        table: table("Distance to the clairvoyant plan", &head, body),
        layout: Layout::Half,
    })
}
