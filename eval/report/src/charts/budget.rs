//! Result over budget: course time of every policy against the hand-written rule's, over the factor on all budgets.

use maud::Markup;

use super::{DATA, Figure, Layout, with_interval};
use crate::scale::{Scale, range};
use crate::svg::{Anchor, Frame, Marker, Svg};
use crate::tables::table;
use crate::text::{count, level_percent, number, plural, shorten};
use lowgear_eval::statistics::Estimate;

const WIDTH: f64 = 560.0;
const HEIGHT: f64 = 330.0;
const LEFT: f64 = 52.0;
const RIGHT: f64 = WIDTH - 12.0;
/// Line styles.
const STYLES: usize = 6;
/// Between the intervals of two policies at one budget.
const APART: f64 = 7.0;
const MARKERS: [Marker; 4] = [Marker::Square, Marker::Circle, Marker::Diamond, Marker::Triangle];

/// What every policy reaches with each budget.
pub(in super::super) struct BudgetPicture {
    /// Title.
    pub(in super::super) title: String,
    /// Factors on all budgets, rising.
    pub(in super::super) budgets: Vec<f64>,
    /// The policies.
    pub(in super::super) policies: Vec<BudgetSeries>,
}

/// One policy of it.
pub(in super::super) struct BudgetSeries {
    /// Its name.
    pub(in super::super) label: String,
    /// Its results, by rising budget.
    pub(in super::super) points: Vec<BudgetPoint>,
}

/// One result.
pub(in super::super) struct BudgetPoint {
    /// Factor on all budgets.
    pub(in super::super) budget: f64,
    /// Course time less the hand-written rule's, % of that.
    pub(in super::super) percent: Estimate,
    /// Ticks of all its searches together.
    pub(in super::super) search_ticks: u64,
}

/// The picture, if any policy has figures at two budgets.
pub(in super::super) fn budgets(picture: &BudgetPicture, level: f64) -> Option<Figure> {
    let first = picture.policies.iter().find(|policy| policy.points.len() > 1)?.points.first()?;
    let head: Vec<String> = std::iter::once("policy".to_owned())
        .chain(picture.budgets.iter().map(|budget| format!("budget × {}", number(*budget))))
        .chain(picture.budgets.iter().map(|budget| format!("search ticks, × {}", number(*budget))))
        .collect();
    let head: Vec<&str> = head.iter().map(String::as_str).collect();
    let body = picture.policies.iter().map(|policy| {
        let at = |budget: &f64| policy.points.iter().find(|point| point.budget == *budget);
        let times = picture
            .budgets
            .iter()
            .map(|budget| at(budget).map_or_else(|| "–".to_owned(), |point| with_interval(&point.percent)));
        let ticks = picture
            .budgets
            .iter()
            .map(|budget| at(budget).map_or_else(|| "–".to_owned(), |point| count(point.search_ticks)));
        std::iter::once(policy.label.clone()).chain(times).chain(ticks).collect::<Vec<_>>()
    });
    Some(Figure {
        title: picture.title.clone(),
        caption: format!(
            "Course time relative to the hand-written rule on the same test courses, %, with {} % intervals over training \
             seeds and courses; less is faster. The budget of every policy is multiplied by the number below (log scale). \
             n = {} × {}.",
            level_percent(level),
            plural(first.percent.n_seeds, "seed"),
            plural(first.percent.n_courses, "course"),
        ),
        table: table(
            "Course time relative to the hand-written rule, %, and ticks of all searches together",
            &head,
            body,
        ),
        drawings: vec![draw(picture)],
        further: Vec::new(),
        fold: DATA,
        layout: Layout::Wide,
    })
}

fn draw(picture: &BudgetPicture) -> Markup {
    let points = || picture.policies.iter().flat_map(|policy| &policy.points);
    let (low, high) = range(points().flat_map(|point| [point.percent.low, point.percent.high]));
    let (first, last) = range(picture.budgets.iter().copied());
    let (top, bottom) = (16.0 + 15.0 * picture.policies.len().div_ceil(2) as f64, HEIGHT - 38.0);
    let frame = Frame {
        x: Scale::log(first, last.max(1.01 * first), LEFT + 40.0, RIGHT - 40.0),
        y: Scale::over([low, high, 0.0], 0.05, bottom, top),
        left: LEFT,
        right: RIGHT,
        top,
        bottom,
    };
    let mut svg = Svg::new(WIDTH, HEIGHT, "Course time relative to the hand-written rule, over the budget");
    svg.y_axis(&frame, 6, "course time", "%");
    svg.line((LEFT, frame.y.at(0.0)), (RIGHT, frame.y.at(0.0)), "zero");
    for budget in &picture.budgets {
        svg.text(
            (frame.x.at(*budget), bottom + 15.0),
            Anchor::Middle,
            "tick",
            &format!("× {}", number(*budget)),
        );
    }
    svg.text((f64::midpoint(LEFT, RIGHT), HEIGHT - 6.0), Anchor::Middle, "axis-title", "budget (log scale)");
    let middle = (picture.policies.len().max(1) - 1) as f64 / 2.0;
    for (index, policy) in picture.policies.iter().enumerate() {
        let shift = APART * (index as f64 - middle);
        let class = format!("learned style-{}", index % STYLES);
        let marker = MARKERS[index % MARKERS.len()];
        let x = |budget: f64| frame.x.at(budget) + shift;
        let line: Vec<(f64, f64)> =
            policy.points.iter().map(|point| (x(point.budget), frame.y.at(point.percent.mean))).collect();
        svg.polyline(&line, &class);
        for (point, &at) in policy.points.iter().zip(&line) {
            let words = format!(
                "{}, budget × {}: {} %",
                policy.label,
                number(point.budget),
                with_interval(&point.percent)
            );
            svg.tipped(&words, |svg| {
                let end = |value: f64| (at.0, frame.y.at(value));
                svg.line(end(point.percent.low), end(point.percent.high), "learned");
                svg.marker(marker, at, 3.2, "mark learned");
            });
        }
        let (kx, ky) = (LEFT + 250.0 * (index % 2) as f64, 10.0 + 15.0 * (index / 2) as f64);
        svg.polyline(&[(kx, ky), (kx + 22.0, ky)], &class);
        svg.marker(marker, (kx + 11.0, ky), 3.2, "mark learned");
        svg.text((kx + 28.0, ky + 4.0), Anchor::Start, "tick", &shorten(&policy.label, 34));
    }
    svg.finish()
}
