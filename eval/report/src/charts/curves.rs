//! Learning curves: every training seed thin, their mean thick, one panel per learner, common axes.

use maud::Markup;
use std::collections::BTreeMap;

use super::{Figure, Layout, class};
use crate::scale::{Scale, range};
use crate::svg::{Anchor, Frame, Marker, Svg};
use crate::tables::table;
use crate::text::{count, number, plural, shorten};
use lowgear_eval::summary::{Curve, Family, Summary};

const WIDTH: f64 = 300.0;
const HEIGHT: f64 = 210.0;

/// Validation return over training, if any learner has a curve.
pub(in super::super) fn learning_curves(summary: &Summary) -> Option<Figure> {
    let mut learners: Vec<&str> = Vec::new();
    for curve in summary.curves.iter().filter(|curve| !curve.points.is_empty()) {
        if !learners.contains(&curve.learner.as_str()) {
            learners.push(&curve.learner);
        }
    }
    if learners.is_empty() {
        return None;
    }
    let drawings = learners.iter().map(|learner| draw(summary, learner)).collect();
    let head = ["learner", "seed", "ticks", "last return, s", "interval over courses, s"];
    let body = summary.curves.iter().filter_map(|curve| {
        let last = curve.points.last()?;
        Some(vec![
            summary.label(&curve.learner).to_owned(),
            curve.seed.to_string(),
            count(last.ticks),
            number(last.mean),
            format!("{} to {}", number(last.low), number(last.high)),
        ])
    });
    Some(Figure {
        title: "Learning curves".to_owned(),
        caption: "Return on the validation courses over simulated controller ticks; each learner has its own \
                  range of ticks, all share the range of returns. Thin lines are single training seeds, the thick \
                  line is their mean at the checks that all seeds share, the band spans the worst to the best seed; the \
                  dashed line is the mean return at the start. Arrows at the lower edge are checks below the axis."
            .to_owned(),
        table: table("Last validation check of each seed", &head, body),
        drawings,
        layout: Layout::Row,
    })
}

fn draw(summary: &Summary, learner: &str) -> Markup {
    let own = || summary.curves.iter().filter(|curve| curve.learner == learner);
    let (_, last) = range(own().flat_map(|curve| &curve.points).map(|point| point.ticks as f64));
    let (low, high) = returns(summary);
    let frame = Frame {
        x: Scale::linear(0.0, last, 48.0, WIDTH - 14.0),
        y: Scale::over([low, high], 0.06, HEIGHT - 36.0, 24.0),
        left: 48.0,
        right: WIDTH - 14.0,
        top: 24.0,
        bottom: HEIGHT - 36.0,
    };
    let curves: Vec<&Curve> = own().collect();
    let label = summary.label(learner);
    let seeds = plural(curves.len(), "seed");
    let mut svg =
        Svg::new(WIDTH, HEIGHT, &format!("Learning curve of {label}: validation return over ticks, {seeds}"));
    svg.text((48.0, 14.0), Anchor::Start, "row", &shorten(label, 26));
    svg.text((WIDTH - 14.0, 14.0), Anchor::End, "figure", &format!("n = {seeds}"));
    svg.x_axis(&frame, 4, "simulated ticks", "");
    svg.y_axis(&frame, 5, "validation return", "s");
    let kind = class(summary.policy(learner).map_or(Family::Learned, |policy| policy.record.family));
    let (mean, band) = mean_and_band(&curves, &frame);
    if band.len() > 2 {
        svg.polygon(&band, &format!("band {kind}"));
    }
    for curve in &curves {
        let points: Vec<(f64, f64)> =
            curve.points.iter().map(|p| (frame.x.at(p.ticks as f64), frame.y.at(p.mean))).collect();
        svg.polyline(&points, &format!("thin {kind}"));
        for (point, at) in curve.points.iter().zip(&points) {
            if point.mean < low {
                svg.marker(Marker::TriangleDown, (at.0, frame.bottom - 4.0), 3.6, &format!("mark {kind}"));
            } else if curve.points.len() <= FEW {
                svg.marker(Marker::Circle, *at, 2.6, &format!("mark {kind}"));
            }
        }
    }
    svg.polyline(&mean, &format!("thick {kind}"));
    let starts: Vec<f64> =
        curves.iter().filter_map(|curve| curve.points.first()).map(|point| point.mean).collect();
    let start = starts.iter().sum::<f64>() / starts.len().max(1) as f64;
    if frame.y.holds(start) {
        let y = frame.y.at(start);
        svg.line((frame.left, y), (frame.right, y), "joint");
    }
    svg.finish()
}

/// Checks of a curve up to which each gets a dot.
const FEW: usize = 12;

/// Returns that the panels show: from the best down to a few times the way gained since the start.
fn returns(summary: &Summary) -> (f64, f64) {
    let all = || summary.curves.iter().flat_map(|curve| &curve.points).map(|point| point.mean);
    let (worst, best) = range(all());
    let starts = summary.curves.iter().filter_map(|curve| curve.points.first()).map(|point| point.mean);
    let (start, _) = range(starts);
    let way = (best - start).max(0.01 * best.abs());
    (worst.max(best - 4.0 * way), best)
}

/// Coordinates of a line and of a band.
type Drawn = (Vec<(f64, f64)>, Vec<(f64, f64)>);

/// Over the ticks at which every seed was checked.
fn mean_and_band(curves: &[&Curve], frame: &Frame) -> Drawn {
    let mut at: BTreeMap<u64, Vec<f64>> = BTreeMap::new();
    for point in curves.iter().flat_map(|curve| &curve.points) {
        at.entry(point.ticks).or_default().push(point.mean);
    }
    at.retain(|_, values| values.len() == curves.len());
    let mut mean = Vec::new();
    let (mut upper, mut lower) = (Vec::new(), Vec::new());
    for (ticks, values) in &at {
        let x = frame.x.at(*ticks as f64);
        let (low, high) = range(values.iter().copied());
        mean.push((x, frame.y.at(values.iter().sum::<f64>() / values.len() as f64)));
        upper.push((x, frame.y.at(high)));
        lower.push((x, frame.y.at(low)));
    }
    upper.extend(lower.into_iter().rev());
    (mean, upper)
}
