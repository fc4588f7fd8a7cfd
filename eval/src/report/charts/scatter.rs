//! Course time against gearbox damage, with intervals both ways.

use super::super::pictures::FrontierPoint;
use super::super::scale::Scale;
use super::super::svg::{Anchor, Frame, Svg};
use super::super::tables::table;
use super::super::text::{count, level_percent, shorten};
use super::{Figure, class, marker, with_interval};
use crate::statistics::Estimate;
use crate::summary::{Family, Metric, Summary};

const WIDTH: f64 = 350.0;
const HEIGHT: f64 = 310.0;

struct Point {
    label: String,
    family: Family,
    time: Estimate,
    damage: Estimate,
}

/// Every policy that has both figures.
pub(in super::super) fn time_against_damage(summary: &Summary) -> Option<Figure> {
    let points: Vec<Point> = summary
        .policies
        .iter()
        .filter_map(|policy| {
            let time = *policy.metrics.get(&Metric::CourseTime)?;
            let damage = *policy.metrics.get(&Metric::Damage)?;
            Some(Point { label: policy.label.clone(), family: policy.family, time, damage })
        })
        .collect();
    let level = summary.study.level;
    figure(&points, "Speed against wear", "Each mark is one policy", level, false)
}

/// Policies trained with different weights on gearbox stress.
pub(in super::super) fn frontier(points: &[FrontierPoint], level: f64) -> Option<Figure> {
    let points: Vec<Point> = points
        .iter()
        .map(|p| Point { label: p.label.clone(), family: p.family, time: p.time_s, damage: p.damage_per_km })
        .collect();
    let what = "Each mark is one policy trained with another weight on gearbox stress; the line joins \
                neighbouring weights";
    figure(&points, "The price of gentleness: course time against damage", what, level, true)
}

fn figure(points: &[Point], title: &str, what: &str, level: f64, joined: bool) -> Option<Figure> {
    let first = points.first()?;
    let caption = format!(
        "{what}; lines are {} % intervals. Left is faster, lower is gentler. n = {} courses, seeds as in the \
         table.",
        level_percent(level),
        count(first.time.n_courses as u64)
    );
    let head = ["policy", "course time, s", "gearbox damage, of nominal life per km", "seeds", "courses"];
    let body = points.iter().map(|p| {
        vec![
            p.label.clone(),
            with_interval(&p.time),
            with_interval(&p.damage),
            count(p.time.n_seeds as u64),
            count(p.time.n_courses as u64),
        ]
    });
    Some(Figure {
        title: title.to_owned(),
        caption,
        table: table("The same figures", &head, body),
        drawings: vec![draw(points, title, joined)],
        wide: false,
    })
}

fn draw(points: &[Point], title: &str, joined: bool) -> String {
    let damages: Vec<f64> =
        points.iter().flat_map(|p| [p.damage.low, p.damage.mean, p.damage.high]).collect();
    let times: Vec<f64> = points.iter().flat_map(|p| [p.time.low, p.time.high]).collect();
    let frame = Frame {
        x: Scale::over(times, 0.05, 52.0, WIDTH - 14.0),
        y: Scale::log_if_wide(&damages, 0.06, HEIGHT - 38.0, 12.0),
        left: 52.0,
        right: WIDTH - 14.0,
        top: 12.0,
        bottom: HEIGHT - 38.0,
    };
    let mut svg = Svg::new(
        WIDTH,
        HEIGHT,
        &format!("{title}: course time across, gearbox damage upwards, {} policies", points.len()),
    );
    svg.x_axis(&frame, 5, "course time", "s");
    svg.y_axis(&frame, 6, "gearbox damage", "of nominal life per km");
    let places: Vec<(f64, f64)> =
        points.iter().map(|p| (frame.x.at(p.time.mean), frame.y.at(p.damage.mean))).collect();
    if joined {
        svg.polyline(&places, "joint");
    }
    for (p, at) in points.iter().zip(&places) {
        let kind = class(p.family);
        svg.line(
            (frame.x.at(p.time.low), at.1),
            (frame.x.at(p.time.high), at.1),
            &format!("whisker faint {kind}"),
        );
        svg.line(
            (at.0, frame.y.at(p.damage.low)),
            (at.0, frame.y.at(p.damage.high)),
            &format!("whisker faint {kind}"),
        );
    }
    for (p, at) in points.iter().zip(&places) {
        svg.marker(marker(p.family), *at, 5.0, &format!("mark {}", class(p.family)));
    }
    labels(&mut svg, points, &places, &frame);
    svg.finish()
}

/// Names beside the marks, moved up or down until none covers another.
fn labels(svg: &mut Svg, points: &[Point], places: &[(f64, f64)], frame: &Frame) {
    let mut taken: Vec<(f64, f64, f64)> = places.iter().map(|(x, y)| (x - 6.0, x + 6.0, *y)).collect();
    for (p, (x, y)) in points.iter().zip(places) {
        let text = shorten(&p.label, 24);
        let width = 6.0 * text.chars().count() as f64;
        let fits = x + 9.0 + width < frame.right;
        let start = if fits { x + 9.0 } else { (x - 9.0 - width).max(frame.left + 2.0) };
        let free = |wanted: f64| {
            let inside = frame.top + 6.0 <= wanted && wanted <= frame.bottom - 6.0;
            inside
                && taken
                    .iter()
                    .all(|(from, to, at)| start + width < *from || *to < start || (wanted - at).abs() > 11.0)
        };
        let steps = (0..40).flat_map(|k| [f64::from(k) * 4.0, f64::from(k) * -4.0]);
        let at = steps.map(|step| y + step).find(|wanted| free(*wanted)).unwrap_or(*y);
        if (at - y).abs() > 7.0 {
            let edge = if fits { start - 1.0 } else { start + width + 1.0 };
            svg.line((*x, *y), (edge, at), "leader");
        }
        let (place, anchor) = if fits { (start, Anchor::Start) } else { (start + width, Anchor::End) };
        svg.text((place, at + 3.5), anchor, "halo", &text);
        taken.push((start, start + width, at));
    }
}
