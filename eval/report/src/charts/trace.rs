//! A driven course: profile, surfaces and obstacles above, then gear, speed, load, tilt and time of every
//! run over the same distance.

use maud::{Markup, html};

use super::course::{LEFT, RIGHT, WIDTH, draw_course, thin};
use super::{Figure, Layout};
use crate::scale::{Scale, range};
use crate::svg::{Anchor, Frame, Marker, Svg};
use crate::tables::table;
use crate::text::{fixed, plural, shorten};
use lowgear_eval::figures::{CoursePicture, EventKind, RunTrace, TracePicture, TraceSample};

const MOST_RUNS: usize = 4;

/// The figure for the report; `None` when there is nothing to draw.
pub(in super::super) fn trace(picture: &TracePicture) -> Option<Figure> {
    if picture.runs.is_empty() || picture.course.profile.len() < 2 {
        return None;
    }
    let head = [
        "policy",
        "ended",
        "up",
        "down",
        "failed upshifts",
        "hunting",
        "missed engagements",
        "stalls",
        "stalled, s",
    ];
    let body = picture.runs.iter().take(MOST_RUNS).map(event_row);
    Some(Figure {
        title: picture.title.clone(),
        caption: format!(
            "One course, n = {} with the same sampled vehicle and noise. The top strip shows elevation, surfaces and \
             obstacles; each policy has a gear strip with its events.",
            plural(picture.runs.len().min(MOST_RUNS), "run")
        ),
        drawings: vec![trace_chart(picture).finish()],
        layout: Layout::Wide,
        table: html! { (table("Events of these runs", &head, body)) (incident_table(picture)) },
    })
}

fn event_row(run: &RunTrace) -> Vec<String> {
    let count =
        |wanted: fn(&EventKind) -> bool| run.events.iter().filter(|e| wanted(&e.kind)).count().to_string();
    let stalled: f64 =
        run.events.iter().map(|e| if let EventKind::Stall(s) = e.kind { s } else { 0.0 }).sum();
    vec![
        run.label.clone(),
        run.outcome.clone(),
        count(|kind| matches!(kind, EventKind::Upshift)),
        count(|kind| matches!(kind, EventKind::Downshift)),
        count(|kind| matches!(kind, EventKind::FailedUpshift)),
        count(|kind| matches!(kind, EventKind::Hunting)),
        count(|kind| matches!(kind, EventKind::MissedEngagement)),
        count(|kind| matches!(kind, EventKind::Stall(_))),
        fixed(stalled, 1),
    ]
}

/// Every stall, failed upshift and hunt with its place.
fn incident_table(picture: &TracePicture) -> Markup {
    let mut rows = Vec::new();
    for run in picture.runs.iter().take(MOST_RUNS) {
        for event in &run.events {
            let what = match event.kind {
                EventKind::Stall(stood_s) => format!("stalled for {} s", fixed(stood_s, 1)),
                EventKind::FailedUpshift => "failed upshift".to_owned(),
                EventKind::Hunting => "hunting".to_owned(),
                EventKind::Upshift | EventKind::Downshift | EventKind::MissedEngagement => continue,
            };
            rows.push(vec![
                run.label.clone(),
                what,
                fixed(event.distance_m, 2),
                event.surface.clone(),
                fixed(event.grade_deg, 1),
                (event.gear + 1).to_string(),
            ]);
        }
    }
    if rows.is_empty() {
        return Markup::default();
    }
    let head = ["policy", "what", "at, m", "surface", "grade, °", "gear"];
    table("Stall, failed-upshift and hunting events", &head, rows)
}

/// The drawing of a course with its runs.
pub(in super::super) fn trace_chart(picture: &TracePicture) -> Svg {
    let runs: Vec<&RunTrace> = picture.runs.iter().take(MOST_RUNS).collect();
    let lane = 16.0 + 13.0 * f64::from(picture.gears.max(2));
    let height = 206.0 + lane * runs.len() as f64 + 4.0 * 92.0 + 14.0;
    let label = format!(
        "{}: elevation, gears, speed, load, tilt and time over distance, {}",
        picture.title,
        plural(runs.len(), "run")
    );
    let mut svg = Svg::new(WIDTH, height, &label);
    let x = distance_scale(&picture.course, &runs);
    let mut top = draw_course(&mut svg, &picture.course, x, 14.0);
    let obstacles_to = height - 44.0;
    draw_obstacle_lines(&mut svg, &picture.course, x, top, obstacles_to);
    top += 4.0;
    event_key(&mut svg, top);
    top += 20.0;
    for (index, run) in runs.iter().enumerate() {
        draw_gears(&mut svg, run, index, picture.gears.max(2), x, top);
        top += lane;
    }
    type Figure = (&'static str, &'static str, fn(&TraceSample) -> f64);
    let panels: [Figure; 4] = [
        ("speed", "m/s", |s| s.speed_m_per_s),
        ("load", "‰ of stall", |s| s.load_permille),
        ("tilt", "°", |s| s.tilt_deg),
        ("time", "s", |s| s.time_s),
    ];
    for (index, (title, unit, figure)) in panels.into_iter().enumerate() {
        let frame = draw_panel(&mut svg, &runs, (title, unit), figure, x, top + 10.0);
        if index == 3 {
            svg.x_axis(&frame, 10, "distance", "m");
        }
        top += 92.0;
    }
    svg
}

fn distance_scale(course: &CoursePicture, runs: &[&RunTrace]) -> Scale {
    let driven = runs.iter().flat_map(|run| &run.samples).map(|sample| sample.distance_m);
    Scale::over(course.profile.iter().map(|(at, _)| *at).chain(driven), 0.0, LEFT, RIGHT)
}

fn draw_obstacle_lines(svg: &mut Svg, course: &CoursePicture, x: Scale, top: f64, bottom: f64) {
    if course.obstacles.len() <= 16 {
        for obstacle in &course.obstacles {
            let at = x.at(obstacle.at_m);
            svg.line((at, top), (at, bottom), "obstacle-line");
        }
    }
}

/// Marker and class of an event.
fn event_mark(kind: EventKind) -> (Marker, &'static str) {
    match kind {
        EventKind::Upshift => (Marker::Triangle, "event shift"),
        EventKind::Downshift => (Marker::TriangleDown, "event shift"),
        EventKind::FailedUpshift => (Marker::Cross, "event failed"),
        EventKind::MissedEngagement => (Marker::Ring, "event missed"),
        EventKind::Hunting => (Marker::Diamond, "event hunt"),
        EventKind::Stall(_) => (Marker::Square, "event stall"),
    }
}

fn event_key(svg: &mut Svg, top: f64) {
    let key = [
        (EventKind::Upshift, "shift up"),
        (EventKind::Downshift, "shift down"),
        (EventKind::FailedUpshift, "failed upshift"),
        (EventKind::MissedEngagement, "missed engagement"),
        (EventKind::Hunting, "hunting"),
        (EventKind::Stall(0.0), "stalled"),
    ];
    let mut at = LEFT + 6.0;
    for (kind, word) in key {
        let (marker, class) = event_mark(kind);
        svg.marker(marker, (at, top + 6.0), 3.6, class);
        svg.text((at + 9.0, top + 9.5), Anchor::Start, "tick", word);
        at += 30.0 + 5.8 * word.len() as f64;
    }
}

fn draw_gears(svg: &mut Svg, run: &RunTrace, index: usize, gears: u8, x: Scale, top: f64) {
    let bottom = top + 16.0 + 13.0 * f64::from(gears) - 6.0;
    let y = Scale::linear(-0.45, f64::from(gears) - 0.55, bottom, top + 14.0);
    svg.line((LEFT, top + 9.0), (LEFT + 26.0, top + 9.0), &format!("run run-{index}"));
    let words = format!("{}: {}", run.label, run.outcome);
    svg.text((LEFT + 32.0, top + 12.0), Anchor::Start, "row halo", &shorten(&words, 90));
    for gear in 0..gears {
        let at = y.at(f64::from(gear));
        svg.line((LEFT, at), (RIGHT, at), "grid");
        svg.text((LEFT - 5.0, at + 3.5), Anchor::End, "tick", &(gear + 1).to_string());
    }
    svg.text_upwards((10.0, 0.5 * (top + 14.0 + bottom)), "axis-title", "gear");
    for piece in run.samples.chunk_by(|a, b| a.gear.is_some() == b.gear.is_some()) {
        let mut steps: Vec<(f64, f64)> = Vec::new();
        for sample in piece {
            let Some(gear) = sample.gear else { continue };
            let next = (x.at(sample.distance_m), y.at(f64::from(gear)));
            if let Some(last) = steps.last().filter(|last| (last.1 - next.1).abs() > 0.1) {
                steps.push((next.0, last.1));
            }
            match steps.as_mut_slice() {
                // On the level: move the end, so that a long gear costs two points.
                [.., before, last]
                    if (before.1 - next.1).abs() < 0.1
                        && (last.1 - next.1).abs() < 0.1
                        && next.0 >= last.0 =>
                {
                    last.0 = next.0;
                }
                _ => steps.push(next),
            }
        }
        svg.polyline(&steps, &format!("run run-{index} solid"));
    }
    for event in &run.events {
        let (marker, class) = event_mark(event.kind);
        // A ring round the shift that it stands for.
        let size = if event.kind == EventKind::Hunting { 6.0 } else { 3.6 };
        svg.marker(marker, (x.at(event.distance_m), y.at(f64::from(event.gear))), size, class);
    }
}

fn draw_panel(
    svg: &mut Svg,
    runs: &[&RunTrace],
    (title, unit): (&str, &str),
    figure: fn(&TraceSample) -> f64,
    x: Scale,
    top: f64,
) -> Frame {
    let values = runs.iter().flat_map(|run| run.samples.iter().map(figure));
    let (low, high) = range(values);
    let frame = Frame {
        x,
        y: Scale::over([low.min(0.0), high], 0.05, top + 74.0, top),
        left: LEFT,
        right: RIGHT,
        top,
        bottom: top + 74.0,
    };
    svg.y_axis(&frame, 4, title, unit);
    svg.line((LEFT, frame.bottom), (RIGHT, frame.bottom), "axis");
    for (index, run) in runs.iter().enumerate() {
        let line = run.samples.iter().map(|s| (x.at(s.distance_m), frame.y.at(figure(s)))).collect();
        svg.polyline(&thin(line), &format!("run run-{index}"));
    }
    frame
}
