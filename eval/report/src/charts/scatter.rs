//! Course time against gearbox damage, with intervals both ways.

use maud::Markup;

use super::{DATA, Figure, Layout, marker, with_interval};
use crate::policies::{is_central, is_identical_to, is_main, look, look_of_family};
use crate::scale::{Scale, focus, range};
use crate::svg::{Anchor, Frame, Marker, Svg};
use crate::tables::{figure_column, table};
use crate::text::{count, fixed, level_percent, number, shorten};
use lowgear_eval::figures::FrontierPoint;
use lowgear_eval::statistics::Estimate;
use lowgear_eval::summary::{Family, Metric, Summary};

const WIDTH: f64 = 420.0;
const HEIGHT: f64 = 300.0;

struct Point {
    /// Points of one series are joined; none where they stand alone.
    series: Option<String>,
    label: String,
    family: Family,
    time: Estimate,
    damage: Estimate,
    /// Whether the axes must hold it.
    central: bool,
    /// Whether it lies on the mark of another one, which carries the name.
    alike: bool,
    /// Class of its look.
    look: &'static str,
    /// Whether its name stands at the mark.
    named: bool,
}

/// Every policy that has both figures.
pub(in super::super) fn time_against_damage(summary: &Summary) -> Option<Figure> {
    let points: Vec<Point> = summary
        .policies
        .iter()
        .filter_map(|policy| {
            Some(Point {
                series: None,
                label: policy.record.label.clone(),
                family: policy.record.family,
                time: *policy.metrics.get(&Metric::CourseTime)?,
                damage: *policy.metrics.get(&Metric::Damage)?,
                central: is_central(summary, &policy.record.id),
                alike: is_identical_to(summary, policy).is_some(),
                look: look(summary, &policy.record.id),
                named: is_main(summary, &policy.record.id),
            })
        })
        .collect();
    let alike: Vec<&str> = summary
        .policies
        .iter()
        .filter(|p| is_identical_to(summary, p).is_some())
        .map(|p| p.record.label.as_str())
        .collect();
    let rings = if alike.is_empty() {
        String::new()
    } else {
        format!(
            " A ring marks learned policies that are identical to the rule inside it: {}.",
            alike.join(", ")
        )
    };
    let what =
        format!("Each mark is one policy; small ones are named by pointing at them and in the table.{rings}");
    figure(&points, "Course time and gearbox damage", &what, summary.study.level, false)
}

/// Policies trained or tuned with different weights on gearbox stress.
pub(in super::super) fn frontier(points: &[FrontierPoint], level: f64) -> Option<Figure> {
    let points: Vec<Point> = points
        .iter()
        .map(|p| Point {
            series: Some(p.series.clone()),
            label: p.label.clone(),
            family: p.family,
            time: p.time_s,
            damage: p.damage_per_km,
            central: true,
            alike: false,
            look: look_of_family(p.family),
            named: true,
        })
        .collect();
    let mut series: Vec<(&str, Family)> = Vec::new();
    for p in &points {
        let name = p.series.as_deref().unwrap_or_default();
        if !series.iter().any(|(known, _)| *known == name) {
            series.push((name, p.family));
        }
    }
    let shapes: Vec<String> =
        series.iter().map(|(name, family)| format!("{} {name}", shape_in_words(*family))).collect();
    let what = format!(
        "Each mark is one policy, labelled with its weight on gearbox stress; lines join \
         neighbouring weights ({}).",
        shapes.join(", ")
    );
    figure(&points, "Trade-off between course time and gearbox damage", &what, level, true)
}

fn shape_in_words(family: Family) -> &'static str {
    match family {
        Family::Rule => "squares:",
        Family::Learned => "circles:",
        Family::Table => "diamonds:",
        Family::Plan => "triangles:",
    }
}

fn figure(points: &[Point], title: &str, what: &str, level: f64, joined: bool) -> Option<Figure> {
    let first = points.first()?;
    let frame = frame(points);
    let off: Vec<&str> = points.iter().filter(|p| !on_scale(p, &frame)).map(|p| p.label.as_str()).collect();
    let arrows = if off.is_empty() {
        String::new()
    } else {
        format!(" Arrows at the edge are off the scale: {}.", off.join(", "))
    };
    let caption = format!(
        "{what} Lines are {} % intervals, clipped at the axes. Left is less time, lower is less damage.{arrows} \
         n = {} courses; the table has the seeds.",
        level_percent(level),
        count(first.time.n_courses as u64)
    );
    let times = figure_column(&points.iter().map(|p| Some(p.time)).collect::<Vec<_>>());
    let damages = figure_column(&points.iter().map(|p| Some(p.damage)).collect::<Vec<_>>());
    let damage_title = format!("gearbox damage, {}of nominal life per km", damages.unit_prefix());
    let head = ["policy", "course time, s", damage_title.as_str(), "seeds", "courses"];
    let body = points.iter().zip(times.cells.iter().zip(&damages.cells)).map(|(p, (time, damage))| {
        let name =
            p.series.as_ref().map_or_else(|| p.label.clone(), |series| format!("{series}, {}", p.label));
        vec![name, time.clone(), damage.clone(), count(p.time.n_seeds as u64), count(p.time.n_courses as u64)]
    });
    Some(Figure {
        title: title.to_owned(),
        caption,
        table: table("Course time and gearbox damage", &head, body),
        drawings: vec![draw(points, &frame, title, joined)],
        further: Vec::new(),
        fold: DATA,
        layout: Layout::Half,
    })
}

/// Axes over the central points and those near them.
fn frame(points: &[Point]) -> Frame {
    let ends = |central: bool, of: fn(&Point) -> Estimate| -> Vec<(f64, f64)> {
        points.iter().filter(|p| p.central == central).map(|p| (of(p).low, of(p).high)).collect()
    };
    let (from, to) = focus(&ends(true, |p| p.time), &ends(false, |p| p.time));
    let near = |p: &&Point| from <= p.time.mean && p.time.mean <= to;
    // Upwards to the means with some room: damage spreads so widely that whole intervals would hide them.
    let (low, high) = range(points.iter().filter(near).map(|p| p.damage.mean));
    let reach: Vec<f64> = points
        .iter()
        .filter(near)
        .flat_map(|p| [p.damage.low.max(low * 0.5), p.damage.mean, p.damage.high.min(high * 1.35)])
        .collect();
    Frame {
        x: Scale::over([from, to], 0.03, 52.0, WIDTH - 14.0),
        y: Scale::log_if_wide(&reach, 0.06, HEIGHT - 38.0, 12.0),
        left: 66.0,
        right: WIDTH - 14.0,
        top: 12.0,
        bottom: HEIGHT - 38.0,
    }
}

fn on_scale(p: &Point, frame: &Frame) -> bool {
    frame.x.holds(p.time.mean) && frame.y.holds(p.damage.mean)
}

fn draw(points: &[Point], frame: &Frame, title: &str, joined: bool) -> Markup {
    let mut svg = Svg::new(
        WIDTH,
        HEIGHT,
        &format!("{title}: course time across, gearbox damage upwards, {} policies", points.len()),
    );
    svg.x_axis(frame, 5, "course time", "s");
    let log = if frame.y.is_log() { "gearbox damage (log scale)" } else { "gearbox damage" };
    svg.y_axis(frame, 6, log, "of nominal life per km");
    let places: Vec<(f64, f64)> =
        points.iter().map(|p| (frame.x.at(p.time.mean), frame.y.at(p.damage.mean))).collect();
    if joined {
        for (pair, ends) in points.windows(2).zip(places.windows(2)) {
            if pair[0].series == pair[1].series {
                svg.line(ends[0], ends[1], "joint");
            }
        }
    }
    for (p, at) in points.iter().zip(&places).filter(|(p, _)| p.named && on_scale(p, frame)) {
        let kind = format!("whisker faint {}", p.look);
        svg.line((frame.x.at(p.time.low), at.1), (frame.x.at(p.time.high), at.1), &kind);
        svg.line((at.0, frame.y.at(p.damage.low)), (at.0, frame.y.at(p.damage.high)), &kind);
    }
    for (p, at) in points.iter().zip(&places) {
        let kind = p.look;
        if p.alike {
            svg.marker(Marker::Ring, *at, 8.0, &format!("mark {kind}"));
        }
    }
    for (p, at) in points.iter().zip(&places).filter(|(p, _)| !p.alike) {
        let shape = if on_scale(p, frame) { marker(p.family) } else { outwards(p, frame) };
        let size = if p.named { 5.0 } else { 3.4 };
        let words = format!(
            "{}: {} s, damage {} of nominal life per km",
            p.label,
            with_interval(&p.time),
            with_interval(&p.damage)
        );
        svg.tipped(&words, |svg| svg.marker(shape, *at, size, &format!("mark {}", p.look)));
    }
    labels(&mut svg, points, &places, frame);
    svg.finish()
}

/// The arrow of a point off the scale.
fn outwards(p: &Point, frame: &Frame) -> Marker {
    let middle = 0.5 * (frame.left + frame.right);
    if !frame.x.holds(p.time.mean) {
        if frame.x.at(p.time.mean) > middle { Marker::TriangleRight } else { Marker::TriangleLeft }
    } else if frame.y.at(p.damage.mean) > 0.5 * (frame.top + frame.bottom) {
        Marker::TriangleDown
    } else {
        Marker::Triangle
    }
}

/// Its name, with the figure that the axes do not hold.
fn label(p: &Point, frame: &Frame) -> String {
    let mut text = shorten(&p.label, 32);
    if !frame.x.holds(p.time.mean) {
        text = format!("{text}: {} s", fixed(p.time.mean, 0));
    }
    if !frame.y.holds(p.damage.mean) {
        text = format!("{text}, damage {}", number(p.damage.mean));
    }
    text
}

/// Names next to the marks, moved up or down until none covers another.
fn labels(svg: &mut Svg, points: &[Point], places: &[(f64, f64)], frame: &Frame) {
    let mut taken: Vec<(f64, f64, f64)> = places.iter().map(|(x, y)| (x - 6.0, x + 6.0, *y)).collect();
    for (p, (x, y)) in points.iter().zip(places).filter(|(p, _)| !p.alike && p.named) {
        let text = label(p, frame);
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
